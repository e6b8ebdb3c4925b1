"""The rows of a table that belong to trips: joined to them and put in order as they are read.

A long file is read in pieces, of each of which the good rows are added to `good_<table>` and all
others to `other_<table>`: so no more than a piece is ever held as it was read, and sorted at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.ingest.incoming import waiting_place
from pipeline.ingest.typed import CutInARowError, TableFile, in_pieces, whole
from pipeline.store.database import one, sql_type
from pipeline.store.sql import quoted
from schemas.contract import TABLES

if TYPE_CHECKING:
    from collections.abc import Iterator

    import duckdb

    from pipeline.files.rows import TextRows
    from pipeline.ingest.problems import Findings

SORTED_AT_ONCE = 2 << 20
"""Of a file that is read whole so many rows are sorted at a time."""

FILLED = (
    "case when raw is null then true"
    r" else regexp_matches(coalesce(array_to_string(raw, ''), ''), '\S') end"
)
"""Whether a row says anything: one without breaks a rule of every table, so its texts are kept."""


def stage_rows(con: duckdb.DuckDBPyConnection, file: TableFile, findings: Findings) -> None:
    """Make `kept_<table>` and `staged_<table>`, as `stage` describes them."""
    place = waiting_place(con, file.content.path.stat().st_size)
    into = f"{place}.good_{file.table}"
    try:
        blank, ends = _read(con, file, findings, in_pieces(con, file, findings), into)
    except CutInARowError:
        blank, ends = _read(con, file, findings, whole(con, file, findings), into)
    mention_blank(file, blank, findings)
    _sort_unless_in_order(con, file, ends, into)
    table, cells = file.table, cells_of(file) | {"trip_id": "null::VARCHAR"}
    con.execute(f"""
        create or replace temp view kept_{table} as
        select trip_key, line, {named(cells)} from {into};
        create or replace temp view staged_{table} as
        select *, 0 as reject_code, null::UTINYINT[] as codes, null::VARCHAR[] as raw
        from kept_{table} union all by name from other_{table};
    """)


def _read(
    con: duckdb.DuckDBPyConnection,
    file: TableFile,
    findings: Findings,
    sources: Iterator[TextRows],
    into: str,
) -> tuple[int, list[int]]:
    """Make `other_<table>` and the table `into` anew of all `sources`.

    Returns how many rows say nothing, and after how many good rows each part ended.
    """
    first = True
    all_blank, ends = 0, [0]
    for source in sources:
        reject = "reject_code" if source.relation else "0"
        rows, blank, faulty = look_through(con, file.table, reject)
        all_blank += blank
        if faulty:
            findings.faulty.add(file.table)
        for begins in range(0, max(rows, 1), SORTED_AT_ONCE):
            part = f"typed.rowid between {begins} and {begins + SORTED_AT_ONCE - 1}"
            own = (f"({source.line})::INTEGER", reject)
            to = _put(f"temp.other_{file.table}", first=first), _put(into, first=first)
            good = _take(con, file, own, part, to)
            ends.append(ends[-1] + good)
            first = False
        con.execute(f"drop table typed_{file.table}")
    return all_blank, ends


def _take(
    con: duckdb.DuckDBPyConnection,
    file: TableFile,
    own: tuple[str, str],
    part: str,
    to: tuple[str, str],
) -> int:
    """Put the rows of `part` where they belong; returns how many are good.

    `own`: SQL for a row's line and its reject code; `to`: what puts rows there, others and good.
    """
    table, (line, reject) = file.table, own
    first, last = one(
        con, f"select min(trip_id), max(trip_id) from typed_{table} typed where {part}"
    )
    # files mostly follow their trips: to join a part with its own is quicker than with all
    known = (
        f"typed_{table} typed left join (select trip_id, trip_key from kept_trips"
        " where trip_id between $first and $last) using (trip_id)"
    )
    kept = f"trip_key is not null and codes is null and {reject} = 0"
    stored = ", ".join(quoted(name) for name in file.wanted if name != "trip_id")
    cells = named(cells_of(file))
    con.execute(
        f"""
        {to[0]}
        select trip_key, {line} as line, {reject} as reject_code, {cells}, codes, raw
        from {known} where {part} and {FILLED} and not ({kept})""",
        {"first": first, "last": last},
    )
    (good,) = one(
        con,
        f"""
        {to[1]}
        select trip_key, {line} as line, {stored} from {known} where {part} and {kept}
        order by {", ".join(_order(file))}""",
        {"first": first, "last": last},
    )
    return int(good)


def _put(table: str, *, first: bool) -> str:
    """What puts the rows of a SELECT into a table, made anew by the `first` of them."""
    kind = "temp table" if table.startswith("temp.") else "table"
    return f"create or replace {kind} {table} as" if first else f"insert into {table}"


def _order(file: TableFile) -> list[str]:
    return ["trip_key", "at_s", "line"] if "at_s" in file.wanted else ["trip_key", "line"]


def _sort_unless_in_order(
    con: duckdb.DuckDBPyConnection, file: TableFile, ends: list[int], into: str
) -> None:
    """Sort the good rows as a whole, unless each part of them goes on where the last one ended."""
    places = [place for end in ends[1:-1] for place in (end - 1, end) if 0 < end < ends[-1]]
    if not places:
        return
    order = ", ".join(_order(file))
    rows = con.execute(
        f"select {order} from {into} where rowid in ({', '.join(map(str, places))}) order by rowid"
    ).fetchall()
    if rows != sorted(rows):
        con.execute(f"{_put(into, first=True)} from {into} order by {order}")


def look_through(con: duckdb.DuckDBPyConnection, table: str, reject: str) -> tuple[int, int, int]:
    """Count the rows of `typed_<table>`, those that say nothing, and the others with a fault."""
    return one(
        con,
        f"""
        select count(*), count(*) filter (not filled), count(*) filter (filled and faulty)
        from (select {FILLED} as filled, codes is not null or {reject} > 0 as faulty
              from typed_{table})
        """,
    )


def mention_blank(file: TableFile, blank: int, findings: Findings) -> None:
    """Say how many rows of a file say nothing, if any do."""
    if blank:
        what = f"rows without anything in them were left out: {blank}"
        findings.mention(file.content.name, what)


def cells_of(file: TableFile) -> dict[str, str]:
    """SQL for every column of the contract: null where a file does not have it."""
    return {
        name: quoted(name) if name in file.wanted else f"null::{sql_type(field)}"
        for name, field in TABLES[file.table].to_schema().columns.items()
    }


def named(cells: dict[str, str]) -> str:
    """The cells under their names."""
    return ", ".join(f"{cell} as {quoted(name)}" for name, cell in cells.items())
