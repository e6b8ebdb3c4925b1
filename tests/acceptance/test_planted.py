"""The review finds every planted answer and no other, over some seeds of 2,000 trips, and after
every change on request."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.simulate import simulate
from pipeline.simulate.changes import FAILS, FORMS, ODDS
from pipeline.simulate.steering import CASES, STEERED
from pipeline.store.database import open_store
from schemas.outputs import VERDICTS
from tests.deep import examples, with_deep

pytestmark = pytest.mark.usefixtures("without_screen")
ALONE = [example for _, example, _ in FORMS.values()]
MORE_ALONE = [
    "V-alder-1 fails 0.4 from 2026-02",
    "occlusions of wide-1 x 0.4 from 2026-02",
    *(f"{rule} at cedar x {x} from 2026-02" for rule in STEERED for x in (2, 0.5)),
    *(f"{case} case at birch in 2026-05" for case in CASES if case != "intubated"),
]
FEW = [(FORMS[kind][1], 7, 240) for kind in (ODDS, FAILS)]
MANY = [(change, seed, 2000) for change in ALONE for seed in (7, 8, 9)]
MANY += [(change, 7, 2000) for change in MORE_ALONE]
"""Changes, seeds and trips, many with `pytest --deep`; the sample has most kinds together."""


def judged(store: Path, *deliveries: Path) -> duckdb.DuckDBPyConnection:
    con = open_store(store)
    for delivery in deliveries:
        load(con, read_delivery(con, delivery))
    judge(con)
    return con


def differing(con: duckdb.DuckDBPyConnection, *deliveries: Path) -> list[tuple[str, ...]]:
    """Trip, rule, what was planted and what was found, wherever they differ, either way."""
    planted = [str(delivery / "planted.csv") for delivery in deliveries]
    return con.execute(f"""
        SELECT p.trip_id, p.rule, p.verdict AS planted, v.verdict AS found
        FROM (SELECT trip_id, rule, verdict
              FROM judged.verdict JOIN judged.trip_window USING (trip_key)) v
        FULL JOIN read_csv({planted}, all_varchar = true) p USING (trip_id, rule)
        WHERE v.verdict IS DISTINCT FROM p.verdict ORDER BY ALL
    """).fetchall()


@pytest.mark.parametrize(
    ("seed", "dirt"),
    [(2, True), (1, False), (3, True), (4, True), (5, False)][: examples(1, 5)],
)
def test_every_planted_verdict_is_found_and_no_other(tmp_path: Path, seed: int, dirt: bool) -> None:
    delivery = tmp_path / "delivery"
    simulate(delivery, trips=2000, months=6, seed=seed, dirt=dirt)
    con = judged(tmp_path / "store.duckdb", delivery)
    wrong = differing(con, delivery)
    assert not wrong, f"{len(wrong)} differ, the first: {wrong[:5]}"
    # the plan is worth holding the review to: every rule, most verdicts, many deviations
    rules, verdicts, deviations = con.execute(f"""
        SELECT count(DISTINCT rule), count(DISTINCT verdict),
               count(*) FILTER (verdict = 'deviation')
        FROM read_csv('{delivery / "planted.csv"}', all_varchar = true)
    """).fetchone() or (0, 0, 0)
    assert rules == 17
    assert verdicts == len(VERDICTS)
    assert deviations > 100
    con.close()


# else `test_sample.py` finds the answers under the changes that the sample has
@with_deep
@pytest.mark.parametrize(("change", "seed", "trips"), MANY if examples(0, 1) else FEW)
def test_and_after_every_change_alone(tmp_path: Path, change: str, seed: int, trips: int) -> None:
    """In both deliveries together where some of the trips come late."""
    simulate(tmp_path / "d", trips=trips, months=6, seed=seed, changes=(change,))
    deliveries = sorted(path for path in tmp_path.glob("d*") if path.is_dir())
    assert len(deliveries) == (2 if " late " in change else 1)
    with judged(tmp_path / "store.duckdb", *deliveries) as con:
        wrong = differing(con, *deliveries)
    assert not wrong, f"{len(wrong)} differ, the first: {wrong[:5]}"
