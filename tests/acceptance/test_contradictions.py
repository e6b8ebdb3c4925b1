"""Records that cannot be are found, with place, sentence and remedy; sound ones are not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.measures.clock_offsets import clock_offsets
from pipeline.store.database import open_store
from pipeline.timeline.contradictions import CONTRADICTIONS, month_contradictions
from schemas.outputs import ClockOffsets, Problems

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


HEADS = {
    "trips": "trip_id,service_month,base,vehicle,diagnosis_group,weight_kg,age_months,"
    "departed_s,arrived_s,handover_s",
    "settings": "trip_id,at_s,support,source,flow_lpm,fio2,humidification,cannula,reason",
    "device_events": "trip_id,at_s,event,pressure_cmh2o,cutoff_s",
}
SOUND = {
    "trips": ["T1,2026-01,b1,ground,bronchiolitis,8.4,7,1800,4800,5400"],
    "settings": [
        "T1,0,high_flow,ventilator,8,0.4,heated,prong-2,start",
        "T1,3000,,wall,,1.0,,,clinical",
    ],
    "device_events": ["T1,30,started,,", "T1,900,occlusion,51,8", "T1,908,restored,,"],
}


def changed(table: str, *rows: str) -> dict[str, list[str]]:
    return {**SOUND, table: list(rows)}


def more(table: str, *rows: str) -> dict[str, list[str]]:
    return {**SOUND, table: [*SOUND[table], *rows]}


def trip(tail: str, weight: str = "8.4,7") -> dict[str, list[str]]:
    return changed("trips", f"T1,2026-01,b1,ground,bronchiolitis,{weight},{tail}")


MILESTONES = "1800,4800,5400"
CANNOT_BE: list[tuple[str, dict[str, list[str]], str | None, int | None]] = [
    ("fio2-on-undiluted-gas", more("settings", "T1,3600,,,,0.6,,,check"), "settings", 4),
    ("fio2-on-undiluted-gas", more("settings", "T1,3600,,cylinder,,0.9,,,"), "settings", 4),
    ("setting-after-handover", more("settings", "T1,5460,,,8,,,,check"), "settings", 4),
    ("departure-after-arrival", trip("4860,4800,5400"), "trips", 2),
    ("arrival-after-handover", trip("1800,5460,5400"), "trips", 2),
    ("departure-after-handover", trip("5460,,5400"), "trips", 2),
    (
        "heated-while-heater-failed",
        more("settings", "T1,3600,,,,,heated,,heater_failed"),
        "settings",
        4,
    ),
    ("heated-while-heater-failed", more("settings", "T1,3600,,,,,,,heater_failed"), "settings", 4),
    ("occlusion-on-wall", more("device_events", "T1,4000,occlusion,51,8"), "device_events", 5),
    (
        "occlusion-outside-ventilator-time",
        more("device_events", "T1,-600,occlusion,51,8"),
        "device_events",
        5,
    ),
    ("weight-for-age", trip(MILESTONES, weight="84,7"), "trips", 2),
    ("weight-for-age", trip(MILESTONES, weight="3.32,7"), "trips", 2),
    ("two-cannulas-at-once", more("settings", "T1,0,,,,,,prong-3,"), "settings", 4),
    ("two-sources-at-once", more("settings", "T1,3000,,ventilator,,,,,"), "settings", 4),
    (
        "cannula-not-in-catalogue",
        more("settings", "T1,3000,,,,,,unlisted-9,"),
        "settings",
        4,
    ),
    ("clock-offset", changed("device_events", "T1,700,started,,"), "device_events", 2),
    (
        "no-protocol-version",
        more("trips", "T2,2025-12,b1,ground,croup,8.4,7,1800,4800,5400"),
        None,
        None,
    ),
]
SOUND_AFTER_ALL = {
    "as delivered": SOUND,
    "FiO2 of 1.0 on the wall": more("settings", "T1,3600,,,,1.0,,,check"),
    "FiO2 of the ventilator, corrected in the same minute": more(
        "settings", "T1,2940,,,,0.5,,,", "T1,2940,,,,0.4,,,"
    ),
    "a setting in the minute of hand-over": more("settings", "T1,5400,,,8,,,,check"),
    "arrival and departure in one minute": trip("4800,4800,4800"),
    "milestones not recorded": trip(",,5400"),
    "heater failed, unheated four minutes later": more(
        "settings", "T1,3360,,,,,,,heater_failed", "T1,3600,,,,,unheated,,"
    ),
    "heater failed, trip over soon after": more("settings", "T1,5280,,,,,,,heater_failed"),
    "an occlusion a minute after the wall was charted": more(
        "device_events", "T1,3140,occlusion,51,8"
    ),
    "paused on the wall": more("device_events", "T1,4000,paused,,"),
    "weight at the limit": trip(MILESTONES, weight="3.33,7"),
    "a heavy child older than the tables": trip(MILESTONES, weight="149,120"),
    "age not known": trip(MILESTONES, weight="84,"),
    "the same cannula twice": more("settings", "T1,0,,,,,,prong-2,"),
    "an offset at the limit": changed("device_events", "T1,600,started,,"),
}


def reviewed(folder: Path, rows: dict[str, list[str]]) -> duckdb.DuckDBPyConnection:
    export = small_delivery.EXPORT.replace('["2026-01", "2026-02"]', '["2025-12", "2026-01"]')
    export = export.replace("[expected_trips]\n2026-01 = 3", "[device_clock]\nmax_offset_s = 600")
    tables = {name: "\n".join([HEADS[name], *lines]) + "\n" for name, lines in rows.items()}
    empty = {
        name: small_delivery.TABLES[name][1:].splitlines()[0] + "\n"
        for name in small_delivery.TABLES
    }
    more_sizes = small_delivery.CANNULAS + small_delivery.CANNULAS.replace(
        "prong-2", "prong-3"
    ).replace("size_rank = 2", "size_rank = 3")
    con = open_store(folder / "store.duckdb", threads=1)
    delivery = small_delivery.write(
        folder / "delivery", **(empty | tables), export=export, cannulas=more_sizes
    )
    load(con, read_delivery(con, delivery))
    judge(con)
    return con


CASES = {
    **{f"{n}-{problem}": rows for n, (problem, rows, *_) in enumerate(CANNOT_BE)},
    **SOUND_AFTER_ALL,
}


@pytest.fixture(scope="module")
def listed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    """What a review lists for each case; all are in one delivery, and lines as if each were alone.

    The trips of a case have its number before their id.
    """
    tables: dict[str, list[str]] = {name: [] for name in HEADS}
    before: list[dict[str, int]] = []
    for n, rows in enumerate(CASES.values()):
        before.append({f"{name}.csv": len(lines) for name, lines in tables.items()})
        for name, lines in rows.items():
            tables[name] += [f"{n}-{line}" for line in lines]
    con = reviewed(tmp_path_factory.mktemp("contradictions"), tables)
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in CASES}
    for month in ("2025-12", "2026-01"):
        made = con.execute(month_contradictions(), {"month": month}).df()
        assert list(made.columns) == list(Problems.to_schema().columns)
        for cells in made.to_dict("records"):
            row = {str(name): cell for name, cell in cells.items()}
            number, trip_id = row["trip_id"].split("-")
            row |= {"trip_id": trip_id, "month": month}
            if row["file"] in before[int(number)]:
                row["line"] -= before[int(number)][row["file"]]
            found[list(CASES)[int(number)]].append(row)
    con.close()
    return found


@pytest.mark.parametrize(
    ("case", "problem", "table", "line"),
    [(f"{n}-{p}", p, table, line) for n, (p, _, table, line) in enumerate(CANNOT_BE)],
    ids=list(CASES)[: len(CANNOT_BE)],
)
def test_what_cannot_be_is_found_with_its_place(
    listed: dict[str, list[dict[str, Any]]],
    case: str,
    problem: str,
    table: str | None,
    line: int | None,
) -> None:
    missing = problem == "no-protocol-version"
    assert [row["problem"] for row in listed[case]] == [problem]
    row = listed[case][0]
    assert (row["trip_id"], row["month"]) == (("T2", "2025-12") if missing else ("T1", "2026-01"))
    if table is None:
        assert pd.isna(row["file"])
        assert pd.isna(row["line"])
    else:
        assert (row["file"], row["line"]) == (f"{table}.csv", line)
        assert row["column"] in HEADS[table].split(",")
    assert "{" not in row["what"]
    assert row["remedy"] == CONTRADICTIONS[problem].remedy


@pytest.mark.parametrize("case", SOUND_AFTER_ALL)
def test_what_can_be_is_not_listed(listed: dict[str, list[dict[str, Any]]], case: str) -> None:
    assert listed[case] == []


def test_every_contradiction_has_a_case_a_sentence_and_a_remedy() -> None:
    assert {case[0] for case in CANNOT_BE} == set(CONTRADICTIONS)
    for name, kind in CONTRADICTIONS.items():
        assert kind.id == name
        assert kind.sentence
        assert kind.remedy.endswith(".")
        assert (kind.table is None) == (kind.column is None)


def test_a_trip_that_is_delivered_corrected_is_no_longer_listed(tmp_path: Path) -> None:
    con = reviewed(tmp_path, trip("4860,4800,5400"))
    listed = "SELECT problem FROM judged.contradiction"
    assert con.execute(listed).fetchall() == [("departure-after-arrival",)]
    again = tmp_path / "delivery" / "trips.csv"
    again.write_text("\n".join([HEADS["trips"], *SOUND["trips"]]) + "\n")
    load(con, read_delivery(con, tmp_path / "delivery"))
    judge(con)
    assert con.execute(listed).fetchall() == []


def test_clock_offsets_are_a_distribution(tmp_path: Path) -> None:
    """Offsets of 10, 20, 30, 40 and 700 s, the last beyond the limit of 600, and one unmatched."""
    starts = [10, 20, 30, 40, 700, 2000]
    rows = {
        "trips": [SOUND["trips"][0].replace("T1", f"T{n}") for n in range(7)],
        "settings": [SOUND["settings"][0].replace("T1", f"T{n}") for n in range(7)],
        "device_events": [f"T{n},{at_s},started,," for n, at_s in enumerate(starts)],
    }
    con = reviewed(tmp_path, rows)
    con.execute(clock_offsets(), {"month": "2026-01"})
    made = con.execute("SELECT * FROM month_clock_offset ORDER BY month").df()
    assert list(made.columns) == list(ClockOffsets.to_schema().columns)
    found = made.to_dict("records")
    expected = {
        "trips": 6, "matched": 4, "beyond_limit": 1, "unmatched": 1, "p5_s": 12.0, "p25_s": 20.0,
        "median_s": 30.0, "p75_s": 40.0, "p95_s": 568.0, "mean_abs_s": 160.0,
    }  # fmt: skip
    assert found == [
        {"month": "2026-01", **expected},
        {"month": "to 2026-01", **expected},
    ]
