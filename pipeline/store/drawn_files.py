"""Files of a month's folder, taken from the folder that stands where they would be drawn the same.

What each was drawn from, and the hash of its bytes, is kept in the store beside the folder; a file
that somebody changed or took away is drawn again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import field
from pathlib import Path
from typing import NamedTuple

from pipeline.store.kept_results import found_kept
from pipeline.store.whole import link
from schemas.connection import Connection
from schemas.record import dataclass

Made = str | Callable[[], str]
"""A mark of what a file is made from, or what works it out; empty: the file is always drawn."""


class File(NamedTuple):
    """What a file was made from, the SHA-256 of its bytes, and what tells it without its data."""

    made_from: str
    sha: str
    known_by: str = ""


Drawn = dict[str, File]
"""Files by their path in the folder."""


@dataclass
class DrawnFiles:
    """Draws files into the folder `aside` that takes the place of `standing`.

    `before`: what the standing folder holds; `now`: what the new one does.
    """

    aside: Path
    standing: Path
    before: Drawn = field(default_factory=dict)
    now: Drawn = field(default_factory=dict)

    def __call__(
        self, name: str, made_from: Made, make: Callable[[], bytes], known_by: str = ""
    ) -> None:
        """Draw the file `name`, unless the standing folder has it made from the same.

        `known_by`: a mark that is quicker to have than what the file is made from; the same mark
        stands for the same file, another for nothing.
        """

        def write(target: Path) -> str:
            content = make()
            target.write_bytes(content)
            return hashlib.sha256(content).hexdigest()

        self.file(name, made_from, write, known_by)

    def file(
        self, name: str, made_from: Made, write: Callable[[Path], str | None], known_by: str = ""
    ) -> None:
        """As a call; `write` writes the file itself, and may return the hash of its bytes."""
        target = self.aside / name
        target.parent.mkdir(parents=True, exist_ok=True)
        known = self.before.get(name)
        if known and sha256(self.standing / name) != known.sha:
            known = None
        if not (known and known_by and known.known_by == known_by):
            of = made_from() if callable(made_from) else made_from
            if not (known and of and known.made_from == of):
                self.now[name] = File(of, write(target) or sha256(target), known_by)
                return
            known = known._replace(known_by=known_by)
        link(self.standing / name, target)
        self.now[name] = known

    def others(self) -> None:
        """Take note of every file of `aside` that was not drawn by this."""
        for path in sorted(self.aside.rglob("*")):
            name = path.relative_to(self.aside).as_posix()
            if path.is_file() and name not in self.now:
                self.now[name] = File("", sha256(path))


def drawn_before(con: Connection, month: str) -> Drawn:
    """What the files of the month's folder were made from when they were drawn last."""
    return {k: v for *_, files in found_kept(con, f"drawn {month}", "") for k, v in files.items()}


def data_stands(
    con: Connection, folder: Path, month: str, tables: dict[str, tuple[int, str]]
) -> bool:
    """Whether a month's folder has these data files (length and mark) as they would be written."""
    before = drawn_before(con, month)
    names = {f"data/{name}.csv": mark for name, (_, mark) in tables.items()}
    return all(
        before.get(name) == File(mark, sha256(folder / name)) for name, mark in names.items()
    )


def stands(folder: Path, files: Drawn, known: Callable[[str], object]) -> bool:
    """Whether a folder has every file as it was drawn, and no other whose path is `known`."""
    return all(sha256(folder / name) == file.sha for name, file in files.items()) and not any(
        known(name) for name in _names(folder) if name not in files
    )


def _names(folder: Path) -> Iterable[str]:
    return (path.relative_to(folder).as_posix() for path in folder.rglob("*.html"))


def sha256(path: Path) -> str:
    """Of a file's bytes; empty where it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
