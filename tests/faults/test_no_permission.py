"""A delivery, sheet, store or folder that may not be read or written: a sentence, nothing changed.

Root may read and write everything, so the commands run as nobody: in one process of their own.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from tests.acceptance.command_runs import Ran
from tests.faults import world
from tests.faults.typed import typed
from tests.faults.world import World
from tests.forks import forking

pytestmark = pytest.mark.skipif(
    os.name != "posix" or os.geteuid() != 0, reason="only root may become nobody"
)

NOBODY = 65534


def as_nobody(made: World, printed: Path) -> None:
    """Give up root's rights for good, then run the command of each case with its place closed."""
    world.plainly()
    # what nobody may not read of the installation is read before; one review is enough for all
    for name in {name for name, *_ in CASES.values()} - {"first review", "second review"}:
        typed(*made.operations(made.prepare(name, made.top / "warm"))[name])
    shutil.rmtree(made.top / "warm")
    os.setgroups([])
    os.setgid(NOBODY)
    os.setuid(NOBODY)
    for number, (name, place, mode, _) in enumerate(CASES.values()):
        into = made.top / f"into-{number}"
        closed = made.top / place.format(into=into.name)
        was = closed.stat().st_mode
        closed.chmod(mode)
        try:
            ran = typed(*made.operations(into)[name])
        finally:
            closed.chmod(was)
        (printed / f"{number}").write_text(json.dumps(asdict(ran)), encoding="utf-8")


def give(top: Path) -> None:
    """Let nobody own everything there."""
    for path in [top, *top.rglob("*")]:
        os.chown(path, NOBODY, NOBODY)


CASES = {
    "a delivery that may not be looked into": ("second review", "delivery", 0o000, {2}),
    "a table that may not be read": ("second review", "delivery/settings.csv", 0o000, {3}),
    "a folder that may not be written into": ("first review", "{into}", 0o555, {3}),
    "a store that may not be written": ("determine", "{into}/store.duckdb", 0o444, {3}),
    "a sheet that may not be read": ("determine", "answers.csv", 0o000, {2}),
    "pages that may not be written": ("publish", "{into}", 0o555, {3}),
    "a source that may not be read": ("map", "own/trips.csv", 0o000, {3}),
    "sheets that may not be written": ("replaced trips", "{into}/sheets", 0o555, {0, 5}),
}


@dataclass(frozen=True)
class Case:
    """How the command of a case ended, and what of its folder was there before and after."""

    ended: Ran
    into: Path
    before: tuple[world.Units, world.Tables]
    after: tuple[world.Units, world.Tables]


@pytest.fixture(scope="module")
def ended(made: World) -> Iterator[dict[str, Case]]:
    """Not below the folder of the tests, which nobody may enter."""
    with tempfile.TemporaryDirectory() as top, tempfile.TemporaryDirectory() as printed:
        copy = World(Path(shutil.copytree(made.top, top, dirs_exist_ok=True)))
        folders = [
            copy.prepare(name, copy.top / f"into-{number}")
            for number, (name, *_) in enumerate(CASES.values())
        ]
        before = [(world.units(into), world.tables(into)) for into in folders]
        give(copy.top)
        give(Path(printed))
        process = forking().Process(target=as_nobody, args=(copy, Path(printed)))
        process.start()
        process.join(120)
        process.kill()  # where it hangs
        assert process.exitcode == 0
        yield {
            case: Case(
                Ran(**json.loads((Path(printed) / f"{number}").read_text(encoding="utf-8"))),
                into, before[number], (world.units(into), world.tables(into)),
            )
            for number, (case, into) in enumerate(zip(CASES, folders, strict=True))
        }  # fmt: skip


@pytest.mark.parametrize("case", [*CASES][:-1])
def test_a_sentence_and_nothing_changed(ended: dict[str, Case], case: str) -> None:
    found, (_, place, _, codes) = ended[case], CASES[case]
    assert found.ended.code in codes, found.ended
    assert Path(place.format(into=found.into.name)).name in found.ended.err
    assert re.search("may not be|cannot be|is not readable", found.ended.err)
    assert found.after == found.before


def test_sheets_that_may_not_be_written_leave_no_page_half(ended: dict[str, Case]) -> None:
    """The store takes the delivery; what could not be written is said, and a rerun writes it."""
    found, (*_, codes) = ended[[*CASES][-1]], CASES[[*CASES][-1]]
    assert found.ended.code in codes, found.ended
    assert world.dangling(found.into) == []
    assert world.ledger_problems(found.into) == []
