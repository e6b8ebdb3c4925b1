"""A round of commands begun at once, in an empty folder and in a reviewed one.

`python -m tests.faults --races N` draws many more.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults import races
from tests.faults.world import World


@pytest.mark.parametrize("names", [("second review", "pack"), ("determine", "retrained", "map")])
def test_every_success_is_in_the_store(made: World, tmp_path: Path, names: tuple[str, ...]) -> None:
    ends, wrong = races.race(made, names, tmp_path / "into", empty=False)
    assert wrong == []
    assert any(end.fine for end in ends)
    assert len(ends) == len(names)
