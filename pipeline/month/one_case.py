"""One trip as its case page needs it, without the month's figures: for the desk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.month import gather
from pipeline.month.case_detail import case_details
from pipeline.month.cases import cases, month_words
from schemas.month_review import MonthReview

if TYPE_CHECKING:
    import duckdb

    from pipeline.store.protocol_versions import VersionInStore

TABLES = ("verdicts", "evidence", "timeline", "problems", "cases")


def one_case(
    con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], trip_id: str, version: str
) -> MonthReview | None:
    """A review that holds this trip alone, as `reports.case` draws it; None if it is not judged.

    `version`: of the program. Leaves its temporary tables.
    """
    rows = con.execute(
        "SELECT service_month FROM judged.trip_window WHERE trip_id = ?", [trip_id]
    ).fetchall()
    if not rows:
        return None
    month = str(rows[0][0])
    month_words(con, versions, month)
    cases(con, versions, month)
    con.execute(gather.MONTH_PROBLEM, {"month": month})
    con.execute(gather.MONTH_TRIP, {"month": month})
    for table in ("month_verdict", "month_case", "month_trip", "month_problem"):
        con.execute(f"DELETE FROM {table} WHERE trip_id IS DISTINCT FROM ?", [trip_id])
    con.execute(_AT_LEAST, [trip_id])
    for name in TABLES:
        con.execute(f"CREATE OR REPLACE TEMP TABLE out_{name} AS {gather.OUT[name]}")
    numbers = [no for (no,) in con.execute(gather.IN_FORCE, {"month": month}).fetchall()]
    in_force = [stored for stored in versions if stored.protocol_no in numbers]
    service = con.execute("SELECT coalesce(min(service), '') FROM delivered.delivery").fetchall()
    nothing = con.execute("SELECT 1 WHERE FALSE").df()
    return MonthReview(
        service=str(service[0][0]), month=month, months=(month,), privacy_basis=(),
        tool_version=version, protocol=tuple(gather.protocol_in_force(s) for s in in_force),
        rules=gather.rule_facts(in_force), received=0, expected=None, expected_by_month={},
        not_judged=0, trips_with_finding=0, merge_within_s=0, rule_counts=nothing,
        cases=con.execute("FROM out_cases").df(), occlusions=nothing, measures=nothing,
        problems=con.execute("FROM out_problems").df(),
        cannulas=con.execute(gather.CANNULAS, {"month": month}).df(),
        details=case_details(con, versions),
    )  # fmt: skip


# a trip that nothing flags any more still has its page
_AT_LEAST = """
    INSERT INTO month_case BY NAME
    SELECT 1 AS reading_order, w.trip_id, t.base, t.vehicle, 'read' AS kind,
           'always_read' AS "group", '' AS why
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    WHERE w.trip_id = $1 AND w.trip_id NOT IN (SELECT trip_id FROM month_case)
"""
