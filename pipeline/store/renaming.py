"""Renaming that never replaces, and two names exchanged at once, where the system can do it."""

from __future__ import annotations

import ctypes
import errno
import os
from pathlib import Path

NOREPLACE, EXCHANGE = 1, 2
HERE = -100
"""AT_FDCWD of Linux: paths are relative to the working folder."""

CANNOT = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}
"""What a file system, or an older kernel, answers that does not know this kind of renaming."""


def name_unless_taken(made: Path, path: Path) -> bool:
    """Give the file `made` the name `path` unless there is something; whether it has it now."""
    try:
        os.link(made, path)
    except FileExistsError:
        return False
    except OSError:
        return _rename_unless_taken(made, path)
    made.unlink()
    return True


def _rename_unless_taken(made: Path, path: Path) -> bool:
    """As `name_unless_taken`, for a file system without second names for a file."""
    try:
        if _renameat2(made, path, NOREPLACE):
            return True
        if path.exists():
            return False
        # other systems than Linux: Windows refuses to replace here
        made.rename(path)
    except FileExistsError:
        return False
    return True


def exchange(one: Path, other: Path) -> bool:
    """Exchange the names of two folders at once; False, and nothing done, where that cannot be."""
    return _renameat2(one, other, EXCHANGE)


def _renameat2(one: Path, other: Path, flag: int) -> bool:
    """Linux's renameat2: whether it was done; an OSError where it could have been done."""
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None) if _LINUX else None
    if call is None:
        return False
    done = call(HERE, os.fsencode(one), HERE, os.fsencode(other), ctypes.c_uint(flag))
    if done == 0:
        return True
    number = ctypes.get_errno()
    if number in CANNOT:
        return False
    raise OSError(number, os.strerror(number), str(one), None, str(other))


_LINUX = os.name == "posix" and os.uname().sysname == "Linux"
