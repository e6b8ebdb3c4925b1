"""Opening the store for a command of the follow-up: a second process waits, then says so."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import Refused, usage
from pipeline.store import owners
from pipeline.store.database import open_store
from pipeline.store.recovery import recover
from schemas.connection import Connection

STORE = "store.duckdb"
PATIENCE_S = 10.0
PAUSE_S = 0.25


def open_waiting(
    path: Path,
    *,
    create: bool = False,
    read_only: bool = False,
    patience_s: float = PATIENCE_S,
    threads: int | None = None,
) -> Connection:
    """Open the store; while another process holds it, try again for `patience_s` seconds.

    Refused (store-locked, with the holder's process number) if it is held for longer.
    """
    for _ in range(max(0, round(patience_s / PAUSE_S))):
        try:
            return open_store(path, create=create, read_only=read_only, threads=threads)
        except Refused as refused:
            if refused.problems[0].code != "store-locked":
                raise
        time.sleep(PAUSE_S)
    return open_store(path, create=create, read_only=read_only, threads=threads)


@contextmanager
def store_in(folder: Path, *, read_only: bool = False) -> Iterator[Connection]:
    """The store of a folder of pages, open for as long as the block runs."""
    con = open_waiting(folder / STORE, read_only=read_only)
    try:
        if not read_only:
            tidy(con, folder)
        yield con
    finally:
        con.close()


def tidy(con: Connection, folder: Path) -> None:
    """Finish or remove what a killed command left, and close to others what was made open.

    Call with the store of `folder` open for writing.
    """
    recover(con, folder)
    own = (folder / STORE, folder / f"{STORE}.wal", folder / "sheets", folder / "assets")
    assets = (folder / "assets").glob("*")
    months = (path for path in folder.iterdir() if re.fullmatch(r"[0-9]{4}-[0-9]{2}", path.name))
    for path in (*own, *assets, *months):
        owners.close_to_others(path)
    owners.let_in(folder)


def check_token(value: str | None, option: str = "--by") -> None:
    """Usage if `value` is not a token that may stand in the store."""
    from schemas.contract import TOKEN_PATTERN

    if value is not None and not re.fullmatch(TOKEN_PATTERN, value):
        what = "must be a token: 1 to 64 characters on one line, not beginning with = + - or @"
        raise usage("not-a-token", option, what, remedy="Name another.")
