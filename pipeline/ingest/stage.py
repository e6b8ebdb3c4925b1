"""Put one delivery's tables, typed and checked, into tables beside the store.

For each delivered table there is a view `staged_<table>`: line, reject_code, trip_key, the
contract's columns (null where absent), `codes` and `raw` as `validate` leaves them. `kept_trips`
numbers the trips that are kept, in file order. The rows of a table that belong to one and are good
are `kept_<table>`, with the trip's key in place of its name, in the order they are stored in.
`staged_set_aside` and `staged_lost` say what happened to the rest.
"""

from __future__ import annotations

from pipeline.files import Unreadable
from pipeline.files.text_rows import TextRows
from pipeline.ingest.file_readers import TableFile, whole
from pipeline.ingest.places import FOUND, STAGED, open_places
from pipeline.ingest.problems import ROW_RULES, Findings
from pipeline.ingest.rows_of_trips import (
    FILLED,
    Begun,
    cells_of,
    look_through,
    mention_blank,
    named,
    of_trips,
    stage_rows,
)
from pipeline.ingest.set_aside import (
    note_trips_aside,
    set_aside_cells,
    set_aside_orphans,
    set_aside_rows,
)
from pipeline.ingest.validate import plan, staging_sql
from pipeline.store.database import one
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.contract import MONTH_PATTERN, TABLES

LISTED_BY_MONTH = f"""
    select service_month as month, count(distinct coalesce(trip_id, 'line ' || line)) as trips
    from staged_expected where regexp_full_match(service_month, '{MONTH_PATTERN}') group by all
"""
"""Trips by month of the dispatch log's list; a row set aside is a trip of it all the same."""


def prepare(con: Connection) -> None:
    """Create the empty tables every delivery fills, replacing those of an earlier one."""
    open_places(con)
    con.execute(f"""
        create table {FOUND}.staged_set_aside (
            table_name VARCHAR, file VARCHAR, line INTEGER, trip_key INTEGER,
            service_month VARCHAR, column_name VARCHAR, problem VARCHAR, what VARCHAR,
            remedy VARCHAR);
        create table {FOUND}.staged_lost (
            trip_key INTEGER, table_name VARCHAR, line INTEGER, at_s INTEGER);
        create table {STAGED}.cell_rules (
            table_name VARCHAR, position INTEGER, code INTEGER, column_name VARCHAR,
            problem VARCHAR, what VARCHAR, remedy VARCHAR);
        create table {STAGED}.kept_trips (
            trip_id VARCHAR, trip_key INTEGER, line INTEGER, service_month VARCHAR);
    """)


def stage_table(con: Connection, file: TableFile, findings: Findings, begun: Begun) -> bool:
    """Read, cast and check one file; False, and a finding, if it cannot be read at all.

    `begun`: what of it is being read, from `reading`.
    """
    try:
        if of_trips(file.table):
            stage_rows(con, file, findings, begun)
        else:
            _stage_whole(con, file, findings)
    except Unreadable as error:
        findings.unreadable(file.content.name, error)
        return False
    if file.table in findings.faulty:
        _name_rules(con, file)
    return True


def _name_rules(con: Connection, file: TableFile) -> None:
    """Add what each code of a table's cells stands for to `cell_rules`."""
    rules = [
        (file.table, position, code, column.name, rule.problem, rule.what, rule.remedy)
        for position, column in enumerate(plan(file.table, file.wanted), start=1)
        for code, rule in column.rules.items()
    ]
    cells_of_rules = ", ".join(["unnest(?)"] * len(rules[0]))
    con.execute(
        f"insert into cell_rules select {cells_of_rules}", [*map(list, zip(*rules, strict=True))]
    )


def _stage_whole(con: Connection, file: TableFile, findings: Findings) -> None:
    """Make `staged_<table>` of a table whose rows belong to no trip, or are trips."""

    def create(rows: TextRows) -> int:
        select = staging_sql(rows, file.table, file.wanted)
        relation = f"{STAGED}.typed_{file.table}"
        return int(one(con, f"create or replace table {relation} as {select}")[0])

    source = whole(con, file, findings, create)
    reject = "reject_code" if source.relation else "0"
    _, blank, faulty = look_through(con, file.table, reject)
    if faulty:
        findings.faulty.add(file.table)
    mention_blank(file, blank, findings)
    con.execute(f"""
        create or replace view {STAGED}.staged_{file.table} as
        select null::INTEGER as trip_key, ({source.line})::INTEGER as line,
            {reject} as reject_code, {named(cells_of(file))}, codes, raw
        from typed_{file.table} where {FILLED}""")


