"""Files of a month's folder, taken from the folder that stands where they would be drawn the same.

What each was drawn from, and the hash of its bytes, is kept in the store beside the folder; a file
that somebody changed or took away is drawn again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import field
from pathlib import Path

from pipeline.store.whole import link
from schemas.record import dataclass

Drawn = dict[str, tuple[str, str]]
"""By a file's path in the folder: what it was made from, and the SHA-256 of its bytes."""


@dataclass
class DrawnFiles:
    """Draws files into the folder `aside` that takes the place of `standing`.

    `before`: what the standing folder holds; `now`: what the new one does.
    """

    aside: Path
    standing: Path
    before: Drawn = field(default_factory=dict)
    now: Drawn = field(default_factory=dict)

    def __call__(self, name: str, made_from: str, make: Callable[[], bytes]) -> None:
        """Draw the file `name`, unless the standing folder has it made from the same."""
        self.file(name, made_from, lambda target: target.write_bytes(make()))

    def file(self, name: str, made_from: str, write: Callable[[Path], object]) -> None:
        """As a call; `write` writes the file itself."""
        target = self.aside / name
        target.parent.mkdir(parents=True, exist_ok=True)
        known = self.before.get(name)
        if known and known[0] == made_from and sha256(self.standing / name) == known[1]:
            link(self.standing / name, target)
            self.now[name] = known
            return
        write(target)
        self.now[name] = made_from, sha256(target)

    def others(self) -> None:
        """Take note of every file of `aside` that was not drawn by this."""
        for path in sorted(self.aside.rglob("*")):
            name = path.relative_to(self.aside).as_posix()
            if path.is_file() and name not in self.now:
                self.now[name] = "", sha256(path)


def stands(folder: Path, files: Drawn, known: Callable[[str], object]) -> bool:
    """Whether a folder has every file as it was drawn, and no other whose path is `known`."""
    return all(sha256(folder / name) == sha for name, (_, sha) in files.items()) and not any(
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
