"""The random audit: its size, its draw, and that the miss rate recovers what was planted."""

from __future__ import annotations

import math
from collections.abc import Iterator

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipeline.followup.audit import A_YEAR as A_YEAR_DEFAULT
from pipeline.followup.audit import add_audit_cases, audit_results, audit_size, draw_audit
from pipeline.followup.month import miss_rates
from schemas.followup_outputs import AuditResults
from tests.deep import examples, with_deep
from tests.frames import in_pandas

from . import judged_store
from .judged_store import RULE

audit_results = in_pandas(audit_results)
miss_rates = in_pandas(miss_rates)


def one_month(trips: int, flagged: int = 0, month: str = "2026-01") -> pd.DataFrame:
    return pd.DataFrame({
        "trip_id": [f"{month}-{n:04d}" for n in range(trips)], "month": month, "base": "b1",
        "verdict": ["deviation"] * flagged + ["met"] * (trips - flagged),
    })  # fmt: skip


A_YEAR = 180
"""Fifteen a month, so that a month alone has readings enough to tell a rate."""


# ---- size


def test_by_default_no_miss_found_in_a_year_leaves_five_percent_possible() -> None:
    """Exact (Clopper, Pearson 1934) with none of n: 1 - 0.025^(1/n); 4.99 % at 72 (computed)."""
    year = 12 * audit_size(A_YEAR_DEFAULT)
    assert year == 72
    assert 1 - 0.025 ** (1 / year) == pytest.approx(0.0499, abs=0.0001)
    assert 1 - 0.025 ** (1 / (year - 1)) > 0.05


def test_a_month_has_a_twelfth_and_as_much_less_as_is_still_to_come() -> None:
    assert audit_size(72) == 6
    assert audit_size(73) == 7
    assert audit_size(0) == 0
    assert audit_size(72, received=10, expected=40) == 2
    assert audit_size(72, received=41, expected=40) == 6
    assert audit_size(72, received=10, expected=0) == 6


# ---- draw


def test_the_same_month_gives_the_same_draw_and_another_month_another() -> None:
    def drawn(month: str) -> list[str]:
        con = judged_store.with_trips(one_month(80, 5, month))
        judged_store.cases(con, month)
        draw_audit(con, month)
        rows = con.execute("SELECT trip_id FROM loop.audit_trip ORDER BY mark").fetchall()
        return [trip.removeprefix(month) for (trip,) in rows]

    first = drawn("2026-01")
    assert drawn("2026-01") == first
    assert drawn("2026-02") != first
    assert len(first) == audit_size(A_YEAR_DEFAULT)


def test_flagged_trips_are_never_drawn_and_drawn_ones_become_cases() -> None:
    con = judged_store.with_trips(one_month(40, 15))
    judged_store.cases(con, "2026-01")
    draw_audit(con, "2026-01")
    flagged = {f"2026-01-{n:04d}" for n in range(15)}
    drawn = {trip for (trip,) in con.execute("SELECT trip_id FROM loop.audit_trip").fetchall()}
    assert drawn
    assert not drawn & flagged
    add_audit_cases(con, "2026-01")
    rows = con.execute(
        """SELECT reading_order, trip_id, "group" FROM month_case ORDER BY 1"""
    ).fetchall()
    assert [row[0] for row in rows] == list(range(1, len(rows) + 1))
    assert {row[1] for row in rows[15:]} == drawn
    assert {row[2] for row in rows[15:]} == {"audit"}


def test_a_draw_stays_and_late_trips_join_by_the_same_chance() -> None:
    """Over many months, of 100 late trips as large a part is drawn as of the 100 before them."""
    labels = judged_store.months(examples(24, 60))
    both = pd.concat([one_month(200, 0, month) for month in labels], ignore_index=True)
    con = judged_store.with_trips(both)
    con.execute("CREATE TABLE all_trips AS FROM judged.trip_window")
    con.execute("DELETE FROM judged.trip_window WHERE trip_key % 2 = 0")
    first = set()
    for month in labels:
        draw_audit(con, month, a_year=A_YEAR)
    first = {trip for (trip,) in con.execute("SELECT trip_id FROM loop.audit_trip").fetchall()}
    con.execute("DELETE FROM judged.trip_window")
    con.execute("INSERT INTO judged.trip_window FROM all_trips")
    for month in labels:
        draw_audit(con, month, a_year=A_YEAR)
    second = {trip for (trip,) in con.execute("SELECT trip_id FROM loop.audit_trip").fetchall()}
    assert first < second
    n = len(labels) * audit_size(A_YEAR)
    assert len(first) == n
    # drawn and late counts are both about binomial with the same share of 6000
    assert abs(len(second - first) - n) < 4 * math.sqrt(2 * n)
    told = "SELECT count(*) FROM loop.ledger WHERE what = 'audit'"
    entries = con.execute(told).fetchall()
    for month in labels:
        draw_audit(con, month, a_year=A_YEAR)
    assert (
        con.execute("SELECT count(*) FROM loop.ledger WHERE what = 'audit'").fetchall() == entries
    )


