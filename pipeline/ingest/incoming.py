"""Where the good rows of long files wait until their delivery is stored: a database of its own.

It lies beside the store and is compressed as the store is: in memory they would take many times as
much. It goes when the delivery is stored or refused; opening the store removes a killed run's.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.store.database import ASIDE, one
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import duckdb

INCOMING = "incoming"
LONG_FILE_BYTES = 32 << 20
"""Files from this size on wait there, others in memory."""


def waiting_place(con: duckdb.DuckDBPyConnection, bytes_of_file: int) -> str:
    """The database that a file's good rows wait in; made where it is needed and not there."""
    if bytes_of_file < LONG_FILE_BYTES:
        return "temp"
    if _attached(con) is None:
        path = _path_of(con, "current_database()")
        if path is None:
            return "temp"
        aside = path.with_name(f"{path.name}.{INCOMING}{ASIDE}")
        con.execute(f"attach {literal(str(aside))} as {INCOMING}")
    return INCOMING


def close_incoming(con: duckdb.DuckDBPyConnection) -> None:
    """Take the database away, if there is one; nothing may be asked of it any more."""
    path = _attached(con)
    if path is None:
        return
    con.execute("set checkpoint_on_detach = 'disabled'")
    con.execute(f"detach {INCOMING}")
    con.execute("reset checkpoint_on_detach")
    for left in (path, path.with_name(f"{path.name}.wal")):
        left.unlink(missing_ok=True)


def _attached(con: duckdb.DuckDBPyConnection) -> Path | None:
    return _path_of(con, literal(INCOMING))


def _path_of(con: duckdb.DuckDBPyConnection, name: str) -> Path | None:
    """Where the database of that name lies; None if there is none, or none on disk."""
    (path,) = one(con, f"select max(path) from duckdb_databases() where database_name = {name}")
    return Path(path) if path else None
