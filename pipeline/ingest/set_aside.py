"""List what is set aside: cells that break a rule, rows that do not fit, rows of no trip."""

from __future__ import annotations

from pipeline.files.text_rows import REJECTS
from pipeline.ingest.places import STAGED
from pipeline.ingest.problems import ROW_RULES, CellRule
from schemas.connection import Connection
from schemas.contract import MONTH_PATTERN

MONTH_COLUMNS = {"trips": "service_month", "training": "month", "expected": "service_month"}
"""The column of each table that names a row's own month."""


def set_aside_cells(con: Connection, table: str, file: str) -> None:
    """List every cell that breaks a rule, and every row that does not fit its header."""
    con.execute(
        f"""
        insert into staged_set_aside
        with bad as (
            select staged.line, staged.trip_key, {_own_month(table)} as month,
                unnest(staged.codes) as code,
                unnest(range(1, len(staged.codes) + 1)) as position
            from staged_{table} staged where staged.codes is not null
        )
        select rules.table_name, ?, bad.line, trip_key,
            coalesce(kept.service_month, bad.month),
            rules.column_name, rules.problem, rules.what, rules.remedy
        from bad
        join cell_rules rules on rules.table_name = '{table}'
            and rules.position = bad.position and rules.code = bad.code
        left join kept_trips kept using (trip_key)
        """,
        [file],
    )
    for code, name in REJECTS.items():
        set_aside_rows(con, table, file, ROW_RULES[name], f"staged.reject_code = {code}")


def note_trips_aside(con: Connection) -> None:
    """Make `staged_trips_aside`: of each trip that is not kept, its first line and its month."""
    con.execute(f"""
        create or replace table {STAGED}.staged_trips_aside as
        select trip_id, min(line) as line,
            min(service_month) filter (regexp_full_match(service_month, '{MONTH_PATTERN}'))
                as service_month
        from staged_trips where trip_id not in (select trip_id from kept_trips) group by trip_id
    """)


def set_aside_orphans(con: Connection, table: str, file: str) -> None:
    """List the rows of trips that are not kept; those of trips set aside with the trip's month."""
    stranger, aside = ROW_RULES["orphan-row"], ROW_RULES["trip-set-aside"]
    con.execute(
        f"""
        insert into staged_set_aside
        select ?, ?, staged.line, null, aside.service_month, 'trip_id',
            case when aside.trip_id is null then ? else ? end,
            case when aside.trip_id is null then ? else ? || ': line ' || aside.line || ' of trips'
                end,
            case when aside.trip_id is null then ? else ? end
        from staged_{table} staged left join staged_trips_aside aside using (trip_id)
        where staged.trip_key is null and staged.trip_id is not null
            and coalesce(staged.codes[1], 0) = 0
        """,
        [
            *(table, file, stranger.problem, aside.problem, stranger.what, aside.what),
            *(stranger.remedy, aside.remedy),
        ],
    )


def set_aside_rows(
    con: Connection,
    table: str,
    file: str,
    rule: CellRule,
    condition: str,
    *,
    column: str | None = None,
) -> None:
    """List every row for which `condition` holds, over `staged`."""
    con.execute(
        f"""
        insert into staged_set_aside
        select ?, ?, staged.line, trip_key, coalesce(kept.service_month, {_own_month(table)}),
            ?, ?, ?, ?
        from staged_{table} staged left join kept_trips kept using (trip_key)
        where {condition}
        """,
        [table, file, column, rule.problem, rule.what, rule.remedy],
    )


def _own_month(table: str) -> str:
    """SQL for the month that a row of no trip names itself; null where none."""
    if table not in MONTH_COLUMNS:
        return "null"
    month = f"staged.{MONTH_COLUMNS[table]}"
    return f"case when regexp_full_match({month}, '{MONTH_PATTERN}') then {month} end"
