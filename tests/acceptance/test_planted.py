"""The review finds every planted answer and no other, over several seeds of 2,000 trips."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.simulate import simulate
from pipeline.store.database import open_store
from schemas.outputs import VERDICTS


def judged(delivery: Path, store: Path) -> duckdb.DuckDBPyConnection:
    con = open_store(store)
    load(con, read_delivery(con, delivery))
    judge(con)
    return con


@pytest.mark.parametrize(
    ("seed", "dirt"), [(1, False), (2, True), (3, True), (4, True), (5, False)]
)
def test_every_planted_verdict_is_found_and_no_other(tmp_path: Path, seed: int, dirt: bool) -> None:
    delivery = tmp_path / "delivery"
    simulate(delivery, trips=2000, months=6, seed=seed, dirt=dirt)
    con = judged(delivery, tmp_path / "store.duckdb")
    planted = f"read_csv('{delivery / 'planted.csv'}', all_varchar = true)"
    differing = con.execute(f"""
        SELECT p.trip_id, p.rule, p.verdict AS planted, v.verdict AS found
        FROM (SELECT trip_id, rule, verdict
              FROM judged.verdict JOIN judged.trip_window USING (trip_key)) v
        FULL JOIN {planted} p USING (trip_id, rule)
        WHERE v.verdict IS DISTINCT FROM p.verdict ORDER BY ALL
    """).fetchall()
    assert not differing, f"{len(differing)} differ, the first: {differing[:5]}"
    # the plan is worth holding the review to: every rule, most verdicts, many deviations
    rules, verdicts, deviations = con.execute(f"""
        SELECT count(DISTINCT rule), count(DISTINCT verdict),
               count(*) FILTER (verdict = 'deviation')
        FROM {planted}
    """).fetchone() or (0, 0, 0)
    assert rules == 17
    assert verdicts == len(VERDICTS)
    assert deviations > 100
    con.close()
