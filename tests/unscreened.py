"""Deliveries and sheets that are read without the privacy screen, and without what is doubtful.

To prepare their patterns takes two thirds of the time in which a small delivery is read, and most
of that of a sheet. What they find is held by `tests/acceptance/test_ingest_privacy.py` and
`test_ingest_doubtful.py`; tests of something else may do without.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.followup import answers, correct, retraining
from pipeline.ingest import delivery, screen
from pipeline.ingest.places import FOUND

if TYPE_CHECKING:
    import duckdb


def nothing_doubtful(con: duckdb.DuckDBPyConnection, *_: object) -> None:
    """Make the table of what is doubtful, and leave it empty."""
    con.execute(
        f"CREATE OR REPLACE TABLE {FOUND}.staged_doubtful (file VARCHAR, line INTEGER,"
        " column_name VARCHAR, problem VARCHAR, what VARCHAR, remedy VARCHAR, rows INTEGER,"
        " service_month VARCHAR)"
    )


def nothing_private(*_: object, **__: object) -> list[Any]:
    return []


WITHOUT = [
    (screen, "screen_tables", nothing_private),
    (delivery, "find_doubtful", nothing_doubtful),
    (answers, "screened", nothing_private),
    (correct, "screened", nothing_private),
    (retraining, "screened", nothing_private),
]
REAL = [(module, name, getattr(module, name)) for module, name, _ in WITHOUT]


@contextlib.contextmanager
def unscreened() -> Iterator[None]:
    """Read without the screen."""
    with pytest.MonkeyPatch.context() as patch:
        for module, name, stand_in in WITHOUT:
            patch.setattr(module, name, stand_in)
        yield


@contextlib.contextmanager
def screened() -> Iterator[None]:
    """Read as a user's deliveries are, again."""
    with pytest.MonkeyPatch.context() as patch:
        for module, name, real in REAL:
            patch.setattr(module, name, real)
        yield
