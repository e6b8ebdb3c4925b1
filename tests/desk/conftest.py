"""A reviewed folder for the desk, with plain pages, and a visit to it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.followup.conftest import folder, plain_pages, reviewed_once

from .visiting import Visit

__all__ = ["folder", "plain_pages", "reviewed_once"]

Visits = Callable[[str], Visit]


@pytest.fixture
def visit(folder: Path) -> Visits:
    """Come to the desk of the folder as a reader, by token; several may be there at once."""
    from .visiting import opened

    desk = opened(folder)
    return lambda by: Visit.of(desk, by)
