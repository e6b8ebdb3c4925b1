"""What the case pages of a month are drawn from, held against the delivery and the verdicts."""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipeline.followup.month import join_cases
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.judging.versions import versions_in_store
from pipeline.month.case_detail import case_details
from pipeline.month.cases import cases, month_words
from pipeline.month.data_files import make_tables
from pipeline.month.work import make_equipment
from pipeline.rules import all_rules
from pipeline.rules.sql_parameters import SqlParameters
from pipeline.store.database import open_store
from schemas.case_detail import CASE_TABLES, CaseDetails
from schemas.stored import CHILD_TABLES
from tests.frames import to_pandas

pytestmark = pytest.mark.usefixtures("without_screen")


TRIPS, MONTH = 600, "2026-02"
DURATIONS = {"blend-required", "wall-oxygen-time", "unheated-time", "cannula-flow-range"}


@pytest.fixture(scope="module")
def delivery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from pipeline.simulate import simulate

    folder = tmp_path_factory.mktemp("case") / "delivery"
    simulate(folder, trips=TRIPS, months=2, seed=11, dirt=True)
    return folder


@pytest.fixture(scope="module")
def details(delivery: Path, tmp_path_factory: pytest.TempPathFactory) -> CaseDetails:
    con = open_store(tmp_path_factory.mktemp("store") / "store.duckdb")
    load(con, read_delivery(con, delivery))
    judge(con)
    versions = versions_in_store(con)
    month_words(con, versions, MONTH)
    cases(con, versions, MONTH)
    # every trip without a flag is drawn, so that those with rows set aside have a case, too
    join_cases(con, MONTH, a_year=12 * TRIPS)
    make_equipment(con, MONTH)
    make_tables(con, MONTH, {})
    found = case_details(con, versions)
    con.close()
    return to_pandas(found)  # type: ignore[no-any-return]


def test_frames_have_their_columns_and_only_case_trips(details: CaseDetails) -> None:
    trips = set(details.trips["trip_id"])
    assert len(trips) > 40
    assert list(details.trips["reading_order"]) == list(range(1, len(trips) + 1))
    for name, schema in CASE_TABLES.items():
        frame = getattr(details, name)
        assert list(frame.columns) == list(schema.columns), name
        assert set(frame["trip_id"]) <= trips, name
        assert len(frame), name
        for column, field in schema.columns.items():
            assert field.nullable or frame[column].notna().all(), f"{name}.{column}"


@pytest.mark.parametrize("table", ["settings", "observations", "contacts"])
def test_every_row_stands_where_it_says(details: CaseDetails, delivery: Path, table: str) -> None:
    with (delivery / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    frame = getattr(details, table)
    assert set(frame["file"]) == {f"{table}.csv"}
    for row in frame.to_dict("records"):
        source = lines[row["line"] - 2]
        assert (source["trip_id"], int(source["at_s"])) == (row["trip_id"], row["at_s"])


def test_a_limit_is_reached_where_the_counted_minutes_say(details: CaseDetails) -> None:
    """Counted again from the timeline, row by row."""
    limits = details.limit_moments.merge(details.verdicts, on=["trip_id", "rule"])
    walls = limits[limits["rule"] == "wall-oxygen-time"]
    assert len(walls) >= 3
    for row in walls.to_dict("records"):
        timeline = details.timeline[details.timeline["trip_id"] == row["trip_id"]]
        on_wall = timeline[timeline["source"].isin(["wall", "cylinder"])]
        before = (on_wall["until_s"].clip(upper=row["at_s"]) - on_wall["from_s"]).clip(lower=0)
        assert before.sum() == row["limit"] * 60


def test_the_other_limits_run_from_where_the_verdict_says(details: CaseDetails) -> None:
    limits = details.limit_moments.merge(details.verdicts, on=["trip_id", "rule"])
    gaps = limits[limits["rule"].isin(["monitoring-gap", "settings-gap", "oxygen-titration"])]
    assert len(gaps) > 5
    assert (gaps["at_s"] == gaps["from_s"] + gaps["limit"] * 60).all()
    assert (gaps["at_s"] <= gaps["until_s"]).all()
    due = limits[limits["due"] == "call"]
    assert set(due["rule"]) <= {"repeated-occlusion-call"}
    assert (due["at_s"] == due["until_s"] + due["limit"] * 60).all()


def test_stretches_are_those_of_the_timeline(details: CaseDetails) -> None:
    stretches = details.stretches
    assert set(stretches["rule"]) <= {*DURATIONS, "fallback-reason"}
    walls = stretches[stretches["rule"] == "wall-oxygen-time"]
    joined = walls.merge(details.timeline, on=["trip_id", "from_s", "until_s"], how="left")
    counts = joined["counts"].astype("boolean")
    assert joined["source"][counts.fillna(False)].isin(["wall", "cylinder"]).all()
    assert joined["source"][counts.isna()].isna().all()
    judged = details.verdicts.merge(stretches[["trip_id", "rule"]], on=["trip_id", "rule"])
    assert not judged["verdict"].isin(["met", "not_applicable"]).any()


def test_the_stretches_of_a_fall_back_are_those_without_a_reason(details: CaseDetails) -> None:
    rule = "fallback-reason"
    verdicts = details.verdicts[
        (details.verdicts["rule"] == rule) & (details.verdicts["verdict"] == "deviation")
    ].set_index("trip_id")
    own = details.stretches[details.stretches["rule"] == rule]
    counted = own[own["counts"].astype("boolean").fillna(False)].groupby("trip_id").size()
    assert len(verdicts) > 3
    # observed_low is how many episodes have no accepted reason
    assert counted.to_dict() == verdicts["observed_low"].astype(int).to_dict()
    inside = own.merge(verdicts[["from_s", "until_s"]], left_on="trip_id", right_index=True)
    assert (inside["from_s_x"] >= inside["from_s_y"]).all()


def test_a_fall_back_with_its_reason_is_no_stretch_of_the_one_without() -> None:
    rule = all_rules()["fallback-reason"]
    assert rule.stretches is not None
    with duckdb.connect() as con:
        con.execute("""
            CREATE TABLE version_trips AS SELECT 1 AS trip_key;
            CREATE TABLE lost_now (trip_key INTEGER, table_name VARCHAR, at_s INTEGER);
            CREATE TABLE timeline_now AS SELECT 1 AS trip_key, * FROM (VALUES
                (1560, 1680, 'wall', 'unheated'), (1680, 2220, 'wall', 'heated'),
                (2220, 2460, 'wall', 'unheated')) t(from_s, until_s, source, humidification);
            CREATE TABLE settings_now AS SELECT 1 AS trip_key, 1560 AS at_s,
                'power_lost' AS reason;
        """)
        found = con.execute(rule.stretches(SqlParameters(rule.parameters()))).fetchall()
    assert sorted(found) == [(1, 1560, 1680, False), (1, 2220, 2460, True)]


def test_a_lost_row_is_named(details: CaseDetails) -> None:
    assert set(details.lost["table"]) <= {*CHILD_TABLES}
    assert (details.lost["file"] == details.lost["table"] + ".csv").all()
    aside = details.problems[details.problems["kind"] == "set_aside"]
    shared = pd.merge(details.lost, aside, on=["trip_id", "file", "line"])
    assert len(shared) >= len(details.lost)
