"""Rates and shares against plain sums over the month's own data files, and small numbers."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.measures.registry import MEASURES
from pipeline.review import review
from pipeline.simulate import simulate
from pipeline.statistics.clustered import clustered_rate

from .cli_kit import data_alone

Row = dict[str, str]


def read(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def on_full_oxygen(settings: Path) -> None:
    """Chart FiO2 1.0 on the ventilator of every fourth trip: the invented service never does."""
    rows = read(settings)
    chosen = set(sorted({row["trip_id"] for row in rows})[::4])
    for row in rows:
        if row["trip_id"] in chosen and row["source"] == "ventilator" and row["fio2"]:
            row["fio2"] = "1.0"
    with settings.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Row]]:
    folder = tmp_path_factory.mktemp("measures")
    simulate(folder / "delivery", trips=240, months=2, seed=8, first_month="2026-05")
    on_full_oxygen(folder / "delivery" / "settings.csv")
    with data_alone():
        data = review(folder / "delivery", folder / "out").page.parent / "data"
    tables = {path.stem: read(path) for path in data.glob("*.csv")}
    tables["trips"] = read(folder / "delivery" / "trips.csv")
    tables["observations"] = read(folder / "delivery" / "observations.csv")
    tables["device"] = read(folder / "delivery" / "device_events.csv")
    return tables


def measured(month: dict[str, list[Row]], measure: str, by: str) -> dict[str, tuple[float, float]]:
    return {
        row["group_value"]: (float(row["numerator"]), float(row["denominator"]))
        for row in month["measures"]
        if (row["measure"], row["month"], row["group_by"]) == (measure, "2026-06", by)
    }


def by_trip(month: dict[str, list[Row]]) -> dict[tuple[str, str], list[float]]:
    """Events and hours of each cannula and trip, by plain sums over the month's rows."""
    logged = {row["trip_id"] for row in month["device"]}
    complete = {
        row["trip_id"]
        for row in month["trips"]
        if row["device_log"] == "complete" or (not row["device_log"] and row["trip_id"] in logged)
    }
    found: dict[tuple[str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for row in month["timeline"]:
        known = row["source"] == "ventilator" and row["cannula"] and row["flow_lpm"]
        if known and row["trip_id"] in complete:
            seconds = int(row["until_s"]) - int(row["from_s"])
            found[row["cannula"], row["trip_id"]][1] += seconds / 3600
    for row in month["occlusions"]:
        if row["counted"] == "true":
            found[row["cannula"], row["trip_id"]][0] += 1
    return found


def test_occlusion_rate_by_cannula_is_events_over_the_same_time(month: Any) -> None:
    hours: dict[str, float] = defaultdict(float)
    events: dict[str, float] = defaultdict(float)
    for (cannula, _), (happened, spent) in by_trip(month).items():
        hours[cannula] += spent
        events[cannula] += happened
    found = measured(month, "occlusion-rate", "cannula")
    assert sum(events.values()) > 5
    assert set(found) == set(hours)
    for cannula, (numerator, denominator) in found.items():
        assert numerator == events[cannula]
        assert denominator == pytest.approx(hours[cannula], abs=1e-9)


def test_full_oxygen_is_undiluted_gas_and_other_sources_at_1(month: Any) -> None:
    minutes: dict[str, float] = defaultdict(float)
    above: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    known = 0.0
    seen: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for row in month["observations"]:
        if row["spo2_pct"]:
            seen[row["trip_id"]].append((int(row["at_s"]), float(row["spo2_pct"])))
    for row in month["timeline"]:
        undiluted = row["source"] in {"wall", "cylinder"}
        if not row["source"] or not (undiluted or row["fio2"]):
            continue
        start, end = int(row["from_s"]), int(row["until_s"])
        known += (end - start) / 3600
        if not (undiluted or float(row["fio2"]) == 1.0):
            continue
        minutes[row["source"]] += (end - start) / 60
        charted = sorted(seen[row["trip_id"]], key=lambda point: point[0])
        ends = [at for at, _ in charted[1:]] + [10**9]
        for (at, spo2), following in zip(charted, ends, strict=False):
            # an SpO2 holds for ten minutes, or until the next one
            spent = min(following, at + 600, end) - max(at, start)
            if spent > 0:
                above[row["source"]][0] += spent / 60 if spo2 > 97 else 0.0
                above[row["source"]][1] += spent / 3600
    assert {"wall", "ventilator"} <= set(minutes)
    found = measured(month, "full-oxygen", "source")
    assert found.keys() == minutes.keys()
    for source, (numerator, denominator) in found.items():
        assert numerator == pytest.approx(minutes[source], abs=1e-9)
        assert denominator == pytest.approx(known, abs=1e-9)
    high = measured(month, "full-oxygen-above-97", "source")
    assert {s: pytest.approx(v, abs=1e-9) for s, v in high.items()} == {
        s: tuple(above[s]) for s in minutes
    }


def test_intervals_of_occlusion_rates_take_trips_as_clusters(month: Any) -> None:
    rows = {
        (row["group_by"], row["group_value"]): row
        for row in month["measures"]
        if (row["measure"], row["month"]) == ("occlusion-rate", "2026-06")
    }
    trips: dict[str, list[list[float]]] = defaultdict(list)
    whole: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for (cannula, trip), counts in by_trip(month).items():
        trips[cannula].append(counts)
        whole[trip] = [a + b for a, b in zip(whole[trip], counts, strict=True)]
    groups = {("cannula", cannula): counts for cannula, counts in trips.items()}
    groups["service", "all"] = [*whole.values()]
    methods = set()
    for group, counts in groups.items():
        own = clustered_rate([e for e, _ in counts], [h for _, h in counts], per=100)
        row = rows[group]
        assert float(row["low"]) == pytest.approx(own.lower, rel=1e-9, abs=1e-9)
        assert float(row["high"]) == pytest.approx(own.upper, rel=1e-9)
        assert (row["method"], int(row["trips"])) == (own.method, own.trips)
        methods.add(own.method)
    assert methods == {"quasi-Poisson by trip", "exact Poisson"}


def test_one_trip_that_counts_beside_one_that_does_not_has_the_exact_interval() -> None:
    from pipeline.measures.occlusion_rate import rates_of

    with duckdb.connect() as con:
        con.execute("""
            CREATE TABLE ventilator_time AS
            FROM (VALUES (1, '2026-01', TRUE, 'prong-1', '0-25 %', 5400, 3),
                         (2, '2026-01', FALSE, 'prong-1', '0-25 %', 3600, 0))
                 v(trip_key, month, counted, cannula, flow_share, seconds, events)""")
        rates = rates_of(con, "2026-01").set_index(["group_by", "month"])
    row = rates.loc[("cannula", "2026-01")]
    # Garwood 1936: 3 events have bounds 0.6187 and 8.7673
    assert (row["trips"], row["left_out"], row["method"]) == (1, 1, "exact Poisson")
    assert (row["low"] * 0.015, row["high"] * 0.015) == pytest.approx((0.6187, 8.7673), abs=1e-4)


def test_shares_are_counts_of_verdicts(month: Any) -> None:
    counts: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    by_trip: dict[str, set[str]] = defaultdict(set)
    for row in month["verdicts"]:
        counts[row["rule"]][row["verdict"]] += 1
        by_trip[row["trip_id"]].add(row["verdict"])
    for rule, (numerator, denominator) in measured(month, "deviation-share", "rule").items():
        own = counts[rule]
        judged = own["met"] + own["authorised"] + own["borderline"] + own["deviation"]
        assert (numerator, denominator) == (own["deviation"], judged)
    judged_throughout = [v for v in by_trip.values() if "cannot_tell" not in v]
    kept = [v for v in judged_throughout if not v & {"deviation", "borderline"}]
    assert measured(month, "all-rules-share", "service") == {
        "all": (len(kept), len(judged_throughout))
    }


def test_every_measure_of_the_data_files_is_in_the_registry(month: Any) -> None:
    for table in ("measures", "charts", "funnels", "power"):
        assert {row["measure"] for row in month[table]} <= set(MEASURES), table


def test_an_earlier_month_knows_nothing_of_later_ones(tmp_path: Path) -> None:
    """As on the day its last trip came, though the store has later months by now."""
    simulate(tmp_path / "delivery", trips=240, months=2, seed=8, first_month="2026-05")
    with data_alone():
        done = review(tmp_path / "delivery", tmp_path / "out", month="2026-05")
    tables = {path.stem: read(path) for path in (done.page.parent / "data").glob("*.csv")}
    assert any(row["measure"] == "trips-between-deviations" for row in tables["charts"])
    months = {
        name: {row["month"].removeprefix("to ") for row in rows if row.get("month")}
        for name, rows in tables.items()
    }
    assert months["charts"] >= {"2026-05"}
    assert {
        name: found for name, found in months.items() if max(found, default="") > "2026-05"
    } == {}


@pytest.mark.parametrize(("trips", "rate"), [(1, 30.0), (40, 0.0)])
def test_one_trip_or_no_event_at_all_still_makes_a_month(
    tmp_path: Path, trips: int, rate: float
) -> None:
    delivery = tmp_path / "delivery"
    simulate(delivery, trips=trips, months=1, seed=3, plants=0.0, occlusions_per_100h=rate)
    with data_alone():  # the pages of such months: tests/browser/test_edge_months.py
        done = review(delivery, tmp_path / "out")
    assert done.month.received == trips
    rates = read(done.page.parent / "data" / "measures.csv")
    zero = [r for r in rates if r["measure"] == "occlusion-rate" and float(r["numerator"]) == 0]
    for row in zero:  # no event: an exact upper bound, or nothing where there is no hour either
        assert row["low"] in ("0.0", "")
        assert row["high"] or float(row["denominator"]) == 0
