"""The set-based SQL and the plain-Python twin give the same timeline and verdicts."""

from __future__ import annotations

from typing import Any

import duckdb
from hypothesis import HealthCheck, Phase, given, settings

from tests.deep import examples

from . import twin
from .into_store import judged
from .strategies import deliveries


def rows_of(con: duckdb.DuckDBPyConnection, table: str, columns: str) -> list[tuple[Any, ...]]:
    there = con.execute(
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'judged' AND table_name = ?",
        [table],
    ).fetchone()
    if there == (0,):
        return []
    return con.execute(
        f"SELECT {columns} FROM judged.{table} JOIN delivered.trips USING (trip_key) ORDER BY ALL"
    ).fetchall()


# rules whose observed bounds and moments have one meaning; of the others the verdict is compared
WHOLE_ROW = {
    "wall-oxygen-time",
    "unheated-time",
    "cannula-flow-range",
    "source-choice",
    "repeated-occlusion-call",
}


# one judging of a delivery costs about the same whether it has two trips or twenty
@settings(
    max_examples=examples(3, 120),
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(deliveries(max_trips=examples(20, 12), min_trips=examples(10, 1)))
def test_timelines_and_verdicts_agree(delivery: dict[str, Any]) -> None:
    con = judged(delivery)
    timelines_agree(con, delivery)
    verdicts_agree(con, delivery)


def timelines_agree(con: duckdb.DuckDBPyConnection, delivery: dict[str, Any]) -> None:
    sql = rows_of(
        con, "timeline", "trip_id, from_s, until_s, source, flow_lpm, fio2, humidification, cannula"
    )
    assert sorted(sql, key=lambda r: r[:2]) == sorted(twin.timeline(delivery), key=lambda r: r[:2])


def verdicts_agree(con: duckdb.DuckDBPyConnection, delivery: dict[str, Any]) -> None:
    columns = "trip_id, rule, verdict, observed_low, observed_high, from_s, until_s"
    sql = {row[:2]: row[2:] for row in rows_of(con, "verdict", columns)}
    expected = {
        (v.trip_id, v.rule): (v.verdict, v.observed_low, v.observed_high, v.from_s, v.until_s)
        for v in twin.judge(delivery)
    }
    assert set(sql) == set(expected)
    differing = {
        key: (sql[key], expected[key])
        for key in sql
        if (sql[key] != expected[key] if key[1] in WHOLE_ROW else sql[key][0] != expected[key][0])
    }
    assert not differing, differing
