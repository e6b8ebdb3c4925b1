"""Where the good rows of long files wait until their delivery is stored: a database of its own.

It lies beside the store and is compressed as the store is: in memory, where it is if the store is
there, they take many times as much. It goes when the delivery is stored or refused; opening the
store removes a killed run's.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.store.database import ASIDE
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest.typed import TableFile

INCOMING = "incoming"
LONG_FILE_BYTES = 32 << 20
"""Files from this size on wait there, others in memory."""


def is_long(file: TableFile) -> bool:
    """Whether the good rows of a file wait there."""
    return file.content.path.stat().st_size >= LONG_FILE_BYTES


def waiting_place(con: duckdb.DuckDBPyConnection) -> str:
    """The database that good rows wait in; made where it is not there."""
    if not _paths(con, literal(INCOMING)):
        (path,) = _paths(con, "current_database()")
        aside = f"{path}.{INCOMING}{ASIDE}" if path else ":memory:"
        con.execute(f"attach {literal(aside)} as {INCOMING}")
    return INCOMING


def close_incoming(con: duckdb.DuckDBPyConnection) -> None:
    """Take the database away, if there is one; nothing may be asked of it any more."""
    for path in _paths(con, literal(INCOMING)):
        con.execute("set checkpoint_on_detach = 'disabled'")
        con.execute(f"detach {INCOMING}")
        con.execute("reset checkpoint_on_detach")
        for left in (path, f"{path}.wal") if path else ():
            Path(left).unlink(missing_ok=True)


def _paths(con: duckdb.DuckDBPyConnection, name: str) -> list[str | None]:
    """Where the database of that name lies, None for one in memory; nothing if there is none."""
    select = f"select path from duckdb_databases() where database_name = {name}"
    return [path for (path,) in con.execute(select).fetchall()]
