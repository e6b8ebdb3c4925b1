"""What the sample's data files say: no interval says nothing, and a change keeps its beginning."""

from __future__ import annotations

import dataclasses
import shutil
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.followup.moves import Move, move
from pipeline.judging.versions import versions_in_store
from pipeline.measures import measure
from pipeline.measures.signal_certainty import Completions
from pipeline.measures.signal_counts import family
from pipeline.measures.signal_months import Clustering, thresholds, worked
from pipeline.measures.signals import signals
from pipeline.month.gather import calendar
from pipeline.statistics.signal_sums import signal_sums
from pipeline.store.database import open_store, transaction
from pipeline.store.session import store_in
from schemas.signals import SIGNAL_TABLES

from .command_runs import command_in, data_alone

SAMPLE = Path(__file__).parents[2] / "sample_data"
LAST, LOGS_STOPPED = "2026-06", "2026-03"
WIDEST, EVENTS, TRIPS = 60, 3, 10
KEY = ("month", "kind", "measure", "group_by", "group_value")


@pytest.fixture(scope="module")
def out(reviewed_sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reviewed sample without its pages."""
    folder = tmp_path_factory.mktemp("sample") / "tailrace-out"
    pages = shutil.ignore_patterns("*.html", "assets")
    return shutil.copytree(reviewed_sample / "out", folder, ignore=pages)


@pytest.fixture(scope="module")
def data(out: Path) -> dict[str, pd.DataFrame]:
    return {path.stem: pd.read_csv(path) for path in (out / LAST / "data").glob("*.csv")}


def intervals(data: dict[str, pd.DataFrame]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Every file's intervals: `count` and `trips` of what they are made of, `low` and `high`."""

    def of(name: str, count: str, trips: str, low: str, high: str) -> pd.DataFrame:
        columns = {count: "count", trips: "trips", low: "low", high: "high"}
        return data[name][[*columns]].rename(columns=columns)

    yield "measures", of("measures", "numerator", "trips", "low", "high")
    for kind in ("crude", "naive", "adjusted", "ratio", "adjusted_ratio"):
        yield f"sizes {kind}", of("sizes", "events", "trips", f"{kind}_low", f"{kind}_high")
    shares = data["funnels"]["rule"].notna()
    yield "funnels", of("funnels", "numerator", "denominator", "shrunk_low", "shrunk_high")[shares]
    years = data["years"]
    shares = years["measure"] != "occlusion-rate"
    for side in ("now", "before"):
        names = (f"{side}_{part}" for part in ("numerator", "denominator", "low", "high"))
        yield f"years {side}", of("years", *names)[shares]
        # a rate's trips are not in the file; without a lower bound there were too few of them
        rates = of("years", *(f"{side}_{n}" for n in ("numerator", "low", "low", "high")))[~shares]
        yield f"years {side} rates", rates.assign(trips=np.where(rates["low"].isna(), 0, TRIPS))


def test_from_three_events_and_ten_trips_on_no_interval_says_nothing(
    data: dict[str, pd.DataFrame],
) -> None:
    tried = 0
    for name, rows in intervals(data):
        own = rows[(rows["count"] >= EVENTS) & (rows["trips"] >= TRIPS) & rows["high"].notna()]
        assert (own["high"] <= WIDEST * own["low"]).all(), name
        tried += len(own)
    assert tried > 300
    # the rates of bases: every base of the sample has ten ventilator trips in a year
    rates = data["funnels"][data["funnels"]["rule"].isna()]
    assert (rates["numerator"] >= EVENTS).all()
    assert (rates["shrunk_high"] <= WIDEST * rates["shrunk_low"]).all()


def test_ratios_of_two_years_say_something_where_both_hold_enough(
    data: dict[str, pd.DataFrame],
) -> None:
    years = data["years"]
    enough = (years[["now_numerator", "before_numerator"]] >= EVENTS).all(axis=1)
    enough &= years[["now_low", "before_low"]].notna().all(axis=1)
    own = years[enough & years["ratio_low"].notna()]
    assert len(own) > 15
    assert (own["ratio_high"] <= WIDEST * own["ratio_low"]).all()


def test_below_ten_trips_a_rate_has_no_lower_bound(data: dict[str, pd.DataFrame]) -> None:
    rates = data["measures"][data["measures"]["measure"] == "occlusion-rate"]
    few = rates[(rates["trips"] < TRIPS) & (rates["denominator"] > 0)]
    assert len(few) > 100
    assert few["low"].isna().all()
    assert few["high"].notna().all()
    assert rates[rates["trips"] >= TRIPS]["low"].notna().all()
    sizes = data["sizes"]
    few = sizes[sizes["trips"] < TRIPS]
    assert len(few) > 0
    assert (
        few[["crude_low", "adjusted_low", "ratio_low", "adjusted_ratio_low"]].isna().all(axis=None)
    )


def test_a_change_that_is_signalled_again_keeps_its_beginning(
    data: dict[str, pd.DataFrame],
) -> None:
    """The base's logs stopped in March; its chart signals in April, and in June again."""
    said = data["signals"]
    own = said[(said["group_by"] == "base") & (said["kind"] == "headline")]
    assert own["group_value"].tolist() == ["elm", "elm"]
    assert own["since"].tolist() == [LOGS_STOPPED] * 2
    assert "First said in April 2026." in own["sentence"].iloc[1]
    months = data["signal_charts"]
    months = months[(months["group_by"] == "base") & (months["group_value"] == "elm")]
    months = months[months["month"] >= LOGS_STOPPED]
    seen, of = (int(months[name].sum()) for name in ("numerator", "denominator"))
    said = f"Up to June 2026: {seen} of {of} trips since March 2026. The last three months alone: "
    assert own["so_far"].tolist()[0].startswith(said)
    assert f" {seen} of {of} trips since March 2026, " in own["sentence"].iloc[1]


def test_a_signal_that_a_person_closed_stands_no_more(out: Path, tmp_path: Path) -> None:
    folder = tmp_path / "again"
    shutil.copytree(out, folder / "tailrace-out")
    key = f"{LAST}|incomplete-log-share|base|elm"
    with store_in(folder / "tailrace-out") as con, transaction(con):
        for state, why in (("looked_into", None), ("closed", "loggers were replaced")):
            move(con, Move("signal", key, state, LAST, "D1", why=why))
    with data_alone():
        ran = command_in(folder, "review", SAMPLE)
    assert ran.code == 0, ran.err
    assert "without a complete log" not in ran.out
    said = pd.read_csv(folder / "tailrace-out" / LAST / "data" / "signals.csv")
    own = said[said["group_value"] == "elm"]
    # the one said in April is of the same change
    assert own["standing"].tolist() == ["closed"] * 2
    assert own["conclusion"].tolist() == ["loggers were replaced"] * 2
    assert own["so_far"].isna().all()
    others = said[(said["kind"] == "headline") & (said["group_value"] != "elm")]
    assert (others["standing"] == "stands").all()
    trips = pd.read_csv(folder / "tailrace-out" / LAST / "data" / "signal_trips.csv")
    assert "elm" not in set(trips["group_value"])


def test_one_missing_trip_leaves_almost_every_chart_settled(out: Path) -> None:
    """Each month in turn is taken as one trip short, and nothing else is missing."""
    with closing(open_store(out / "store.duckdb")) as con:
        versions = versions_in_store(con)
        measure(con, LAST)
        months = calendar(con, versions, LAST).months
        found = family(con, months, [0] * len(months), versions)
        clustering = Clustering(con)
        done = worked(con, found, clustering)
        limit = thresholds(con, found, done, clustering).headline
        run = signal_sums(done.increments, limit, found.restart)
        said = []
        for m in np.flatnonzero(np.isfinite(limit).any(axis=1)):
            short = dataclasses.replace(found, missing=np.eye(len(months), dtype=int)[m])
            completed = Completions(con, short, done, clustering)
            certainty = completed.certainty(done.increments, run.signal, limit)
            said.append(certainty[m][found.groups[m] != ""])
    charts = np.concatenate(said)
    assert len(charts) > 300
    assert np.mean(charts != "depends") >= 0.98


def test_signals_of_a_first_review_take_a_second_and_a_half_of_processor(
    out: Path, tmp_path: Path
) -> None:
    """The bound at 60 trips a month; that of the service in the sample."""
    shutil.copy(out / "store.duckdb", tmp_path / "store.duckdb")
    with closing(open_store(tmp_path / "store.duckdb")) as con:
        for name in SIGNAL_TABLES:
            con.execute(f"DROP TABLE loop.{name}")
        versions = versions_in_store(con)
        measure(con, LAST)
        months = calendar(con, versions, LAST)
        begun = time.process_time()
        found = signals(con, months, versions)["signals"]
        spent = time.process_time() - begun
    said = pd.read_csv(out / LAST / "data" / "signals.csv")
    assert len(found) == (said["kind"] != "exploratory").sum()
    assert spent < 1.5


def test_the_heater_of_a_signal_is_counted_against_the_delivery(
    data: dict[str, pd.DataFrame], reviewed_sample: Path
) -> None:
    """One heater is in most trips of a signal; counted again from the delivery's own rows."""
    row = data["signal_units"].iloc[0]
    behind = data["signal_trips"].merge(data["signal_units"].iloc[[0]][[*KEY]], on=[*KEY])
    trips = pd.read_csv(SAMPLE / "trips.csv", dtype=str)
    own = trips[trips["trip_id"].isin(behind["trip_id"])]
    others = trips[
        trips["base"].isin(own["base"])
        & trips["service_month"].between(behind["trip_month"].min(), row["month"])
        & ~trips["trip_id"].isin(own["trip_id"])
    ]
    counts = [[(t["heater_unit"] == row["unit"]).sum(), len(t)] for t in (own, others)]
    assert counts == [[row["trips"], row["of"]], [row["others"], row["of_others"]]]
    assert len(data["signal_units"]) == 1
    page = (reviewed_sample / "out" / LAST / "director.html").read_text("utf-8")
    assert str(row["unit"]) in page


def test_a_death_by_hand_over_is_one_a_day_later(data: dict[str, pd.DataFrame], out: Path) -> None:
    """Counted again in pandas; of one of them the receiving hospital told nothing."""
    with store_in(out) as con:
        trips = con.sql(
            "FROM delivered.trips JOIN judged.trip_window w USING (trip_key)"
            f" SELECT outcome, outcome_24h WHERE w.service_month BETWEEN '2025-07' AND '{LAST}'"
        ).df()
    died, later = trips["outcome"] == "died", trips["outcome_24h"]
    assert later[died].isna().any()
    rows = data["years"].set_index(["measure", "group_value"])
    row = rows.loc[("worse-outcome-day-after", "died")]
    assert row["now_numerator"] == (died | (later == "died")).sum()
    assert row["now_denominator"] == (died | later.notna()).sum()


def test_the_first_line_counts_the_trips_that_came_one_by_one(
    reviewed_sample: Path, data: dict[str, pd.DataFrame]
) -> None:
    """Trips always read or with a grave variance, each once, from the lists of the same month."""
    cases, flags = data["cases"], data["flags"]
    triggered = cases[cases["why"].str.startswith("Always read")]["trip_id"]
    grave = flags["rule"].isin(data["one_by_one"]["rule"]) & (flags["verdict"] == "deviation")
    trips = {*triggered, *flags[grave]["trip_id"]}
    assert len(trips) > len(triggered) > 0
    page = (reviewed_sample / "out" / LAST / "index.html").read_text("utf-8")
    assert f" {len(trips)} one by one." in page
