"""Rates and shares against plain sums over the month's own data files, and small numbers."""

from __future__ import annotations

import csv
import math
import random
import shutil
from collections import defaultdict
from pathlib import Path
from typing import Any

import duckdb
import pytest
from scipy import optimize, stats

from pipeline.measures.registry import MEASURES
from pipeline.review import review
from pipeline.simulate import simulate
from tests.deep import examples, with_deep
from tests.frames import to_pandas

from .command_runs import data_alone

pytestmark = pytest.mark.usefixtures("without_screen")


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
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`delivery` of two months, and `out`, where the second is reviewed."""
    folder = tmp_path_factory.mktemp("measures")
    simulate(folder / "delivery", trips=240, months=2, seed=8, first_month="2026-05")
    on_full_oxygen(folder / "delivery" / "settings.csv")
    with data_alone():
        review(folder / "delivery", folder / "out")
    return folder


@pytest.fixture(scope="module")
def month(folder: Path) -> dict[str, list[Row]]:
    data = folder / "out" / "2026-06" / "data"
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


def mid_p(events: float, k_eff: float) -> tuple[float, float]:
    """Mid-P bounds of a negative-binomial mean, straight from the distribution's own tails."""

    def tail(mean: float) -> float:
        p = k_eff / (k_eff + mean)
        return float(
            stats.nbinom.cdf(events - 1, k_eff, p) + stats.nbinom.pmf(events, k_eff, p) / 2
        )

    upper = optimize.brentq(lambda mean: tail(mean) - 0.025, 1e-9, 1e6, xtol=1e-10)
    lower = optimize.brentq(lambda mean: tail(mean) - 0.975, 1e-9, 1e6, xtol=1e-10) if events else 0
    return lower, k_eff * (20 ** (1 / k_eff) - 1) if not events else upper


def figures_of(month: dict[str, list[Row]], measure: str, when: str) -> dict[tuple[str, str], Row]:
    return {
        (row["group_by"], row["group_value"]): row
        for row in month["measures"]
        if (row["measure"], row["month"]) == (measure, when)
    }


def test_intervals_of_occlusion_rates_follow_from_one_k_and_the_trips_hours(month: Any) -> None:
    """From the month's data files alone: k, each size's level, k_eff, and the bounds."""
    now = figures_of(month, "occlusion-rate", "2026-06")
    whole = figures_of(month, "occlusion-rate", "to 2026-06")
    k = float(figures_of(month, "occlusion-clustering", "to 2026-06")["service", "all"]["estimate"])
    all_events, all_hours = (
        float(whole["service", "all"][name]) for name in ("numerator", "denominator")
    )
    r = all_events / all_hours
    level = {}
    for (by, cannula), row in whole.items():
        if by == "cannula":
            x, t, own = (float(row[name]) for name in ("numerator", "denominator", "k_eff"))
            f = 1 / (1 + r * t / own)
            level[cannula] = (3 + x * f) / (3 / r + t * f)
    found = by_trip(month)
    used = {cannula for cannula, _ in found}
    groups = {("cannula", c): [key for key in found if key[0] == c] for c in sorted(used)}
    groups["service", "all"] = list(found)
    few = 0
    for group, keys in groups.items():
        row = now[group]
        x, hours = (sum(found[key][i] for key in keys) for i in (0, 1))
        m = [level[key[0]] * found[key][1] for key in keys]
        k_eff = k * sum(m) ** 2 / sum(one**2 for one in m)
        assert float(row["k_eff"]) == pytest.approx(k_eff, rel=1e-9)
        low, high = (100 * bound / hours for bound in mid_p(x, k_eff))
        assert float(row["high"]) == pytest.approx(high, rel=1e-6)
        trips = len({trip for _, trip in keys})
        assert int(row["trips"]) == trips
        if trips < 10:
            few += 1
            assert not row["low"]
        else:
            assert float(row["low"]) == pytest.approx(low, rel=1e-6, abs=1e-9)
    assert few < len(groups)
    assert {row["method"] for row in now.values()} == {
        "mid-P negative binomial, one k for the service"
    }