def test_a_draw_of_version_0_1_0_goes_on_as_it_was_made() -> None:
    """It stays in its own tables, and a late trip joins by its mark alone."""
    con = judged_store.with_trips(one_month(40))
    con.execute("UPDATE delivered.trips SET age_months = 1")
    con.execute("INSERT INTO loop.audit_draw VALUES ('2026-01', 'seed', 30, 5, 0.1, 0.05)")
    con.execute("""
        INSERT INTO loop.audit
        SELECT '2026-01', trip_id, sha256('seed|' || trip_id) AS mark FROM judged.trip_window
        WHERE trip_key <= 30 ORDER BY mark LIMIT 5""")
    due = con.execute("""
        SELECT trip_id FROM judged.trip_window
        WHERE sha256('seed|' || trip_id) <= (SELECT max(mark) FROM loop.audit)""").fetchall()
    judged_store.cases(con, "2026-01")
    draw_audit(con, "2026-01")
    drawn = con.execute("SELECT trip_id FROM loop.audit").fetchall()
    assert set(drawn) == set(due)
    assert len(drawn) > 5, "a late trip joined"
    for table in ("audit_plan", "audit_trip"):
        assert con.execute(f"FROM loop.{table}").fetchall() == []
    add_audit_cases(con, "2026-01")
    found = con.execute("SELECT trip_id FROM month_case WHERE kind = 'audit'").fetchall()
    assert set(found) == set(drawn)


TWICE = {
    "an infant under three months": "UPDATE delivered.trips SET age_months = 2",
    "longer than 90 minutes": "UPDATE delivered.trips SET handover_s = 5401",
    "no complete log": "UPDATE judged.trip_window SET log_complete = FALSE;"
    " INSERT INTO judged.timeline SELECT trip_key, 0, 60, 'ventilator', NULL"
    " FROM judged.trip_window",
}
ONCE = {
    "three months old": "UPDATE delivered.trips SET age_months = 3",
    "90 minutes": "UPDATE delivered.trips SET handover_s = 5400",
    "no log, and no ventilator": "UPDATE judged.trip_window SET log_complete = FALSE;"
    " INSERT INTO judged.timeline SELECT trip_key, 0, 60, 'wall', NULL"
    " FROM judged.trip_window",
}


@pytest.mark.parametrize("what", [*TWICE, *ONCE])
def test_who_is_drawn_twice_as_often(what: str) -> None:
    con = judged_store.with_trips(one_month(1))
    con.execute({**TWICE, **ONCE}[what])
    draw_audit(con, "2026-01")
    assert con.execute("SELECT weight FROM unflagged_trip").fetchall() == [
        (2 if what in TWICE else 1,)
    ]


# ---- miss rate


