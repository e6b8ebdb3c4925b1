"""The rows of a table that belong to trips: cast, checked and joined to them as they are read.

A long file is read in pieces, as many at a time as there are threads, each into a table of its
own: one row after the other, so that nothing of it is held and the file's order stays. Meanwhile
the shorter ones are read, and what was read before is looked through.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from pipeline.ingest.file_readers import CutInARowError, TableFile, readers, whole
from pipeline.ingest.places import STAGED, is_long, waiting_place
from pipeline.ingest.validate import cast_sql, codes_sql
from pipeline.store.database import one, sql_type
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.contract import OF_THE_SERVICE, TABLES
from schemas.record import dataclass

if TYPE_CHECKING:
    from concurrent.futures import Future

    from pipeline.files.text_rows import TextRows
    from pipeline.ingest.file_readers import Reader
    from pipeline.ingest.problems import Findings

FILLED = (
    "case when raw is null then true"
    r" else regexp_matches(coalesce(array_to_string(raw, ''), ''), '\S') end"
)
"""Whether a row says anything: one without breaks a rule of every table, so its texts are kept."""


@dataclass(frozen=True)
class Rows:
    """A table of rows as they were read, and SQL for the line and reject code of each."""

    relation: str
    line: str
    reject: str


Begun = dict[str, "list[Future[list[Rows]]]"]
"""By table the pieces of its file that are being read, in the order of the file."""


def of_trips(table: str) -> bool:
    """Whether the rows of a table belong to trips, and so have the key of one."""
    return table not in ("trips", *OF_THE_SERVICE)


@contextmanager
def reading(con: Connection, files: list[TableFile]) -> Iterator[Begun]:
    """Begin to read the long ones of `files`, one piece after the other on every processor.

    Call when the trips are numbered, and stage the tables, long and short, before it ends.
    """
    # a left join that is built on the rows that are read would hold them all and mix them
    con.execute("set disabled_optimizers = 'build_side_probe_side'")
    (threads,) = one(con, "select current_setting('threads')")
    long = [file for file in files if of_trips(file.table) and is_long(file)]
    try:
        if threads == 1 or not long:
            yield {}
            return
        from concurrent.futures import ThreadPoolExecutor

        waiting_place(con)
        # a piece is read by one thread; more than there are processors only stand in the way
        con.execute("set threads = 1")
        with ThreadPoolExecutor(threads) as pool:
            try:
                yield {
                    file.table: [
                        pool.submit(_take, file, con.cursor(), _name(con, file, n), read)
                        for n, read in enumerate(readers(con, file))
                    ]
                    for file in long
                }
            finally:
                pool.shutdown(cancel_futures=True)
    finally:
        con.execute(f"set threads = {threads}; reset disabled_optimizers")


def stage_rows(con: Connection, file: TableFile, findings: Findings, begun: Begun) -> None:
    """Make `kept_<table>` and `staged_<table>`, as `stage` describes them."""
    parts = _read(con, file, findings, begun.get(file.table, []))
    _tell_others(con, file, parts, findings)
    kept = _in_order(con, file, parts, _name(con, file, "sorted"))
    table, cells = file.table, cells_of(file) | {"trip_id": "null::VARCHAR"}
    con.execute(f"""
        create or replace view {STAGED}.kept_{table} as
        select trip_key, line, {named(cells)} from {kept};
        create or replace view {STAGED}.staged_{table} as
        select *, 0 as reject_code, null::UTINYINT[] as codes, null::VARCHAR[] as raw
        from kept_{table} union all by name from other_{table};
    """)


def _name(con: Connection, file: TableFile, part: int | str) -> str:
    """What a table is called that part of a file is read into."""
    return f"{waiting_place(con) if is_long(file) else STAGED}.read_{file.table}_{part}"


def _read(
    con: Connection, file: TableFile, findings: Findings, begun: list[Future[list[Rows]]]
) -> list[Rows]:
    """Read a file into tables, unless that is begun, and return them in the order of the file."""
    take = partial(_take, file, con)
    try:
        found = [piece.result() for piece in begun] or [
            take(_name(con, file, n), read) for n, read in enumerate(readers(con, file))
        ]
    except CutInARowError:
        found = []
    if found:
        return [rows for parts in found for rows in parts]
    relation = _name(con, file, "whole")
    return take(relation, lambda con, create: [whole(con, file, findings, create)])


def _take(file: TableFile, con: Connection, relation: str, read: Reader) -> list[Rows]:
    """Read one piece of a file into tables called after `relation`."""

    def create(rows: TextRows) -> int:
        # numbered, for which DuckDB takes one row after the other: a row's place tells its line
        numbered = f"select *, row_number() over () as place from ({rows.sql})"
        joined = (
            f"select own.*, kept.trip_key from ({numbered}) own"
            f" left join {STAGED}.kept_trips kept using (trip_id) where place > 0"
        )
        own = ["trip_key", *(["line", "reject_code"] if rows.relation else [])]
        cast = cast_sql(replace(rows, sql=joined), file.table, file.wanted, own, of_kept=True)
        select = f"select * exclude (trip_id) from ({cast})"
        made = one(con, f"create or replace table {name(rows)} as {select}")
        return int(made[0])

    def name(rows: TextRows) -> str:
        return f"{relation}_cut" if rows.relation else relation

    return [
        Rows(name(rows), f"({rows.line})::INTEGER", "reject_code" if rows.relation else "0")
        for rows in read(con, create)
    ]


def _tell_others(con: Connection, file: TableFile, parts: list[Rows], findings: Findings) -> None:
    """Make `other_<table>` of the rows that are not kept, and say how many say nothing."""
    cells, codes = cells_of(file), "null::UTINYINT[]"
    some = any(
        one(con, f"select exists (from {part.relation} where raw is not null)")[0] for part in parts
    )
    if some:
        findings.not_kept.add(file.table)
        codes = codes_sql(file.table, file.wanted)
    selects = " union all ".join(
        f"""
        select trip_key, {part.line} as line, {part.reject} as reject_code, {named(cells)}, raw,
            case when {part.reject} = 0 then {codes} end as every
        from (select rowid, *, raw[1] as trip_id from {part.relation} where raw is not null)"""
        for part in parts
    )
    con.execute(f"""
        create or replace table {STAGED}.other_{file.table} as
        select * exclude (every), case when list_max(every) > 0 then every end as codes
        from ({selects})""")
    if not some:
        return
    (blank,) = one(con, f"delete from other_{file.table} where not ({FILLED})")
    mention_blank(file, blank, findings)
    (faulty,) = one(
        con,
        f"select count(*) from other_{file.table} where codes is not null or reject_code > 0",
    )
    if faulty:
        findings.faulty.add(file.table)


def _in_order(con: Connection, file: TableFile, parts: list[Rows], into: str) -> str:
    """SQL for the good rows in the order they are stored in: as they are, or sorted into `into`."""
    stored = ", ".join(quoted(name) for name in file.wanted if name != "trip_id")
    good = " union all ".join(
        f"select trip_key, {part.line} as line, {stored} from {part.relation} where raw is null"
        for part in parts
    )
    order = ["trip_key", "at_s", "line"] if "at_s" in file.wanted else ["trip_key", "line"]
    if not _misplaced(con, file.table, good, order):
        return f"({good})"
    con.execute(f"create or replace table {into} as from ({good}) order by {', '.join(order)}")
    for part in parts:
        con.execute(f"drop table {part.relation}")
    _misplaced(con, file.table, f"from {into}", order)
    return into


def _misplaced(con: Connection, table: str, rows: str, order: list[str]) -> bool:
    """Whether some rows stand before one that they should stand behind.

    Where rows have times this makes `repeated_times_<table>`: trip_key and at_s of the rows behind
    another one of the same trip and time.
    """
    con.execute(
        f"create or replace table {STAGED}.repeated_times_{table} as"
        f" {misplaced_or_again(rows, order)}"
    )
    (found,) = one(con, f"select count(*) filter (misplaced) from repeated_times_{table}")
    return bool(found)


def misplaced_or_again(rows: str, order: list[str]) -> str:
    """SQL for the rows that are `misplaced`, or have the same trip and time as the one before."""
    names, before = ", ".join(order), ", ".join(f'lag({n}) over () as "before~{n}"' for n in order)
    *told, _ = order
    same = " and ".join(f'{name} = "before~{name}"' for name in told)
    return f"""
        select {", ".join(told)}, {_later(order)} as misplaced
        from (select {names}, {before} from ({rows}))
        where misplaced {f"or {same}" if "at_s" in told else ""}"""


def _later(order: list[str]) -> str:
    """SQL for whether the row before a row should stand behind it."""
    first, *rest = order
    if not rest:
        return f'"before~{first}" > {first}'
    return f'("before~{first}" > {first} or "before~{first}" = {first} and {_later(rest)})'


def look_through(con: Connection, table: str, reject: str) -> tuple[int, int, int]:
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
