"""The small service that is attacked, made once in a run; a test works on a copy of its folder."""

from __future__ import annotations

from functools import partial

import pytest

from tests.faults import world
from tests.faults.world import World
from tests.made_once import made_once


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> World:
    """A service of twelve trips over two months, the second one reviewed."""
    return World(made_once(tmp_path_factory, "service", partial(world.make, trips=12)))