def test_twice_the_chance_is_weighed_back() -> None:
    """Infants are missed often, others seldom: the rate is that of all trips, not of those drawn.

    Of many months with 20 infants among 60 trips, drawn twice as often: half of those drawn are
    infants (2 * 20 to 40). The rate planted in all is (20 * 0.5 + 40 * 0.05) / 60 = 0.2; of those
    drawn it is about 0.275.
    """
    labels = judged_store.months(examples(80, 200))
    trips = pd.concat([one_month(60, 0, month) for month in labels], ignore_index=True)
    con = judged_store.with_trips(trips)
    con.execute("UPDATE delivered.trips SET age_months = CASE WHEN line % 3 = 0 THEN 1 ELSE 8 END")
    for month in labels:
        draw_audit(con, month, a_year=A_YEAR)
    drawn = con.execute("""
        SELECT a.month, a.trip_id, t.age_months = 1 AS infant, a.chance
        FROM loop.audit_trip a JOIN delivered.trips t USING (trip_id) ORDER BY ALL""").df()
    assert len(drawn) == len(labels) * audit_size(A_YEAR)
    # binomial, 3 standard errors
    assert drawn["infant"].mean() == pytest.approx(0.5, abs=3 * 0.5 / math.sqrt(len(drawn)))
    for of, among in ((True, 20), (False, 40)):
        weights = 1 / drawn.loc[drawn["infant"] == of, "chance"]
        assert weights.sum() / len(labels) == pytest.approx(among, rel=0.05), "weighed back"
    generator = np.random.default_rng(20260301)
    missed = generator.random(len(drawn)) < np.where(drawn["infant"], 0.5, 0.05)
    drawn["conclusion"] = ["missed" if m else None for m in missed]
    judged_store.answered(con, drawn)
    whole = audit_results(con, labels[-1]).iloc[-1]
    assert whole["missed"] / whole["read"] > 0.25
    assert whole["low"] <= 0.2 <= whole["high"]
    assert whole["miss_rate"] == pytest.approx(0.2, abs=0.03)
    assert whole["method"].endswith("effective sample size")


PLANTED = (0.03, 0.12, 0.30)
SIZES = (90, 40, 200)
"""Trips without findings of a month: the miss rates go round with the months, and so do these."""
LABELS = judged_store.months(360)
TOGETHER = 3
"""So many months of one planted rate and of all three sizes are taken together."""


