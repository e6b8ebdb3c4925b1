"""Who may read what a command writes: its owner alone, unless he says a group, or hands it over.

The rule is the process's umask, so that it holds for whatever creates a file: our own code, the
database with what it spills, the writer of workbooks, a second process. What is handed over is
written privately, too, and opened as the user's own umask has it just before it takes its name.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

OWNER, GROUP = 0o077, 0o027
"""The umask of what is for the owner alone, and of what his group may read."""

OTHERS = 0o007

_users: int | None = None
"""The umask that the user had, while a command runs under another."""

_group_reads = False
"""Whether the command at hand lets the owner's group read what it writes."""


@contextmanager
def private() -> Iterator[None]:
    """While the block runs, what is created is for its owner alone, whatever the umask was."""
    global _users, _group_reads  # noqa: PLW0603 - a umask is the process's
    _users = os.umask(OWNER)
    try:
        yield
    finally:
        os.umask(_users)
        _users, _group_reads = None, False


def allow(*, group: bool) -> None:
    """From here on what the command creates may be read by the owner's group, too, if `group`."""
    global _group_reads  # noqa: PLW0603 - a umask is the process's
    if group:
        os.umask(GROUP)
        _group_reads = True


def close_to_others(path: Path) -> None:
    """Take a file or folder made under an open umask back to its owner; with its group, if told.

    What others may not read already keeps its group: it was given on purpose.
    """
    with suppress(OSError):
        mode = stat.S_IMODE(path.lstat().st_mode)
        wanted = mode & ~(OWNER if mode & OTHERS else OTHERS)
        if _group_reads:
            wanted |= (wanted & 0o500) >> 3
        if wanted != mode and not path.is_symlink():
            path.chmod(wanted)


def let_in(folder: Path) -> None:
    """Let the owner's group into a folder, where it may read what is in it."""
    with suppress(OSError):
        mode = stat.S_IMODE(folder.stat().st_mode)
        if _group_reads and mode & 0o050 != 0o050:
            folder.chmod(mode | 0o050)


def hand_over(path: Path) -> None:
    """Open a file, or a folder with all that is in it, as the user's own umask has it."""
    for folder, _, files in os.walk(path):
        hand_over_folder(Path(folder))
        for name in files:
            _open(Path(folder, name))
    if path.is_file():
        _open(path)


def hand_over_folder(folder: Path) -> None:
    """Open a folder itself as the user's own umask has it."""
    folder.chmod(0o777 & ~_users_umask())


def _open(path: Path) -> None:
    if not path.is_symlink():
        path.chmod(0o666 & ~_users_umask())


def _users_umask() -> int:
    if _users is not None:
        return _users
    now = os.umask(OWNER)
    os.umask(now)
    return now
