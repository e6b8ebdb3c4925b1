"""Where a month's workbook goes: into `FOLDER/sheets`, beside a filled one, never over it.

Nothing else is written there, and the folder as a whole is never replaced: people write into it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused
from pipeline.followup.determine import TAB
from pipeline.followup.sheets import Cells, read_sheet
from pipeline.store.database import transaction
from pipeline.store.followup_tables import insert
from schemas.connection import Connection
from schemas.followup import DeterminationsSheet
from schemas.followup_outputs import MONTH_TABLES
from schemas.frame import Frame
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.month.record_and_answers import Month

SHEETS = "sheets"
NUMBER = r"(?:-([2-9]|[1-9][0-9]+))?\.xlsx"
"""How the names of a month's first and later workbooks end."""

FORMER = re.compile(rf"review{NUMBER}")
"""Workbooks of version 0.1.0, in the month's own folder."""


@dataclass(frozen=True)
class Place:
    """Where the workbook is to be written, and what filled ones say that was not read back.

    `superseded`: names of untouched workbooks in the month's own folder, from before there was a
    folder for them.
    """

    path: Path
    pending: list[Cells]
    unreadable: tuple[str, ...]
    superseded: tuple[str, ...]


def workbook_place(con: Connection, folder: Path, month: str) -> Place:
    """Find the name for the month's workbook in the sheets of the store folder `folder`.

    A workbook that is no longer as it was written belongs to whoever filled it in: the next
    number is taken, and its answers are carried over.
    """
    written = set(
        con.execute("SELECT file, sha256 FROM loop.workbook WHERE month = ?", [month]).fetchall()
    )
    pending: list[Cells] = []
    unreadable, superseded = [], []
    free = 1
    former = _numbered(folder / month, FORMER)
    own = _numbered(folder / SHEETS, re.compile(rf"{month}{NUMBER}"))
    for number, path in [*former, *own]:
        if (path.name, _sha256(path)) in written:
            if path.parent.name == SHEETS:
                free = number
            else:
                superseded.append(path.name)
            continue
        if path.parent.name == SHEETS:
            free = number + 1
        try:
            pending += [r.cells for r in read_sheet(path, DeterminationsSheet, TAB).rows]
        except Refused:
            unreadable.append(path.name)
    return Place(
        folder / SHEETS / _name(month, free), pending, tuple(unreadable), tuple(superseded)
    )


def _numbered(folder: Path, name: re.Pattern[str]) -> list[tuple[int, Path]]:
    """Workbooks with such a name by their number; the first has none."""
    return sorted(
        (int(found[1] or 1), path)
        for path in (folder.iterdir() if folder.is_dir() else ())
        if (found := name.fullmatch(path.name))
    )


def workbook_tables(
    con: Connection, month: Month, most: int, same: Collection[str]
) -> tuple[dict[str, Frame | None], dict[str, int]]:
    """The first `most` rows of every data file of the month by name, and how long each is.

    What the review has as a frame is not read once more; None for those whose sheets are the `same`
    as they stand.
    """
    review, names = month.review, sorted(month.tables)
    assert review.figures is not None
    own = {name: getattr(review, name) for name in ("cases", "measures", "occlusions", "problems")}
    frames = {**vars(review.figures), **own}
    tables = {
        name: None if name in same
        else frames[name].rows(slice(most)) if name in frames
        else Frame.read(con.execute(f"FROM out_{name} LIMIT {most}"))
        for name in names
    }  # fmt: skip
    lengths = {name: length for name, (length, _) in month.tables.items()}
    answered = {name: getattr(review.followup, name) for name in MONTH_TABLES if name != TAB}
    return {**tables, **answered}, lengths


def finish_workbook(con: Connection, place: Place, month: str, sheet: Path) -> None:
    """Give the workbook written as `sheet` its name, and remember it as it was written.

    It is remembered before it has its name, and the one before it until then: whenever the command
    is killed, an untouched workbook is known as one.
    """
    name = place.path.name
    written = _sha256(sheet)
    with transaction(con):
        insert(con, "workbook", [(month, name, written)])
    place.path.parent.mkdir(exist_ok=True)
    sheet.replace(place.path)
    with transaction(con):
        con.execute("DELETE FROM loop.workbook WHERE month = ? AND file = ?", [month, name])
        insert(con, "workbook", [(month, name, written)])


def _name(month: str, number: int) -> str:
    return f"{month}.xlsx" if number == 1 else f"{month}-{number}.xlsx"


def _sha256(path: Path) -> str:
    """Of the file's bytes; of a file that cannot be read nothing, so that it counts as filled."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
