"""Folders and files that are put together beside their place and then take it: all or nothing.

A kill at any moment leaves the old one or the new one. Month folders and shared editions are put
together in `FOLDER/.drawing`, which one process has at a time, because it holds the store; what is
left there by a killed one `pipeline/store/recovery.py` finishes or takes away.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from pipeline.errors import usage
from pipeline.store.owners import hand_over
from pipeline.store.renaming import exchange

DRAWING = ".drawing"
"""Where folders of a store folder are put together; laid out as the store folder is."""

OLD = ".old"
"""How the former folder's name ends where two names cannot be exchanged at once."""

Stamp = tuple[int, int, int]
Goes = Callable[[str], Any]
"""Whether a file of the former folder, by its path in it, is ours and goes with it."""


@contextmanager
def drawing(folder: Path) -> Iterator[Path]:
    """An empty folder to put others together in; call while the store of `folder` is held."""
    aside = folder / DRAWING
    remove(aside)
    aside.mkdir()
    try:
        yield aside
    finally:
        remove(aside)


def take_place(made: Path, target: Path, goes: Goes = lambda _: False) -> None:
    """Let the folder `made` become `target` at once.

    Files of the former folder that were not made anew are carried over, but for those whose path
    in it `goes` says yes to: people may have put them there.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    if made.stat().st_dev != target.parent.stat().st_dev:
        # a folder of the store may lead to another disk
        near = target.with_name(f".{target.name}.new")
        remove(near)
        shutil.copytree(made, near)
        made = near
    if not os.path.lexists(target):
        made.rename(target)
        return
    carried = _carry(target, made, goes)
    old = made
    if not exchange(made, target):
        old = made.with_name(f"{made.name}{OLD}")
        target.rename(old)
        made.rename(target)
    carry_late(old, target, carried, goes)
    remove(old)


def _carry(old: Path, new: Path, goes: Goes) -> dict[str, Stamp]:
    """Link what only `old` has into `new`; with each file's stamp, to tell whether it changes."""
    carried = {}
    for name, path in _files(old):
        if os.path.lexists(new / name) or goes(name):
            continue
        carried[name] = _stamp(path)
        link(path, new / name)
    return carried


def carry_late(
    old: Path, new: Path, carried: dict[str, Stamp], goes: Goes = lambda _: False
) -> None:
    """Bring along what was put into the former folder, or saved there again, at the last moment."""
    for name, path in _files(old):
        late = carried[name] != _stamp(path) if name in carried else not os.path.lexists(new / name)
        if late and not goes(name):
            (new / name).parent.mkdir(parents=True, exist_ok=True)
            path.replace(new / name)


def _files(folder: Path) -> list[tuple[str, Path]]:
    """Every file below a folder by its path in it, sorted."""
    found = (Path(at, name) for at, _, names in os.walk(folder) for name in names)
    return sorted((path.relative_to(folder).as_posix(), path) for path in found)


def link(path: Path, to: Path) -> None:
    """Give a file a second name, or a copy where the disk has no such thing."""
    to.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(path, to, follow_symlinks=False)
    except OSError:
        shutil.copy2(path, to, follow_symlinks=False)


def _stamp(path: Path) -> Stamp:
    found = path.lstat()
    return found.st_ino, found.st_mtime_ns, found.st_size


def remove(folder: Path) -> None:
    """Take away a folder that nobody needs any more, or the link to one; fine if it stays."""
    if folder.is_symlink():
        folder.unlink()
    else:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def new_folder(target: Path, option: str = "--to") -> Iterator[Path]:
    """Yield a folder beside `target` that takes its place in the end, or vanishes.

    Usage where `target` is not empty or cannot be made, or another process is making it.
    """
    what = None
    beside = target.absolute().with_name(f".{target.absolute().name}.unfinished")
    held = None
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            what = "this is not an empty folder"
        else:
            held = _own(beside)
            if held is None:
                what = "another process is writing this folder"
    except PermissionError:
        what = "this folder may not be made or read"
    except (OSError, ValueError) as error:
        what = f"this folder cannot be made ({getattr(error, 'strerror', None) or 'no such name'})"
    if what or held is None:
        remedy = f"Name a new or an empty folder with {option}."
        raise usage("folder", option, str(what), file=str(target), remedy=remedy)
    try:
        yield beside
        if os.name != "posix" and target.exists():
            target.rmdir()
        beside.rename(target)
    finally:
        remove(beside)
        os.close(held)


@contextmanager
def held(folder: Path) -> Iterator[Path]:
    """Yield a folder made anew that this process holds, and that is gone in the end.

    What a killed process left there is removed; Usage where a living one holds it.
    """
    mine = _own(folder)
    if mine is None:
        remedy = "Wait until it has finished."
        raise usage("folder", None, "another process is working here", file=str(folder),
                    remedy=remedy)  # fmt: skip
    try:
        yield folder
    finally:
        remove(folder)
        os.close(mine)


def _own(folder: Path) -> int | None:
    """Make `folder` anew and hold it; None if a living process does. A killed one's is removed."""
    while True:
        folder.mkdir(parents=True, exist_ok=True)
        if os.name != "posix":
            return os.open(os.devnull, os.O_RDONLY)
        held = os.open(folder, os.O_RDONLY)
        try:
            if not _lock(held, wait=False):
                os.close(held)
                return None
            if _is_still(held, folder):
                for left in folder.iterdir():
                    remove(left) if left.is_dir() else left.unlink()
                return held
        except BaseException:
            os.close(held)
            raise
        os.close(held)


@contextmanager
def replacing(path: Path, mode: int = 0o666, *, handed_over: bool = False) -> Iterator[IO[bytes]]:
    """Yield a file to write that becomes `path` whole when the block ends, or vanishes.

    `mode`: less what the umask takes away; `handed_over`: then opened as the user's umask has it.
    Whoever else replaces `path` meanwhile waits, so what is read inside the block still holds.
    """
    beside = path.with_name(f".{path.name}.part")
    while True:
        held = os.open(beside, os.O_RDWR | os.O_CREAT, mode)
        _lock(held, wait=True)
        if _is_still(held, beside):
            break
        os.close(held)
    with os.fdopen(held, "wb") as file:
        try:
            file.truncate()
            yield file
            file.flush()
            if handed_over:
                hand_over(beside)
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
            raise


def _lock(held: int, *, wait: bool) -> bool:
    """Lock an open file or folder for this process; False if another has it."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(held, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        return False
    except OSError:
        # some network file systems know no such locks
        return True
    return True


def _is_still(held: int, path: Path) -> bool:
    """Whether the name still leads to what is held: it may have been renamed before it was."""
    try:
        return os.path.samestat(os.fstat(held), path.stat())
    except FileNotFoundError:
        return False
