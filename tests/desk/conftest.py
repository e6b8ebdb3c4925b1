"""A reviewed folder on which the desk was open, with plain pages, and a visit to it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.followup.conftest import plain_pages, reviewed_once
from tests.followup.reviewed_store import copy_of
from tests.made_once import made_once

from .visiting import Visit

__all__ = ["plain_pages", "reviewed_once"]

Visits = Callable[[str], Visit]


@pytest.fixture(scope="package")
def begun_once(reviewed_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reviewed folder after the desk was open once, and worked out what each month asks for."""

    def make(folder: Path) -> None:
        from pipeline.desk.held import Desk

        Desk(copy_of(reviewed_once, folder / "pages")).begin()

    return made_once(tmp_path_factory, "begun", make) / "pages"


@pytest.fixture
def folder(begun_once: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return copy_of(begun_once, tmp_path / "pages")


@pytest.fixture
def visit(folder: Path) -> Visits:
    """Come to the desk of the folder as a reader, by token; several may be there at once."""
    from .visiting import opened

    desk = opened(folder)
    return lambda by: Visit.of(desk, by)
