"""No room on the disk, and places that may not be written: a sentence in place of a traceback."""

from __future__ import annotations

import errno
import re
from collections.abc import Iterator
from contextlib import contextmanager

from pipeline.errors import Mistake, Refused, Unfinished, problem, refused

DISK_IS_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
NO_ACCESS = {errno.EACCES, errno.EPERM, errno.EROFS}
FULL = (
    "No space left", "Could not write", "File too large", "Disk quota", "max_temp_directory",
    "failed to truncate", "Could not truncate",
)  # fmt: skip
"""What the database says where the disk, or the room it was given there, is full."""

IN_QUOTES = re.compile(r'file "([^"]+)"')
"""Where the database names the file."""

CLOSED = ("Permission denied", "Read-only file system", "Operation not permitted")


def as_mistake(error: BaseException, place: str | None = None) -> Mistake | None:
    """What a user can do about an error of the disk or the database; None if it is not of these.

    `place`: what to name where the error itself does not.
    """
    import duckdb

    if isinstance(error, OSError):
        where = str(error.filename) if error.filename else place
        if error.errno in DISK_IS_FULL:
            return _full(place or where)
        return _closed(where) if error.errno in NO_ACCESS else None
    return _of_database(error, place) if isinstance(error, duckdb.Error) else None


@contextmanager
def after_storing(stored: str, missing: str) -> Iterator[None]:
    """Say of a full or closed disk what is true once something is stored, and what is not there.

    `stored` and `missing`: "the delivery is", "its pages and workbook".
    """
    try:
        yield
    except Exception as error:
        found = as_mistake(error)
        if found is None:
            raise
        (reason,) = found.problems
        what = f"{stored} stored, but not {missing}: {reason.what}"
        raise Unfinished(problem("not-finished", reason.file, what)) from error


def _of_database(error: Exception, place: str | None) -> Mistake | None:
    import duckdb

    text = str(error)
    if named := IN_QUOTES.search(text):
        place = place or named[1]
    if any(word in text for word in FULL):
        return _full(place)
    if any(word in text for word in CLOSED):
        return _closed(place)
    if isinstance(error, duckdb.OutOfMemoryException):
        what, remedy = "its rows are too large to be held in memory", "Split it, or find a machine"
        return refused("too-large", place, what, remedy=f"{remedy} with more.")
    return None


def _full(place: str | None) -> Refused:
    return refused("disk-full", place, "there is no room left to write")


def _closed(place: str | None) -> Refused:
    return refused("no-permission", place, "it may not be read or written")
