"""Where a month's workbook goes: beside a filled one, never over it."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused
from pipeline.followup.determine import TAB
from pipeline.followup.sheets import Cells, read_sheet
from pipeline.store.database import one, transaction
from pipeline.store.followup_tables import insert
from schemas.followup import DeterminationsSheet
from schemas.followup_outputs import MONTH_TABLES

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from schemas.followup_outputs import LoopReview

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


def workbook_tables(
    con: duckdb.DuckDBPyConnection, loop: LoopReview, most: int
) -> tuple[dict[str, pd.DataFrame], dict[str, int]]:
    """The first `most` rows of every data file of the month by name, and how long each is."""
    names = [
        name.removeprefix("out_")
        for (name,) in con.execute("""
            SELECT table_name FROM duckdb_tables()
            WHERE temporary AND starts_with(table_name, 'out_') ORDER BY table_name
        """).fetchall()
    ]
    tables = {name: con.execute(f"FROM out_{name} LIMIT {most}").df() for name in names}
    lengths = {name: int(one(con, f"SELECT count(*) FROM out_{name}")[0]) for name in names}
    answered = {name: getattr(loop, name) for name in MONTH_TABLES if name != TAB}
    return {**tables, **answered}, lengths


def aside(place: Place) -> Path:
    """Where the workbook is written before it takes its name: a kill leaves nothing under it."""
    return place.path.with_name(f"{place.path.name}.part")


def finish_workbook(con: duckdb.DuckDBPyConnection, place: Place, month: str) -> None:
    """Give the written workbook its name, and remember it as it was written."""
    written = _sha256(aside(place))
    aside(place).replace(place.path)
    with transaction(con):
        con.execute(
            "DELETE FROM loop.workbook WHERE month = ? AND file = ?", [month, place.path.name]
        )
        insert(con, "workbook", [(month, place.path.name, written)])


def _name(number: int) -> str:
    return "review.xlsx" if number == 1 else f"review-{number}.xlsx"


def _sha256(path: Path) -> str:
    """Of the file's bytes; of a file that cannot be read nothing, so that it counts as filled."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
