"""A reviewed folder on which the desk was open, with plain pages, and a visit to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.desk import case, case_pages
from tests.followup.conftest import plain_pages, reviewed_once
from tests.followup.reviewed_store import copy_of
from tests.made_once import made_once

from .visiting import Visit

__all__ = ["plain_pages", "reviewed_once"]

Visits = Callable[[str], Visit]


DRAWN: dict[tuple[Any, ...], Any] = {}
CONTENT = """
    SELECT trip_id, seen, (SELECT sum(hash(w)) FROM judged.work w WHERE trip_id = $1),
           (SELECT sum(hash(p)) FROM delivered.protocol_version p)
    FROM trip_state WHERE trip_id = $1"""
"""A trip's mark, which changes with its record and its verdicts; what the list says of it; and the
limits and their words."""


@pytest.fixture(scope="package", autouse=True)
def drawn_once() -> Iterator[None]:
    """A trip's page is drawn once for each content, as half of what the desk does for a case is to
    draw it: these tests are about what is asked beside it."""

    def drawn(con: duckdb.DuckDBPyConnection, trip_id: str, version: str) -> Any:
        rows = con.execute(CONTENT, [trip_id]).fetchall()
        content = (*rows, version)
        if content not in DRAWN:
            DRAWN[content] = case.drawn_case(con, trip_id, version)
        return DRAWN[content]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(case_pages, "drawn_case", drawn)
        yield


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

    desk = opened(folder, begun=True)
    return lambda by: Visit.of(desk, by)
