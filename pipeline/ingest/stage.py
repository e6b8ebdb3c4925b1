"""Put one delivery's tables, typed and checked, into temporary tables of a connection.

For each delivered table there is a view `staged_<table>`: line, reject_code, trip_key, the
contract's columns (null where absent), `codes` and `raw` as `validate` leaves them. `kept_trips`
numbers the trips that are kept, in file order. The rows of a table that belong to one and are good
are `kept_<table>`, with the trip's key in place of its name, in the order they are stored in.
`staged_set_aside` and `staged_lost` say what happened to the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors.disk import as_mistake
from pipeline.files import Unreadable
from pipeline.files.delimited import Delimited, delimited_rows, read_header
from pipeline.files.rows import TextRows, inserted, parquet_columns, parquet_rows
from pipeline.ingest.parts import Part
from pipeline.ingest.problems import ROW_RULES, Findings
from pipeline.ingest.set_aside import set_aside_cells, set_aside_orphans, set_aside_rows
from pipeline.ingest.validate import plan, staging_sql
from pipeline.store.database import one, sql_type
from pipeline.store.sql import quoted
from schemas.contract import MONTH_PATTERN, OF_THE_SERVICE, TABLES
from schemas.record import dataclass

if TYPE_CHECKING:
    import duckdb

LISTED_BY_MONTH = f"""
    select service_month as month, count(distinct coalesce(trip_id, 'line ' || line)) as trips
    from staged_expected where regexp_full_match(service_month, '{MONTH_PATTERN}') group by all
"""
"""Trips by month of the dispatch log's list; a row set aside is a trip of it all the same."""


def prepare(con: duckdb.DuckDBPyConnection) -> None:
    """Create the empty tables every delivery fills, replacing those of an earlier one."""
    con.execute("""
        create or replace temp table staged_set_aside (
            table_name VARCHAR, file VARCHAR, line INTEGER, trip_key INTEGER,
            service_month VARCHAR, column_name VARCHAR, problem VARCHAR, what VARCHAR,
            remedy VARCHAR);
        create or replace temp table staged_lost (
            trip_key INTEGER, table_name VARCHAR, line INTEGER, at_s INTEGER);
        create or replace temp table cell_rules (
            table_name VARCHAR, position INTEGER, code INTEGER, column_name VARCHAR,
            problem VARCHAR, what VARCHAR, remedy VARCHAR);
        create or replace temp table kept_trips (
            trip_id VARCHAR, trip_key INTEGER, line INTEGER, service_month VARCHAR);
    """)


_FILLED = (
    "case when raw is null then true"
    r" else regexp_matches(coalesce(array_to_string(raw, ''), ''), '\S') end"
)
"""Whether a row says anything: one without breaks a rule of every table, so its texts are kept."""


@dataclass(frozen=True)
class TableFile:
    """One file of a delivery: the table it is, its header, and the contract columns to read."""

    table: str
    content: Part
    header: list[str]
    wanted: list[str]


def header_of(con: duckdb.DuckDBPyConnection, table: str, content: Part) -> list[str]:
    """The column names of one file in file order; Unreadable if there are none."""
    if content.book is not None:
        header, what = content.book.sheet(table).header(1), "there is no header row"
    elif content.text is None:
        return list(parquet_columns(con, content.path))
    else:
        what = "the file is empty or begins with a blank line"
        header = read_header(content.path)
    if not header:
        raise Unreadable("empty-file", what, line=1)
    return header


def stage_table(con: duckdb.DuckDBPyConnection, file: TableFile, findings: Findings) -> bool:
    """Read, cast and check one file; False, and a finding, if it cannot be read at all."""
    try:
        source = _create(con, file, findings)
    except Unreadable as error:
        findings.unreadable(file.content.name, error)
        return False
    reject = "reject_code" if source.relation else "0"
    _look_through(con, file, reject, findings)
    _make_view(con, file, f"({source.line})::INTEGER", reject)
    rules = [
        (file.table, position, code, column.name, rule.problem, rule.what, rule.remedy)
        for position, column in enumerate(plan(file.table, file.wanted), start=1)
        for code, rule in column.rules.items()
    ]
    cells_of_rules = ", ".join(["unnest(?)"] * len(rules[0]))
    con.execute(
        f"insert into cell_rules select {cells_of_rules}", [*map(list, zip(*rules, strict=True))]
    )
    return True


def _make_view(con: duckdb.DuckDBPyConnection, file: TableFile, line: str, reject: str) -> None:
    """Make `staged_<table>`; of a table whose rows belong to trips, `kept_<table>` first.

    Its rows are joined to their trips and sorted here, once: whatever follows takes them in order.
    """
    table = file.table
    cells = {
        name: quoted(name) if name in file.wanted else f"null::{sql_type(field)}"
        for name, field in TABLES[table].to_schema().columns.items()
    }
    own = f"{line} as line, {reject} as reject_code, {_named(cells)}, codes, raw"
    if not of_trips(table):
        own = f"select null::INTEGER as trip_key, {own} from typed_{table} where {_FILLED}"
        con.execute(f"create or replace temp view staged_{table} as {own}")
        return
    known = f"typed_{table} left join (select trip_id, trip_key from kept_trips) using (trip_id)"
    kept = f"trip_key is not null and codes is null and {reject} = 0"
    stored = ", ".join(quoted(name) for name in file.wanted if name != "trip_id")
    order = "trip_key, at_s, line" if "at_s" in file.wanted else "trip_key, line"
    cells["trip_id"] = "null::VARCHAR"
    con.execute(f"""
        create or replace temp table other_{table} as
        select trip_key, {own} from {known} where {_FILLED} and not ({kept});
        create or replace temp table typed_{table} as
        select trip_key, {line} as line, {stored} from {known} where {kept} order by {order};
        create or replace temp view kept_{table} as
        select trip_key, line, {_named(cells)} from typed_{table};
        create or replace temp view staged_{table} as
        select *, 0 as reject_code, null::UTINYINT[] as codes, null::VARCHAR[] as raw
        from kept_{table} union all by name from other_{table};
    """)


