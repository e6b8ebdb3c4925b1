"""Sentences for what is wrong with a source: refusals, cells that cannot be used, and notes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from pipeline import errors
from pipeline.errors import CODES
from pipeline.files import Unreadable
from schemas.record import dataclass


@dataclass(frozen=True)
class Note:
    """Something that is not wrong, counted: file, first line, column, what, in how many cells."""

    file: str
    line: int | None
    column: str
    code: str
    detail: str | None
    count: int

    def sentence(self) -> str:
        """Return the note as one line."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        detail = f": {self.detail}" if self.detail else ""
        cells = f" (in {self.count} places)" if self.count > 1 else ""
        return f"{place}: {self.column} {CODES[self.code].what}{detail}{cells}."


def toml(value: object) -> str:
    """A text, number, truth value or list of these as TOML, which writes them as JSON does."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


problem = partial(errors.problem, in_source=True)
refused = partial(errors.refused, in_source=True)


@contextmanager
def reading(file: str) -> Iterator[None]:
    """Refuse the source where a file of it cannot be read."""
    try:
        yield
    except Unreadable as error:
        raise refused(
            error.code, file, error.what, line=error.line, column=error.column, remedy=error.remedy
        ) from None
