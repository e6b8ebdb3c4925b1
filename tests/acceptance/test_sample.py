"""`sample_data/` is what one command makes, and a plain count of its files tells its story."""

from __future__ import annotations

import csv
import shutil
from collections import Counter, defaultdict
from pathlib import Path

import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.simulate.sample import LATE, sample
from pipeline.store.database import open_store
from schemas.catalogue import parse_catalogue

SAMPLE = Path(__file__).parents[2] / "sample_data"
LAST = "2026-06"
RETRAINED, PRONG, HEATER, LOGS = "2025-10", "2025-12", "2026-04", "2026-03"
"""The last month before Cedar's retraining showed, and the first of each other change."""
UPSET = ("crying", "coughing", "agitated")
Row = dict[str, str]


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def rows(name: str, folder: Path = SAMPLE) -> list[Row]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def trips() -> dict[str, Row]:
    return {row["trip_id"]: row for row in rows("trips")}


@pytest.fixture(scope="module")
def planted() -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for row in rows("planted"):
        found[row["rule"]][row["trip_id"]] = row["verdict"]
    return found


def test_made_again_it_is_the_same_bytes(tmp_path: Path) -> None:
    """`tailrace simulate --sample --into DIR` makes it again where it is to be changed."""
    sample(tmp_path / "again")
    here, again = files(SAMPLE), files(tmp_path / "again")
    assert here.keys() == again.keys()
    assert [name for name in here if here[name] != again[name]] == []


