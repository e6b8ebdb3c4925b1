"""Databases of this process that are used again: to make one takes twenty milliseconds, most of
what many tests take; to attach a file to one that is there takes one.

Whoever connects gets a database of his own, in which nothing but his file is attached, with the
settings he asked for and none that another left. With `--deep`, and in every other process, each is
made anew.
"""

from __future__ import annotations

from itertools import count
from pathlib import Path
from typing import Any

import duckdb

CONNECT = duckdb.connect
SETTINGS = ("memory_limit", "checkpoint_threshold", "preserve_insertion_order",
            "asof_loop_join_threshold", "temp_directory", "threads")  # fmt: skip
"""What may be set when a database is there. Whoever asks for more gets a new one."""
OF_A_FILE = "default_block_size"
LEFT = """SELECT database_name FROM duckdb_databases()
          WHERE NOT internal AND database_name <> 'memory'"""
MADE_ANEW = ("debug_force_external", "threads")
"""Settings that a test or the program may have changed since."""
FREE: list[duckdb.DuckDBPyConnection] = []
LENT: dict[int, tuple[duckdb.DuckDBPyConnection, str]] = {}
NUMBER = count()


class Lent(duckdb.DuckDBPyConnection):
    """A connection that gives its database back when it is closed, or forgotten."""

    __slots__ = ()

    def close(self) -> None:
        """As of any connection; its file is let go."""
        lent = LENT.pop(id(self), None)
        super().close()
        if lent:
            _take_back(lent[0])

    def cursor(self) -> duckdb.DuckDBPyConnection:
        """Another connection to the same file."""
        other = super().cursor()
        if id(self) in LENT:
            other.execute(f"USE {LENT[id(self)][1]}")
        return other

    def __exit__(self, *_: object) -> None:
        self.close()

    def __del__(self) -> None:
        self.close()


def connect(
    database: str | Path = ":memory:", read_only: bool = False, config: Any = None
) -> duckdb.DuckDBPyConnection:
    """As `duckdb.connect`, into a database that is there if one is free."""
    wanted = dict(config or {})
    block = wanted.pop(OF_A_FILE, None)
    if not wanted.keys() <= {*SETTINGS}:
        return CONNECT(database, read_only=read_only, config=config)
    root = _settled(wanted)
    own = f"store_{next(NUMBER)}"
    try:
        said = ", ".join([f"READ_ONLY {read_only}"] + [f"BLOCK_SIZE {block}"] * bool(block))
        path = str(database).replace("'", "''")
        root.execute(f"ATTACH '{path}' AS {own} ({said})")
    except BaseException:
        root.close()
        raise
    con = root.cursor()
    con.execute(f"USE {own}")
    con.__class__ = Lent
    LENT[id(con)] = (root, own)
    return con


def _settled(wanted: dict[str, Any]) -> duckdb.DuckDBPyConnection:
    """A database with the settings that are asked for; one that does not take them is let go."""
    while FREE:
        root = FREE.pop()
        try:
            _settle(root, wanted)
        except duckdb.Error:  # as where it has spilled into the folder of another
            root.close()
        else:
            return root
    root = CONNECT()
    _settle(root, wanted)
    return root


def _settle(root: duckdb.DuckDBPyConnection, wanted: dict[str, Any]) -> None:
    """What is not asked for is as it is at first."""
    for name in MADE_ANEW:
        if name not in wanted:
            root.execute(f"RESET {name}")
    for name in SETTINGS:
        if name in wanted:
            root.execute(f"SET {name} = $1", [wanted[name]])
        elif name not in MADE_ANEW:
            root.execute(f"RESET {name}")


def _take_back(root: duckdb.DuckDBPyConnection) -> None:
    """Let go of every file; what cannot be let go of is not used again."""
    try:
        for (name,) in root.execute(LEFT).fetchall():
            root.execute(f"DETACH {name}")
    except duckdb.Error:
        root.close()
    else:
        FREE.append(root)