def of_trips(counts: list[tuple[str, float, int]]) -> tuple[Any, float]:
    """The rates of one month of trips (cannula, hours, events), by group, and k."""
    from pipeline.measures.clustering import service_k
    from pipeline.measures.occlusion_rate import rates_of

    with duckdb.connect() as con:
        con.execute("""
            CREATE TABLE ventilator_time (trip_key INT, month VARCHAR, counted BOOL,
                cannula VARCHAR, flow_share VARCHAR, seconds INT, events INT)""")
        con.executemany(
            "INSERT INTO ventilator_time VALUES (?, '2026-01', TRUE, ?, '0-25 %', ?, ?)",
            [(i, size, round(3600 * t), x) for i, (size, t, x) in enumerate(counts)],
        )
        rates = to_pandas(rates_of(con, "2026-01")).set_index(["group_by", "group_value", "month"])
        return rates, service_k(con)


def test_k_is_that_of_the_penalised_likelihood_summed_plainly() -> None:
    rng = random.Random(4)
    counts = [
        (rng.choice("ab"), rng.choice([0.5, 1.0, 1.5]), rng.choice([0, 0, 0, 1, 1, 4]))
        for _ in range(60)
    ]
    _, k = of_trips(counts)
    points = [0.02 * 1000 ** (i / 120) for i in range(121)]

    def score(phi: float) -> float:
        total = -(math.log(phi / 2) ** 2) / 2
        for size in "ab":
            own = [(t, x) for s, t, x in counts if s == size]

            def loss(log_rate: float, own: list[tuple[float, int]] = own) -> float:
                means = [(math.exp(log_rate) * t, x) for t, x in own]
                return -sum(stats.nbinom.logpmf(x, 1 / phi, 1 / (1 + phi * m)) for m, x in means)

            best = optimize.minimize_scalar(loss, bounds=(-6, 6), method="bounded",
                                            options={"xatol": 1e-9})  # fmt: skip
            rate = math.exp(best.x)
            total -= best.fun
            total -= math.log(sum(rate * t / (1 + phi * rate * t) for t, _ in own)) / 2
        return total

    scores = [score(phi) for phi in points[::6]]
    weights = [math.exp(s - max(scores)) for s in scores]
    mean = sum(w * phi for w, phi in zip(weights, points[::6], strict=True)) / sum(weights)
    # every sixth of the 121 points is taken: the mean hardly changes
    assert k == pytest.approx(1 / mean, rel=2e-3)


def test_fewer_than_ten_trips_have_an_upper_bound_alone() -> None:
    rates, _ = of_trips([("a", 1.0, 1)] * 9 + [("b", 1.0, 1)] * 10)
    nine, ten = (rates.loc[("cannula", size, "2026-01")] for size in "ab")
    assert (nine["trips"], ten["trips"]) == (9, 10)
    assert math.isnan(nine["low"])
    assert nine["high"] > nine["estimate"]
    assert 0 < ten["low"] < ten["estimate"] < ten["high"]


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


def test_an_earlier_month_knows_nothing_of_later_ones(folder: Path, tmp_path: Path) -> None:
    """As on the day its last trip came, though a later month was reviewed by now."""
    into = shutil.copytree(folder / "out", tmp_path / "out")
    with data_alone():
        done = review(folder / "delivery", into, month="2026-05")
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


# else `test_edge_months.py` reviews a month of one trip
@with_deep
@pytest.mark.parametrize(("trips", "rate"), [(40, 0.0), (1, 30.0)][: examples(1, 2)])
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
        assert row["low"] in ("0.0", "")  # below ten trips none
        assert row["high"] or float(row["denominator"]) == 0


def test_bases_are_named_by_the_test_and_their_own_interval_alone(month: Any) -> None:
    """`outside` from the file's own columns; rates add up to those of the measures."""
    by_figure: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in month["funnels"]:
        by_figure[row["measure"], row["rule"]].append(row)
        if not row["p_differ"] or not row["shrunk_low"]:  # no variance anywhere
            assert int(row["outside"]) == 0
            continue
        low, high, target = (float(row[n]) for n in ("shrunk_low", "shrunk_high", "target"))
        side = (low > target) - (high < target) if float(row["p_differ"]) < 0.05 else 0
        assert int(row["outside"]) == side
    assert len(by_figure) > 5
    rates = by_figure["occlusion-rate", ""]
    whole = figures_of(month, "occlusion-rate", "to 2026-06")["service", "all"]
    assert sum(float(row["numerator"]) for row in rates) == float(whole["numerator"])
    assert 0 < float(rates[0]["power"]) < 1
    for rows in by_figure.values():
        assert len({row["p_differ"] for row in rows}) == 1
    # the interval of a base drawn towards the others holds the estimate
    assert all(float(r["shrunk_low"]) < float(r["shrunk"]) < float(r["shrunk_high"]) for r in rates)