@pytest.fixture(scope="module")
def audited() -> Iterator[duckdb.DuckDBPyConnection]:
    """Many months: in each, some of the trips without findings were missed, planted at random."""
    generator = np.random.default_rng(20260101)
    trips = pd.concat(
        [one_month(SIZES[n // 3 % 3], 0, month) for n, month in enumerate(LABELS)],
        ignore_index=True,
    )
    rate = trips["month"].map({month: PLANTED[n % 3] for n, month in enumerate(LABELS)})
    con = judged_store.with_trips(trips)
    for month in LABELS:
        draw_audit(con, month, a_year=A_YEAR)
    drawn = con.execute("SELECT month, trip_id FROM loop.audit_trip ORDER BY ALL").df()
    missed = dict(zip(trips["trip_id"], generator.random(len(trips)) < rate, strict=True))
    drawn["conclusion"] = [("missed" if missed[trip] else None) for trip in drawn["trip_id"]]
    judged_store.answered(con, drawn)
    yield con
    con.close()


@pytest.fixture(scope="module")
def months_read(audited: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The audit's result of each month."""
    return audit_results(audited, LABELS[-1]).iloc[:-1].reset_index(drop=True)


@with_deep
@pytest.mark.parametrize("planted", PLANTED)
def test_the_miss_rate_recovers_the_planted_one(months_read: pd.DataFrame, planted: float) -> None:
    """95 % intervals hold it as often as Wilson's do by enumeration, within 3 standard errors.

    With 15 trips read these hold 0.03 in 92 % of months, the others in 94 to 96 %.
    """
    single = months_read.iloc[PLANTED.index(planted) :: 3]
    assert len(single) == len(LABELS) // 3 >= 60
    assert (single["read"] == single["drawn"]).all()
    inside = (single["low"] <= planted) & (planted <= single["high"])
    due = [judged_store.wilson_coverage(int(n), planted) for n in single["read"]]
    assert min(due) > 0.90
    spread = math.sqrt(sum(d * (1 - d) for d in due)) / len(due)
    assert abs(inside.mean() - np.mean(due)) <= 3 * spread
    assert single["miss_rate"].mean() == pytest.approx(planted, abs=0.02)


@with_deep
def test_the_rate_of_months_together_recovers_it_too(
    audited: duckdb.DuckDBPyConnection, months_read: pd.DataFrame
) -> None:
    """Three months of 40, 90 and 200 trips, many times: the weighted rate, Kish's interval."""
    con = audited
    con.execute("CREATE TEMP TABLE every_audit AS FROM loop.audit_trip")
    held, wide = [], []
    for n in range(0, len(LABELS), 9):
        for planted in PLANTED:
            first = n + PLANTED.index(planted)
            some = LABELS[first : first + 3 * TOGETHER : 3]
            assert set(months_read.loc[months_read["month"].isin(some), "unflagged"]) == set(SIZES)
            con.execute("DELETE FROM loop.audit_trip")
            con.execute("INSERT INTO loop.audit_trip FROM every_audit WHERE month IN ?", [some])
            whole = audit_results(con, some[-1]).iloc[-1]
            held.append(whole["low"] <= planted <= whole["high"])
            wide.append(whole["high"] - whole["low"])
    assert len(held) == len(LABELS) // 3
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / len(held))
    alone = (months_read["high"] - months_read["low"]).mean()
    assert np.mean(wide) < 0.75 * alone, "together they say more than one month alone"


def test_months_weigh_as_many_trips_as_they_have() -> None:
    """Two months reckoned by hand: 3 of 10 read of 20, none of 10 read of 180."""
    trips = pd.concat([one_month(20, 0, "2026-01"), one_month(180, 0, "2026-02")])
    con = judged_store.with_trips(trips.reset_index(drop=True))
    for month, size in (("2026-01", 20), ("2026-02", 180)):
        con.execute("INSERT INTO loop.audit_draw VALUES (?, 's', ?, 10, 0.1, 0.05)", [month, size])
        con.execute(f"""INSERT INTO loop.audit SELECT '{month}', '{month}-' || lpad(i::VARCHAR, 4,
                        '0'), 'm' FROM range(10) r(i)""")  # fmt: skip
    ids = [f"{month}-{n:04d}" for month in ("2026-01", "2026-02") for n in range(10)]
    judged_store.answered(con, pd.DataFrame({
        "trip_id": ids, "conclusion": ["missed"] * 3 + [None] * 17
    }))  # fmt: skip
    found = audit_results(con, "2026-02")
    assert list(found.columns) == list(AuditResults.to_schema().columns)
    assert list(found["miss_rate"]) == pytest.approx([0.3, 0.0, 0.1 * 0.3])
    # Kish: (20 + 180)^2 / (20^2 / 10 + 180^2 / 10) = 12.195
    from pipeline.statistics.intervals import wilson

    by_hand = wilson(0.03 * 12.195122, 12.195122)
    assert found["high"].iloc[-1] == pytest.approx(float(by_hand.upper), abs=1e-6)
    rows = miss_rates(found)
    assert list(rows["measure"]) == ["miss-rate"] * 3
    assert list(rows["left_out"]) == [0, 0, 0]


def test_unread_trips_are_no_answers_and_nothing_read_is_no_rate() -> None:
    con = judged_store.with_trips(one_month(60))
    draw_audit(con, "2026-01")
    nothing = audit_results(con, "2026-01")
    assert list(nothing["read"]) == [0, 0]
    assert nothing[["miss_rate", "low", "high"]].isna().all(axis=None)
    ((trip,),) = con.execute("SELECT min(trip_id) FROM loop.audit_trip").fetchall()
    judged_store.answered(con, pd.DataFrame({"trip_id": [trip], "conclusion": ["missed"],
                                      "status": ["awaiting_crew"]}))  # fmt: skip
    assert list(audit_results(con, "2026-01")["read"]) == [0, 0]
    judged_store.answered(con, pd.DataFrame({"trip_id": [trip], "conclusion": ["missed"]}))
    found = audit_results(con, "2026-01")
    assert (found["read"].iloc[0], found["missed"].iloc[0]) == (1, 1)


def test_a_drawn_trip_that_is_flagged_later_leaves_the_audit() -> None:
    con = judged_store.with_trips(one_month(60))
    draw_audit(con, "2026-01")
    before = audit_results(con, "2026-01")["drawn"].iloc[0]
    con.execute("""UPDATE judged.verdict SET verdict = 'deviation' WHERE trip_key = (
        SELECT min(trip_key) FROM judged.trip_window JOIN loop.audit_trip USING (trip_id))""")
    assert audit_results(con, "2026-01")["drawn"].iloc[0] == before - 1


def test_without_an_audit_there_is_an_empty_table() -> None:
    con = judged_store.with_trips(one_month(3, 3))
    judged_store.cases(con, "2026-01")
    draw_audit(con, "2026-01")
    found = audit_results(con, "2026-01")
    assert found.empty
    assert list(found.columns) == list(AuditResults.to_schema().columns)
    assert miss_rates(found).empty
    assert RULE