def number_trips(con: Connection) -> None:
    """Number the trips that are kept, in file order: call before the other tables are read."""
    con.execute(f"""
        create table {STAGED}.repeated_trips as
        select trip_id from staged_trips where trip_id is not null
        group by trip_id having count(*) > 1
    """)
    con.execute("""
        insert into kept_trips
        select trip_id, (row_number() over (order by line))::INTEGER, line, service_month
        from staged_trips
        where codes is null and reject_code = 0
            and trip_id not in (select trip_id from repeated_trips)
    """)


def keep_trips(con: Connection, file: str, *, faulty: bool = True) -> None:
    """Set aside the rows of trips that are not kept, and note which those are.

    Where no row is `faulty` in itself none is looked for.
    """
    if faulty:
        set_aside_cells(con, "trips", file)
    set_aside_rows(
        con,
        "trips",
        file,
        ROW_RULES["repeated-trip"],
        "staged.trip_id in (select trip_id from repeated_trips)",
        column="trip_id",
    )
    note_trips_aside(con)


def keep_rows(con: Connection, table: str, file: str, findings: Findings) -> None:
    """Set aside the rows of a table other than trips that cannot be used or belong nowhere."""
    faulty = table in findings.faulty
    if faulty:
        set_aside_cells(con, table, file)
    columns = TABLES[table].to_schema().columns
    if table == "training":
        set_aside_rows(
            con,
            table,
            file,
            ROW_RULES["no-subject"],
            "staged.reject_code = 0 and staged.base is null and staged.crew_member is null",
        )
    if table not in findings.not_kept:
        return
    # a trip_id that is itself at fault is listed once, as that
    set_aside_orphans(con, table, file)
    if not faulty:
        return
    at_s = "case when codes[2] = 0 then at_s end" if "at_s" in columns else "null"
    con.execute(
        f"insert into staged_lost select trip_key, '{table}', line, {at_s} from staged_{table}"
        " where trip_key is not null and (codes is not null or reject_code > 0)"
    )


def mention_identical(con: Connection, table: str, file: str, findings: Findings) -> None:
    """Say how many rows repeat another throughout; they are kept, for that is legal."""
    columns, rows = [*TABLES[table].to_schema().columns], good_rows(table)
    if "at_s" in columns:
        times = f"repeated_times_{table}"
        if one(con, f"select count(*) from {times}") == (0,):
            return
        rows = f"{rows} where (trip_key, at_s) in (select (trip_key, at_s) from {times})"
    (repeats,) = one(
        con,
        f"""
        select coalesce(sum(n - 1), 0) from (
            select count(*) as n from ({rows}) group by trip_key, {", ".join(map(quoted, columns))})
        """,
    )
    if repeats:
        findings.mention(
            file,
            f"rows that repeat another row throughout: {repeats}; they were kept, as that may be"
            " so",
        )


def mention_older_held(con: Connection, file: str, findings: Findings) -> None:
    """Say so where a trip set aside here is held as an earlier delivery in the store gave it."""
    (trips,) = one(
        con,
        """
        select count(distinct trip_id) from staged_trips join delivered.holding using (trip_id)
        where trip_id not in (select trip_id from kept_trips)
        """,
    )
    if trips:
        findings.mention(
            file,
            f"{trips} of the trips set aside came with an earlier delivery, and what that said of"
            " them still holds",
        )


def good_rows(table: str) -> str:
    """SQL for the rows of one table that are kept; with trip_key where they belong to a trip."""
    if of_trips(table):
        return f"from kept_{table}"
    good = f"from staged_{table} staged where codes is null and reject_code = 0"
    if table == "training":
        return f"{good} and (base is not null or crew_member is not null)"
    if table == "trips":
        keys = "(select line, trip_key from kept_trips) kept using (line)"
        return f"select * exclude (trip_key), kept.trip_key from ({good}) join {keys}"
    return good
