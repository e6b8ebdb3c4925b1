"""Where a delivery is until it is stored: databases beside the store, which any connection sees.

`staged` has its tables, and `found` what was found of them. Both are in memory, and names without
a database are looked for there, too. The good rows of long files wait in `incoming`, which lies in
a file beside the store and is compressed as the store is: in memory, where it is if the store is
there, they take many times as much. All go when the delivery is stored or refused; opening the
store removes a killed run's file.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.store.database import ASIDE, one
from pipeline.store.sql import literal, quoted

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest.file_readers import TableFile

STAGED, FOUND, INCOMING = "staged", "found", "incoming"
LONG_FILE_BYTES = 32 << 20
"""Files from this size on wait in `incoming`, others in memory."""

ROWS_OF_A_GROUP = 2 * 122_880
"""Rows wait in groups twice as large as those of the store: what is left of a group without its bad
rows still fills one there, else the database puts it together with the next, row by row."""


def open_places(con: duckdb.DuckDBPyConnection) -> None:
    """Make the two in memory, empty."""
    close_places(con)
    con.execute(f"attach ':memory:' as {STAGED}; attach ':memory:' as {FOUND}")
    look_into(con, STAGED, FOUND)


def look_into(con: duckdb.DuckDBPyConnection, *places: str) -> None:
    """Have names without a database looked for in these, too."""
    (store,) = one(con, "select current_database()")
    con.execute(f"set search_path = {literal(','.join([quoted(store), *places]))}")


def close_places(con: duckdb.DuckDBPyConnection) -> None:
    """Take all away that are there; nothing may be asked of them any more."""
    con.execute("reset search_path")
    for place in (STAGED, FOUND):
        con.execute(f"detach database if exists {place}")
    for path in _paths(con, literal(INCOMING)):
        con.execute("set checkpoint_on_detach = 'disabled'")
        con.execute(f"detach {INCOMING}")
        con.execute("reset checkpoint_on_detach")
        for left in (path, f"{path}.wal") if path else ():
            Path(left).unlink(missing_ok=True)


def is_long(file: TableFile) -> bool:
    """Whether the good rows of a file wait in `incoming`."""
    return file.content.path.stat().st_size >= LONG_FILE_BYTES


def waiting_place(con: duckdb.DuckDBPyConnection) -> str:
    """The database that good rows of long files wait in; made where it is not there."""
    if not some_wait(con):
        (path,) = _paths(con, "current_database()")
        aside = f"{path}.{INCOMING}{ASIDE}" if path else ":memory:"
        con.execute(f"attach {literal(aside)} as {INCOMING} (row_group_size {ROWS_OF_A_GROUP})")
    return INCOMING


def some_wait(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether good rows of long files wait."""
    return bool(_paths(con, literal(INCOMING)))


def _paths(con: duckdb.DuckDBPyConnection, name: str) -> list[str | None]:
    """Where the database of that name lies, None for one in memory; nothing if there is none."""
    select = f"select path from duckdb_databases() where database_name = {name}"
    return [path for (path,) in con.execute(select).fetchall()]
