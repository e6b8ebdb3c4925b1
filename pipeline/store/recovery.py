"""What a killed command left in a store folder: finished where the store says so, else removed."""

from __future__ import annotations

import hashlib
import logging
import re
from pathlib import Path

from pipeline.store.followup_tables import has_table
from pipeline.store.whole import DRAWING, OLD, carry_late, remove, take_place
from schemas.connection import Connection

PUBLICATION = "publication"
"""Beside the drawn pages of a publication: its number, written before the store has it."""

ASSETS = "assets"

COMES_AND_GOES = re.compile(r"(cases/[0-9a-f]{16}|brief-[0-9]+)\.html").fullmatch
"""Pages that come and go with what a month holds; an earlier run may have left some."""

PLACES = re.compile(r"(shared/)?[0-9]{4}-[0-9]{2}")
"""Folders of a store folder that are put together beside their place."""


def recover(con: Connection, folder: Path) -> None:
    """Finish or take away what a killed command left; say so on the program's log.

    Call while the store of `folder` is held.
    """
    aside = folder / DRAWING
    if not aside.is_dir():
        return
    done = [*_published(con, folder), *_renamed(folder)]
    remove(aside)
    said = f"{', '.join(done)} took its place" if done else "what it had drawn was removed"
    logging.getLogger("tailrace").warning("A command was stopped earlier: %s.", said)


def put_assets(made: Path, target: Path) -> None:
    """Add style, scripts and chart library to those there; pages of other months need theirs."""
    for path in sorted(made.glob("*")):
        target.mkdir(parents=True, exist_ok=True)
        there = target / path.name
        if not there.exists() or there.read_bytes() != path.read_bytes():
            path.replace(there)


def _published(con: Connection, folder: Path) -> list[str]:
    """A month whose publication the store has, and whose pages had no time to take their place."""
    note = folder / DRAWING / PUBLICATION
    number = note.read_text(encoding="ascii") if note.is_file() else ""
    if not number.isdecimal() or not has_table(con, "published_file"):
        return []
    rows = con.execute(
        "SELECT path, sha256, month FROM loop.published_file JOIN loop.publication"
        " USING (publication_no) WHERE publication_no = ?",
        [int(number)],
    ).fetchall()
    wanted = {path: sha for path, sha, month in rows if path.startswith(f"{month}/")}
    if not wanted or not _holds(folder / DRAWING, wanted) or _holds(folder, wanted):
        return []
    month = str(rows[0][2])
    take_place(folder / DRAWING / month, folder / month, COMES_AND_GOES)
    return [month]


def _holds(folder: Path, wanted: dict[str, str]) -> bool:
    return all(
        (folder / path).is_file()
        and hashlib.sha256((folder / path).read_bytes()).hexdigest() == sha
        for path, sha in wanted.items()
    )


def _renamed(folder: Path) -> list[str]:
    """Folders whose former self had been named aside, where names cannot be exchanged at once."""
    aside = folder / DRAWING
    done = []
    for old in sorted([*aside.glob(f"*{OLD}"), *aside.glob(f"*/*{OLD}")]):
        made = old.with_name(old.name.removesuffix(OLD))
        name = made.relative_to(aside).as_posix()
        if not PLACES.fullmatch(name):
            continue
        target = folder / name
        if not target.exists():
            (made if made.is_dir() else old).rename(target)
            done.append(name)
        if old.is_dir():
            carry_late(old, target, {}, COMES_AND_GOES)
    return done
