"""Where a page goes, and what it is drawn from, so that one drawn from the same need not be."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections.abc import Callable, Collection
from functools import cache
from pathlib import Path
from typing import Any, Protocol

Made = str | Callable[[], str]
"""A mark of what a page is drawn from, or what works it out; empty: the page is always drawn."""


class Draw(Protocol):
    """Takes a page's path in the month's folder, the mark of what it is drawn from, what draws it.

    `known_by`: a mark that is there before the page's data are; the same stands for the same page.
    """

    def __call__(
        self, name: str, made_from: Made, make: Callable[[], bytes], known_by: str = ""
    ) -> None:
        """Draw the page, unless it stands made from the same."""


Part = tuple[int, int]
"""Which of how many shares of a month's case pages, dealt out in turn among processes."""

WHOLE: Part = (0, 1)


def into(folder: Path) -> Draw:
    """Draws every page into a folder."""

    def draw(name: str, made_from: Made, make: Callable[[], bytes], known_by: str = "") -> None:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(make())

    return draw


def remove_others(folder: Path, pattern: str, written: Collection[str] = ()) -> None:
    """Take away pages of an earlier run: of the names that fit the pattern those not `written`."""
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if re.fullmatch(pattern, path.name) and path.name not in written:
            path.unlink()


def mark(*parts: Any) -> str:
    """One hash of page data; "" where something in them cannot be told from another."""
    try:
        text = json.dumps(parts, default=_plain, separators=(",", ":"))
    except (TypeError, ValueError):
        return ""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _plain(value: Any) -> Any:
    kind = type(value)
    return [kind.__qualname__, {name: getattr(value, name) for name in _fields(kind)}]  # type: ignore[arg-type]


@cache
def _fields(kind: type) -> tuple[str, ...]:
    if not dataclasses.is_dataclass(kind):
        raise TypeError(f"{kind} has no mark")
    return tuple(field.name for field in dataclasses.fields(kind))
