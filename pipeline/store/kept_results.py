"""Results that are heavy to make, kept in the store under what they were made from.

    made_from = made_from_hash(state(con, CONTENT), month)
    frames = kept(con, f"curves {month}", made_from, lambda: curves(con, month))

They are no part of the history: a store without them gives the same pages, more slowly. What they
are made from is told by hashes: of the store's tables (`state`), of the program (`program`), and of
plain arguments. A result may be anything of plain values, frames, and classes of this program.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import pickle
import zlib
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pipeline.store.database import one, transaction
from schemas.connection import Connection

Made = TypeVar("Made")

MOST_BYTES = 256 * 2**20
"""What all results together may take; beyond it the oldest go."""

EMPTY = "0 0"
"""The mark of a table without rows."""

OWN = ("pipeline.", "reports.", "schemas.")
PLAIN = {
    "builtins": ("bytearray", "complex", "frozenset", "range", "set", "slice"),
    "_codecs": ("encode",),
    "markupsafe": ("Markup",),
    "numpy": ("dtype", "ndarray"),
    "numpy._core.multiarray": ("_reconstruct", "scalar"),
    "numpy._core.numeric": ("_frombuffer",),
    "numpy.ma": ("MaskedArray",),
    "numpy.ma.core": ("_mareconstruct",),
}  # fmt: skip
"""What else a result may be made of: a store from elsewhere must not run anything when read."""

_LAYOUT = """
    CREATE SCHEMA IF NOT EXISTS kept;
    CREATE TABLE IF NOT EXISTS kept.made (
        made_no BIGINT NOT NULL, name VARCHAR NOT NULL, made_from VARCHAR NOT NULL,
        content BLOB NOT NULL);
    DROP TABLE IF EXISTS kept.result
"""


def made_from_hash(*parts: Any) -> str:
    """One hash over parts that JSON can write, in their order."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()


def kept(
    con: Connection, name: str, made_from: str | Callable[[], str], make: Callable[[], Made]
) -> Made:
    """What `make` gives, or what it gave when `name` was made from the same by the same program.

    One result is kept under each name, the latest. `made_from` is a function where `make` itself
    writes into the store what it is made from: a result is kept under what was there afterwards.
    A store open for reading only keeps nothing.
    """

    def asked() -> str:
        return made_from() if callable(made_from) else made_from

    for found in found_kept(con, name, asked()):
        return found  # type: ignore[no-any-return]
    made = make()
    keep(con, name, asked(), made)
    return made


def keep(con: Connection, name: str, made_from: str, made: Any) -> None:
    """Keep a result that was made already; the oldest go where there are too many."""
    if writable(con):
        _make_room(con)
        with transaction(con):
            _keep(con, name, made_from, made)


def keep_tables(con: Connection, names: Sequence[str], made_from: str) -> None:
    """Keep temporary tables, all in place of those kept before: of one month there are some."""
    if not writable(con):
        return
    _make_room(con)
    with transaction(con):
        for name in names:
            con.execute(f"CREATE OR REPLACE TABLE kept.{name} AS FROM temp.{name}")
        _keep(con, "tables", made_from, tuple(names))


def _anything(con: Connection) -> bool:
    """Whether results are kept in this store at all."""
    asked = "SELECT 1 FROM duckdb_tables() WHERE schema_name = 'kept' AND table_name = 'made'"
    return bool(con.execute(asked).fetchall())


def _make_room(con: Connection) -> None:
    if not _anything(con):
        con.execute(_LAYOUT)


def _keep(con: Connection, name: str, made_from: str, made: Any) -> None:
    content = zlib.compress(pickle.dumps(made, protocol=5), level=1)
    last, taken = one(
        con,
        "SELECT coalesce(max(made_no), 0), coalesce(sum(octet_length(content)), 0) FROM kept.made",
    )
    con.execute("DELETE FROM kept.made WHERE name = ?", [name])
    row = [last + 1, name, made_from_hash(program(), made_from), content]
    con.execute("INSERT INTO kept.made VALUES (?, ?, ?, ?)", row)
    if taken + len(content) > MOST_BYTES:
        con.execute(
            """DELETE FROM kept.made WHERE made_no IN (
                   SELECT made_no FROM kept.made
                   QUALIFY sum(octet_length(content)) OVER (ORDER BY made_no DESC) > ?)""",
            [MOST_BYTES],
        )


