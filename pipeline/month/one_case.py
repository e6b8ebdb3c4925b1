"""One trip as its case page needs it, without the month's figures: for the desk."""

from __future__ import annotations

from pipeline.month import data_files, gather
from pipeline.month.case_detail import case_details
from pipeline.month.cases import month_words
from pipeline.store.protocol_versions import VersionInStore
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.month_review import MonthReview

TABLES = ("verdicts", "evidence", "timeline", "problems", "cases")


def one_case(
    con: Connection, versions: list[VersionInStore], trip_id: str, version: str
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
    month_words(con, versions, month, trip_id)
    for table, asked in (("month_problem", data_files.PROBLEMS), ("month_trip", data_files.TRIPS)):
        con.execute(
            f"CREATE OR REPLACE TEMP TABLE {table} AS"
            f" SELECT * FROM ({asked}) WHERE trip_id = {literal(trip_id)}", {"month": month},
        )  # fmt: skip
    con.execute(_MONTH_CASE, [trip_id])
    for name in TABLES:
        con.execute(f"CREATE OR REPLACE TEMP TABLE out_{name} AS {data_files.OUT[name]}")
    numbers = [no for (no,) in con.execute(gather.IN_FORCE, {"month": month}).fetchall()]
    in_force = [stored for stored in versions if stored.protocol_no in numbers]
    service = con.execute("SELECT coalesce(min(service), '') FROM delivered.delivery").fetchall()
    nothing = Frame({})
    return MonthReview(
        service=str(service[0][0]), month=month, months=(month,), privacy_basis=(),
        tool_version=version, protocol=tuple(gather.protocol_in_force(s) for s in in_force),
        rules=gather.rule_facts(in_force), received=0, expected=None, expected_by_month={},
        not_judged=0, trips_with_finding=0, merge_within_s=0, rule_counts=nothing,
        cases=Frame.read(con.execute("FROM out_cases")), occlusions=nothing, measures=nothing,
        problems=Frame.read(con.execute("FROM out_problems")),
        cannulas=Frame.read(con.execute(gather.CANNULAS, {"month": month})),
        details=case_details(con, versions),
    )  # fmt: skip


# a trip that nothing flags any more still has its page
_MONTH_CASE = """
    CREATE OR REPLACE TEMP TABLE month_case AS
    SELECT 1 AS reading_order, w.trip_id, t.base, t.vehicle, NULL::VARCHAR AS cannula,
           coalesce(k.kind, 'read') AS kind, coalesce(k.kind, 'read') AS "group",
           k.severity, k.rule AS leading_rule, k.rules, coalesce(k.why, '') AS why
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    LEFT JOIN (FROM judged.work WHERE trip_id = $1 AND kind <> 'fetch'
               ORDER BY order_of_kind, place LIMIT 1) k ON k.trip_id = w.trip_id
    WHERE w.trip_id = $1
"""
