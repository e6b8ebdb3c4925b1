"""No room on the disk, and places that may not be written: a sentence in place of a traceback."""

from __future__ import annotations

import errno

from pipeline.errors import Mistake, Refused, refused

NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
NO_ACCESS = {errno.EACCES, errno.EPERM, errno.EROFS}
FULL = (
    "No space left", "Could not write", "File too large", "Disk quota", "max_temp_directory",
    "failed to truncate", "Could not truncate",
)  # fmt: skip
"""What the database says where the disk, or the room it was given there, is full."""

CLOSED = ("Permission denied", "Read-only file system", "Operation not permitted")


def as_mistake(error: BaseException, place: str | None = None) -> Mistake | None:
    """What a user can do about an error of the disk or the database; None if it is not of these.

    `place`: what to name where the error itself does not.
    """
    import duckdb

    if isinstance(error, OSError):
        where = str(error.filename) if error.filename else place
        if error.errno in NO_ROOM:
            return _full(place or where)
        return _closed(where) if error.errno in NO_ACCESS else None
    return _of_database(error, place) if isinstance(error, duckdb.Error) else None


def _of_database(error: Exception, place: str | None) -> Mistake | None:
    import duckdb

    text = str(error)
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