def test_it_is_eighteen_months_of_sixty_trips_in_three_megabytes(trips: dict[str, Row]) -> None:
    assert sum(len(text) for name, text in files(SAMPLE).items() if name.endswith(".csv")) <= 3e6
    months = Counter(row["service_month"] for row in trips.values())
    assert (min(months), max(months), len(months)) == ("2025-01", LAST, 18)
    assert len(rows("expected")) == 18 * 60
    assert len({row["base"] for row in trips.values()}) == 5
    catalogue = parse_catalogue((SAMPLE / "cannulas.toml").read_text(encoding="utf-8"))
    sizes = [size.prong_od_mm for size in catalogue.cannula if size.family == "prong"]
    assert sizes == [1.4, 1.8, 2.2, 2.6, 3.3]
    pressures = [float(r["pressure_cmh2o"]) for r in rows("device_events") if r["pressure_cmh2o"]]
    assert 45 < min(pressures) <= sorted(pressures)[len(pressures) // 2] < 55
    pauses = sorted(float(row["cutoff_s"]) for row in rows("device_events") if row["cutoff_s"])
    assert pauses[len(pauses) // 2] == 6


def test_the_answers_planted_in_it_are_found(reviewed_sample: Path, tmp_path: Path) -> None:
    """In both deliveries together, every verdict and no other."""
    shutil.copy(reviewed_sample / "out" / "store.duckdb", tmp_path)
    with open_store(tmp_path / "store.duckdb") as con:
        load(con, read_delivery(con, SAMPLE / LATE))
        judge(con)
        planted = [str(folder / "planted.csv") for folder in (SAMPLE, SAMPLE / LATE)]
        differing = con.execute(f"""
            SELECT trip_id, rule, p.verdict, v.verdict
            FROM (SELECT trip_id, rule, verdict
                  FROM judged.verdict JOIN judged.trip_window USING (trip_key)) v
            FULL JOIN read_csv({planted}, all_varchar = true) p USING (trip_id, rule)
            WHERE v.verdict IS DISTINCT FROM p.verdict
        """).fetchall()
    assert differing == []


def share(verdicts: dict[str, str], chosen: list[str]) -> float:
    """Deviations among those of the trips that the rule is about."""
    asked = [verdicts[t] for t in chosen if verdicts.get(t, "not_applicable") != "not_applicable"]
    return asked.count("deviation") / len(asked)


def test_cedars_wall_time_overran_until_it_was_retrained(
    trips: dict[str, Row], planted: dict[str, dict[str, str]]
) -> None:
    of = {
        (cedar, later): share(
            planted["wall-oxygen-time"],
            [
                trip
                for trip, row in trips.items()
                if (row["base"] == "cedar", row["service_month"] > RETRAINED) == (cedar, later)
            ],
        )
        for cedar in (True, False)
        for later in (True, False)
    }
    assert of[True, False] > 2 * of[False, False], "against the others"
    assert of[True, True] < of[True, False] / 3, "and after the retraining"
    assert [row["base"] for row in rows("training") if row["month"] == RETRAINED][-1] == "cedar"


def known_occlusions() -> list[tuple[str, float]]:
    """Trip and second; the device's clock is put right by its first start near the charted one."""
    moved: dict[str, int] = {}
    for row in rows("settings"):
        if row["source"] == "ventilator" and row["at_s"].isdigit():
            moved.setdefault(row["trip_id"], int(row["at_s"]))
    started: dict[str, list[int]] = defaultdict(list)
    events = [row for row in rows("device_events") if row["trip_id"] in moved]
    for row in events:
        if row["event"] == "started":
            started[row["trip_id"]].append(int(row["at_s"]) - moved[row["trip_id"]])
    offset = {trip: min(near, key=abs) for trip, near in started.items()}
    return [
        (row["trip_id"], int(row["at_s"]) - offset.get(row["trip_id"], 0))
        for row in events
        if row["event"] == "occlusion"
    ]


def test_one_small_prong_occluded_more_and_mostly_in_crying_infants(trips: dict[str, Row]) -> None:
    size = {r["trip_id"]: r["cannula"] for r in reversed(rows("settings")) if r.get("cannula")}
    upset: dict[str, list[int]] = defaultdict(list)
    for row in rows("observations"):
        if row.get("behaviour") in UPSET and row["at_s"].isdigit():
            upset[row["trip_id"]].append(int(row["at_s"]))
    moved: dict[str, int] = {}
    for row in rows("settings"):
        if row.get("source") == "ventilator" and row["at_s"].isdigit():
            moved.setdefault(row["trip_id"], int(row["at_s"]))
    logged = {row["trip_id"] for row in rows("device_events")}
    count, hours, crying = Counter[tuple[bool, bool]](), Counter[tuple[bool, bool]](), 0
    for trip, at_s in moved.items():
        if trip in logged and trips.get(trip, {}).get("handover_s") and trip in size:
            kind = (size[trip] == "prong-2", trips[trip]["service_month"] >= PRONG)
            hours[kind] += (int(trips[trip]["handover_s"]) - at_s) / 3600
    for trip, second in known_occlusions():
        kind = (size.get(trip) == "prong-2", trips[trip]["service_month"] >= PRONG)
        count[kind] += 1
        crying += kind == (True, True) and any(abs(at - second) <= 150 for at in upset[trip])
    rate = {kind: count[kind] / hours[kind] for kind in hours}
    assert 1.6 < rate[True, True] / rate[True, False] < 2.6, "doubled"
    assert 0.7 < rate[False, True] / rate[False, False] < 1.4, "as the other sizes did not"
    assert crying > count[True, True] / 2
    assert count[True, True] >= 25


def test_damsons_unheated_time_rose_with_one_heater(
    trips: dict[str, Row], planted: dict[str, dict[str, str]]
) -> None:
    damson = {trip: row for trip, row in trips.items() if row["base"] == "damson"}
    cold = {trip for trip, v in planted["unheated-time"].items() if v == "deviation"}
    later = {trip for trip, row in damson.items() if row["service_month"] >= HEATER}
    before = damson.keys() - later
    assert len(cold & later) / len(later) > 2 * len(cold & before) / len(before)
    failed = {row["trip_id"] for row in rows("settings") if row.get("reason") == "heater_failed"}
    units = Counter(damson[trip]["heater_unit"] for trip in failed & later)
    assert units.most_common(1) == [("H-damson-2", 3)]
    with_it = {trip for trip in failed & later if damson[trip]["heater_unit"] == "H-damson-2"}
    assert with_it <= cold


def test_elms_logs_stopped_and_hid_a_repeated_occlusion(trips: dict[str, Row]) -> None:
    logged = {row["trip_id"] for row in rows("device_events")}
    used = Counter[tuple[bool, bool]]()
    for trip, row in trips.items():
        if row["base"] == "elm" and row["ventilator_unit"]:
            used[row["service_month"] >= LOGS, trip in logged] += 1
    assert used[True, True] == 0 < used[True, False]
    assert used[False, True] > used[False, False]
    blocked = {r["trip_id"] for r in rows("settings") if r.get("reason") == "repeated_occlusion"}
    hidden = [t for t in blocked if trips[t]["base"] == "elm" and trips[t]["service_month"] == LAST]
    assert len(hidden) == 1
    assert hidden[0] not in logged


def test_two_trips_of_the_last_month_are_missing_and_one_comes_late(trips: dict[str, Row]) -> None:
    missing = {row["trip_id"]: row for row in rows("expected") if row["trip_id"] not in trips}
    assert [row["service_month"] for row in missing.values()] == [LAST, LAST]
    (late,) = rows("trips", SAMPLE / LATE)
    assert late["trip_id"] in missing
    assert late["outcome"] == "intubated"


def test_the_last_months_cases_are_there(
    trips: dict[str, Row], planted: dict[str, dict[str, str]]
) -> None:
    """A low saturation nobody answered, another suctioned, and an overrun the director allowed."""
    last = {trip for trip, row in trips.items() if row["service_month"] == LAST}
    low = planted["low-saturation-response"]
    assert [low.get(trip) for trip in last].count("deviation") == 1
    readings: dict[str, list[Row]] = defaultdict(list)
    for row in rows("observations"):
        if row["trip_id"] in last and row["spo2_pct"].isdigit() and int(row["spo2_pct"]) < 90:
            readings[row["trip_id"]].append(row)
    assert any(
        low[trip] == "met" and any(row["care"] == "suction" for row in found)
        for trip, found in readings.items()
        if trip in low and len(found) >= 2
    )
    allowed = [t for t in last if planted["wall-oxygen-time"].get(t) == "authorised"]
    calls = [r for r in rows("contacts") if r["trip_id"] in allowed and r["authorised"]]
    assert len({call["trip_id"] for call in calls}) == len(allowed)
    (director,) = [call for call in calls if call["contacted"] == "medical_direction"]
    assert (director["authorised"], director["authorised_by"]) == ("longer_wall_oxygen", "D1")