def use_kept_tables(con: Connection, made_from: str) -> bool:
    """Let the kept tables be found by their names, if they were made from this; whether they were.

    A temporary table goes before a kept one of its name.
    """
    kept_now = bool(found_kept(con, "tables", made_from))
    if kept_now:
        con.execute("SET search_path = 'main,kept'")
    return kept_now


def found_kept(con: Connection, name: str, made_from: str) -> list[Any]:
    """What is kept under `name`, if it was made from the same; an empty list if nothing is."""
    if not _anything(con):
        return []
    asked = "SELECT content FROM kept.made WHERE name = ? AND made_from = ?"
    rows = con.execute(asked, [name, made_from_hash(program(), made_from)]).fetchall()
    try:
        return [_Reader(io.BytesIO(zlib.decompress(content))).load() for (content,) in rows]
    except (pickle.UnpicklingError, zlib.error, EOFError):
        # damaged, or made of something that is not read back: it can be made again
        return []


def state(con: Connection, schema: str, *left_out: str) -> dict[str, str]:
    """A mark of each table of a schema of the store, but for those left out; changes with any row.

    Where rows stand does not enter. A mark is not proof against somebody who seeks one alike. Call
    outside a transaction: it looks only into tables that are known to have rows.
    """
    tables = con.execute(
        "SELECT table_name, estimated_size > 0 FROM duckdb_tables()"
        " WHERE schema_name = ? AND NOT temporary ORDER BY table_name",
        [schema],
    ).fetchall()
    marks = {name: EMPTY for name, _ in tables if name not in left_out}
    asked = " UNION ALL ".join(
        f"SELECT '{name}', count(*) || ' ' || coalesce(sum(hash(t)), 0) FROM {schema}.\"{name}\" t"
        for name, has_rows in tables
        if has_rows and name in marks
    )
    return marks | dict(con.execute(asked).fetchall() if asked else ())


def table_marks(con: Connection, names: Sequence[str]) -> dict[str, tuple[int, str]]:
    """How many rows each of these temporary tables has, and a mark of them.

    The mark changes with any row, with their order, and with a column's name or type.
    """
    marks = " UNION ALL ".join(
        f"SELECT '{name}' AS name, count(*) AS length, sum(hash(t, rowid)) AS mark FROM {name} t"
        for name in names
    )
    rows = con.execute(f"""
        SELECT name, length, concat_ws(' ', length, mark, sql) FROM ({marks})
        JOIN duckdb_tables() t ON t.temporary AND t.table_name = name ORDER BY name""").fetchall()
    return {name: (int(length), made_from_hash(mark)) for name, length, mark in rows}


@cache
def program() -> str:
    """A mark of this program: its files, the interpreter and every library installed beside it."""
    import platform
    import sys

    top = Path(__file__).parents[2]
    marks = [sys.version, platform.machine()]
    for room in OWN:
        for folder, folders, names in os.walk(top / room.rstrip(".")):
            folders[:] = sorted(name for name in folders if name != "__pycache__")
            for name in sorted(names):
                with open(f"{folder}/{name}", "rb") as file:  # noqa: PTH123 - a third of the time
                    digest = hashlib.sha256(file.read()).hexdigest()
                marks.append(f"{os.path.relpath(folder, top)} {name} {digest}")
    for place in sys.path:
        if place.endswith("site-packages") and os.path.isdir(place):  # noqa: PTH112
            marks += sorted(n for n in os.listdir(place) if n.endswith(".dist-info"))  # noqa: PTH208
    return made_from_hash(marks)


class _Reader(pickle.Unpickler):
    """Reads what was kept; of classes only our own data, and what frames are made of."""

    def find_class(self, module: str, name: str) -> Any:
        own = module.startswith(OWN) and "." not in name
        if own or name in PLAIN.get(module, ()):
            found = super().find_class(module, name)
            if not own or isinstance(found, type):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no part of a result")


def writable(con: Connection) -> bool:
    """Whether the store at hand may be written."""
    return con.execute("SELECT current_setting('access_mode')").fetchone() != ("read_only",)
