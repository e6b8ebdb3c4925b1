"""Where a month's workbook goes: beside a filled one, never over it."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused
from pipeline.loop.determine import TAB
from pipeline.loop.sheets import Cells, read_sheet
from pipeline.loop.tables import insert
from pipeline.store import transaction
from schemas.loop import DeterminationsSheet
from schemas.loop_outputs import MONTH_TABLES

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from schemas.loop_outputs import LoopReview

NAME = re.compile(r"review(?:-([2-9]|[1-9][0-9]+))?\.xlsx")


@dataclass(frozen=True)
class Place:
    """Where the workbook is to be written, and what filled ones say that was not read back."""

    path: Path
    pending: list[Cells]
    unreadable: tuple[str, ...]


def workbook_place(con: duckdb.DuckDBPyConnection, folder: Path, month: str) -> Place:
    """Find the name for the month's workbook in `folder`.

    A workbook that is no longer as it was written belongs to whoever filled it in: the next
    number is taken, and its answers are carried over.
    """
    written = dict(
        con.execute("SELECT file, sha256 FROM loop.workbook WHERE month = ?", [month]).fetchall()
    )
    there = sorted(
        (int(found[1] or 1), path)
        for path in (folder.iterdir() if folder.exists() else ())
        if (found := NAME.fullmatch(path.name))
    )
    pending: list[Cells] = []
    unreadable = []
    free = 1
    for number, path in there:
        if _sha256(path) == written.get(path.name):
            free = number
            continue
        free = number + 1
        try:
            pending += [r.cells for r in read_sheet(path, DeterminationsSheet, TAB).rows]
        except Refused:
            unreadable.append(path.name)
    return Place(folder / _name(free), pending, tuple(unreadable))


def workbook_tables(con: duckdb.DuckDBPyConnection, loop: LoopReview) -> dict[str, pd.DataFrame]:
    """Every data file of the month as a frame, by name; call after they were written."""
    names = con.execute("""
        SELECT name FROM (
            SELECT view_name AS name, temporary FROM duckdb_views()
            UNION SELECT table_name, temporary FROM duckdb_tables())
        WHERE temporary AND starts_with(name, 'out_') ORDER BY name
    """).fetchall()
    tables = {name.removeprefix("out_"): con.execute(f"FROM {name}").df() for (name,) in names}
    answered = {name: getattr(loop, name) for name in MONTH_TABLES if name != TAB}
    return {**tables, **answered}


def note_workbook(con: duckdb.DuckDBPyConnection, path: Path, month: str) -> None:
    """Remember the workbook as it was just written."""
    with transaction(con):
        con.execute("DELETE FROM loop.workbook WHERE month = ? AND file = ?", [month, path.name])
        insert(con, "workbook", [(month, path.name, _sha256(path))])


def _name(number: int) -> str:
    return "review.xlsx" if number == 1 else f"review-{number}.xlsx"


def _sha256(path: Path) -> str:
    """Of the file's bytes; of a file that cannot be read nothing, so that it counts as filled."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