def _named(cells: dict[str, str]) -> str:
    return ", ".join(f"{cell} as {quoted(name)}" for name, cell in cells.items())


def _look_through(
    con: duckdb.DuckDBPyConnection, file: TableFile, reject: str, findings: Findings
) -> None:
    """Note whether any row is faulty in itself, and how many say nothing."""
    blank, faulty = one(
        con,
        f"""
        select count(*) filter (not filled), count(*) filter (filled and faulty)
        from (select {_FILLED} as filled, codes is not null or {reject} > 0 as faulty
              from typed_{file.table})
        """,
    )
    if faulty:
        findings.faulty.add(file.table)
    if blank:
        what = f"rows without anything in them were left out: {blank}"
        findings.mention(file.content.name, what)


def _create(con: duckdb.DuckDBPyConnection, file: TableFile, findings: Findings) -> TextRows:
    """Create `typed_<table>` by the reader that fits; Unreadable if none does."""
    content, relation = file.content, f"raw_{file.table}"
    columns = {name: file.header.index(name) for name in file.wanted}
    if content.book is not None:
        from pipeline.ingest.workbook import sheet_rows

        sheet = content.book.sheet(file.table)
        read = sheet_rows(sheet, file.table, len(file.header), columns, findings)
        rows = inserted(con, relation, columns, read)
    elif content.text is None:
        rows = parquet_rows(content.path, parquet_columns(con, content.path), columns)
        _create_from_parquet(con, file, rows)
    else:
        delimited = Delimited(content.text, file.header)
        rows = delimited_rows(
            con, delimited, columns, relation, lambda rows: _create_as(con, file, rows)
        )
    if rows.relation:
        _create_as(con, file, rows)
        con.execute(f"drop table {relation}")
    return rows


def _create_from_parquet(con: duckdb.DuckDBPyConnection, file: TableFile, rows: TextRows) -> None:
    """Create the table; Unreadable where the file is damaged behind its header."""
    import duckdb

    try:
        _create_as(con, file, rows)
    except duckdb.Error as error:
        if as_mistake(error):
            raise
        raise Unreadable("not-parquet", "the file is damaged, or not Parquet") from None


def _create_as(con: duckdb.DuckDBPyConnection, file: TableFile, source: TextRows) -> int:
    """Create the table in the order of the file: a row's place in it is what tells its line.

    Return how many rows it has.

    DuckDB makes a join of an IN with several codes, and a join on several threads mixes the rows.
    """
    select = staging_sql(source, file.table, file.wanted)
    con.execute("set disabled_optimizers = 'in_clause'")
    try:
        made = one(con, f"create or replace temp table typed_{file.table} as {select}")
    finally:
        con.execute("reset disabled_optimizers")
    return int(made[0])


def number_trips(con: duckdb.DuckDBPyConnection) -> None:
    """Number the trips that are kept, in file order: call before the other tables are read."""
    con.execute("""
        create or replace temp table repeated_trips as
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


def keep_trips(con: duckdb.DuckDBPyConnection, file: str, *, faulty: bool = True) -> None:
    """Set aside the rows of trips that are not kept.

    Where no row is `faulty` in itself none is looked for, here as in `keep_rows`.
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


def keep_rows(
    con: duckdb.DuckDBPyConnection, table: str, file: str, *, faulty: bool = True
) -> None:
    """Set aside the rows of a table other than trips that cannot be used or belong nowhere."""
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
    if table in OF_THE_SERVICE:
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


def mention_identical(
    con: duckdb.DuckDBPyConnection, table: str, file: str, findings: Findings
) -> None:
    """Say how many rows repeat another throughout; they are kept, for that is legal."""
    columns = ", ".join(quoted(name) for name in TABLES[table].to_schema().columns)
    (repeats,) = one(
        con,
        f"""
        select coalesce(sum(n - 1), 0) from (
            select count(*) as n from ({_perhaps_identical(table)}) group by trip_key, {columns})
        """,
    )
    if repeats:
        findings.mention(
            file,
            f"rows that repeat another row throughout: {repeats}; they were kept, as that may be"
            " so",
        )


def _perhaps_identical(table: str) -> str:
    """SQL for the rows among which all are that repeat another one throughout."""
    if "at_s" not in TABLES[table].to_schema().columns:
        return good_rows(table)
    same = "({0}(trip_key) over () = trip_key and {0}(at_s) over () = at_s)"
    return f"{good_rows(table)} qualify {same.format('lag')} or {same.format('lead')}"


def mention_older_held(con: duckdb.DuckDBPyConnection, file: str, findings: Findings) -> None:
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


def of_trips(table: str) -> bool:
    """Whether the rows of a table belong to trips, and so have the key of one."""
    return table not in ("trips", *OF_THE_SERVICE)


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
