"""Planted clock offsets are recovered; each month is judged by the protocol in force in it."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.simulate import simulate
from pipeline.store.database import open_store
from tests.deep import examples, with_deep

pytestmark = pytest.mark.usefixtures("without_screen")


STATED_S = 60
"""What the demo protocol leaves uncertain of a matched clock: its matched_tolerance_s."""


def judged(delivery: Path, store: Path) -> duckdb.DuckDBPyConnection:
    con = open_store(store)
    load(con, read_delivery(con, delivery))
    judge(con)
    return con


@pytest.mark.parametrize("seed", [11, 12][: examples(1, 2)])
def test_offset_is_recovered_within_its_stated_uncertainty(tmp_path: Path, seed: int) -> None:
    # magnitudes of the planted offsets: Cordell 1994, Ornato 1998, Castren 2005 (means of about
    # two minutes, long tails); drift and jitter on top are assumed
    delivery = tmp_path / "delivery"
    simulate(delivery, trips=2000, months=6, seed=seed)
    con = judged(delivery, tmp_path / "store.duckdb")
    within, matched, planted, far = con.execute(f"""
        SELECT count(*) FILTER (abs(k.offset_s - p.offset_s) <= {STATED_S}),
               count(k.offset_s), count(*), avg(abs(p.offset_s))
        FROM read_csv('{delivery / "planted_clock.csv"}',
                      types = {{'trip_id': 'VARCHAR', 'offset_s': 'INTEGER'}}) p
        JOIN judged.trip_window w USING (trip_id)
        LEFT JOIN judged.clock k USING (trip_key)
        WHERE k.removed OR k.removed IS NULL
    """).fetchone() or (0, 0, 0, 0)
    con.close()
    assert far > 30, "the planted offsets should be worth removing"
    assert matched > 200
    assert within >= 0.95 * matched, f"{within} of {matched} (of {planted}) recovered"


# else `test_signals.py` has a version from a later month on
@with_deep
def test_each_month_is_judged_by_the_version_in_force(tmp_path: Path) -> None:
    delivery = tmp_path / "delivery"
    simulate(delivery, trips=400, months=4, seed=5)
    before = judged(delivery, tmp_path / "before.duckdb")
    protocol = (delivery / "protocol.toml").read_text(encoding="utf-8")
    stricter = protocol.replace('id = "2026.1"', 'id = "2026.2"')
    stricter = stricter.replace('from_month = "2026-01"', 'from_month = "2026-03"')
    stricter = stricter.replace("limit_min = 50", "limit_min = 5")
    assert stricter.count("limit_min = 5\n") >= 1
    (delivery / "protocol.toml").write_text(protocol + "\n" + stricter, encoding="utf-8")
    after = judged(delivery, tmp_path / "after.duckdb")
    sql = """
        SELECT w.service_month, p.id, count(*) FILTER (v.verdict = 'deviation')
        FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
        JOIN delivered.protocol_version p ON p.protocol_no = v.protocol_no
        WHERE v.rule = 'wall-oxygen-time' GROUP BY ALL ORDER BY ALL
    """
    old, new = before.execute(sql).fetchall(), after.execute(sql).fetchall()
    before.close()
    after.close()
    assert [version for _, version, _ in old] == ["2026.1"] * 4
    assert [version for _, version, _ in new] == ["2026.1"] * 2 + ["2026.2"] * 2
    assert new[:2] == old[:2], "months before the new version keep their verdicts"
    assert all(now[2] > then[2] + 10 for now, then in zip(new[2:], old[2:], strict=True))
