"""A month's folder and workbook as they stand: left alone while they would be drawn the same."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.kept_month import found_month, keep_answers
from pipeline.store.drawn_files import File, sha256, stands
from pipeline.store.kept_results import found_kept, keep
from pipeline.store.months import months_drawn
from pipeline.store.recovery import COMES_AND_GOES
from schemas.connection import Connection

if TYPE_CHECKING:
    from pipeline.followup.workbooks import Place
    from pipeline.month.record_and_answers import Month
    from pipeline.store.drawn_files import Drawn
    from pipeline.store.made_from import MadeFrom


def same_sheets(con: Connection, month: str, workbook: Path, marks: dict[str, str]) -> set[str]:
    """The tables whose sheet stands in the month's workbook as it would be written now.

    `marks`: of every table that has a sheet, in the order of the sheets.
    """
    for _, sha, _, sheets, _ in found_kept(con, f"drawn {month}", ""):
        if list(sheets) == list(marks) and sha256(workbook) == sha:
            return {name for name, mark in marks.items() if sheets[name] == mark}
    return set()


def standing(con: Connection, into: Path, made: MadeFrom, place: Place) -> list[Month]:
    """The month as its folder and workbook have it, if they stand as they would be drawn now."""
    if place.pending or place.unreadable or place.superseded:
        return []
    for of, workbook, site, _, files in found_kept(con, f"drawn {made.month}", ""):
        same = of == made.everything() and site == months_drawn(into, made.month)
        as_written = same and sha256(place.path) == workbook
        if as_written and stands(into / made.month, files, COMES_AND_GOES):
            return found_month(con, made)
    return []


def sheet_marks(month: Month) -> dict[str, str]:
    """Marks of the tables that have a sheet in the month's workbook, in the order of the sheets."""
    return {name: mark for name, (_, mark) in sorted(month.tables.items())}


def keep_standing(
    con: Connection, into: Path, made: MadeFrom, place: Place, month: tuple[Month, Drawn]
) -> None:
    """Keep what the month was drawn from and as; call once all of it has its place."""
    gathered, drawn = month
    of = made.everything()
    keep_answers(con, made, gathered)
    if place.pending or place.unreadable:
        # the workbook has more than the store: answers that were not read back
        of = ""
    assets = {
        f"../assets/{p.name}": File("", sha256(p)) for p in sorted((into / "assets").glob("*"))
    }
    months = months_drawn(into, made.month)
    files = {**drawn, **assets}
    as_it_is = (of, sha256(place.path), months, sheet_marks(gathered), files)
    keep(con, f"drawn {made.month}", "", as_it_is)
