"""A kill leaves each folder, file and table as it was or as it was to be; a rerun heals.

Here every command is killed before its last writes, where a folder takes its place and the store
is told, and with `--deep` at a moment before; `python -m tests.faults --kills N` does it at random.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.deep import examples
from tests.faults import commands, kills, world
from tests.faults.world import World


@pytest.mark.parametrize(
    ("name", "shares"),
    [("second review", (0.98, 0.9)), ("publish", (0.97, 0.5)), ("map", (0.5, 0.9)),
     ("share", (0.985,))][: examples(3, 4)],
)  # fmt: skip
def test_killed_before_a_write(
    made: World, tmp_path: Path, name: str, shares: tuple[float, ...]
) -> None:
    into = tmp_path / "into"
    whole = kills.expected(made, name, into, again=bool(examples(0, 1)))
    for share in shares if examples(0, 1) else shares[:1]:
        at_write = max(1, round(share * whole.writes))
        killed, found = kills.kill(made, name, into, whole, at_write=at_write)
        assert found == []
        assert killed


def test_a_clock_set_back_changes_no_byte(made: World, tmp_path: Path) -> None:
    into = made.prepare("second review", tmp_path / "into")
    before, tables = world.units(into), world.tables(into)
    ended = commands.run(*made.operations(into)["second review"], before=world.backwards)
    assert ended.code == 0, ended
    assert (world.units(into), world.tables(into)) == (before, tables)
    assert world.ledger_problems(into) == []
