"""A delivery, sheet, store or folder that may not be read or written: a sentence, nothing changed.

Root may read and write everything, so the commands run as nobody, in processes of their own.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.faults import commands, world
from tests.faults.typed import typed
from tests.faults.world import World

pytestmark = pytest.mark.skipif(
    os.name != "posix" or os.geteuid() != 0, reason="only root may become nobody"
)

NOBODY = 65534


def as_nobody(made: World, name: str) -> None:
    """Give up root's rights for good."""
    world.plainly()
    # what nobody may not read of the installation is read before
    name = "second review" if name == "first review" else name
    warm = made.prepare(name, made.top / "warm")
    typed(*made.operations(warm)[name])
    shutil.rmtree(warm)
    os.setgroups([])
    os.setgid(NOBODY)
    os.setuid(NOBODY)


@pytest.fixture(scope="module")
def open_to_nobody(made: World) -> Iterator[World]:
    """Not below the folder of the tests, which nobody may enter."""
    with tempfile.TemporaryDirectory() as top:
        copy = World(Path(shutil.copytree(made.top, top, dirs_exist_ok=True)))
        give(copy.top)
        yield copy


def give(top: Path) -> None:
    """Let nobody own everything there."""
    for path in [top, *top.rglob("*")]:
        os.chown(path, NOBODY, NOBODY)


CASES = {
    "a delivery that may not be looked into": ("second review", "delivery", 0o000, 2),
    "a table that may not be read": ("second review", "delivery/settings.csv", 0o000, 3),
    "a folder that may not be written into": ("first review", "into", 0o555, 3),
    "a store that may not be written": ("determine", "into/store.duckdb", 0o444, 3),
    "a sheet that may not be read": ("determine", "answers.csv", 0o000, 2),
    "pages that may not be written": ("publish", "into", 0o555, 3),
    "a source that may not be read": ("map", "own/trips.csv", 0o000, 3),
}


@pytest.mark.parametrize("case", CASES)
def test_a_sentence_and_nothing_changed(open_to_nobody: World, case: str) -> None:
    made = open_to_nobody
    name, place, mode, code = CASES[case]
    into = made.prepare(name, made.top / "into")
    give(into)
    command = made.operations(into)[name]
    closed = made.top / place
    before, stored, was = world.units(into), world.tables(into), closed.stat().st_mode
    closed.chmod(mode)
    try:
        ended = commands.run(*command, before=partial(as_nobody, made, name))
    finally:
        closed.chmod(was)
    assert ended.code == code, ended
    assert "Traceback" not in ended.err
    assert closed.name in ended.err
    assert re.search("may not be|cannot be|is not readable", ended.err)
    assert (world.units(into), world.tables(into)) == (before, stored)
    shutil.rmtree(into)


def test_sheets_that_may_not_be_written_leave_no_page_half(open_to_nobody: World) -> None:
    """The store takes the delivery; what could not be written is said, and a rerun writes it."""
    made = open_to_nobody
    name = "replaced trips"
    into = made.prepare(name, made.top / "into")
    give(into)
    command = made.operations(into)[name]
    (into / "sheets").chmod(0o555)
    try:
        ended = commands.run(*command, before=partial(as_nobody, made, name))
    finally:
        (into / "sheets").chmod(0o755)
    assert "Traceback" not in ended.err
    assert ended.code in (0, 5), ended
    assert world.dangling(into) == []
    assert world.ledger_problems(into) == []
