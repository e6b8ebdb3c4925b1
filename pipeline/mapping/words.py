"""Sentences for what is wrong with a source: refusals, cells that cannot be used, and notes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Unpack

from pipeline import errors
from pipeline.errors import CODES, Problem, Refused, Where
from pipeline.files import Unreadable, shown
from schemas.record import dataclass

LONGEST_PATH = 1000


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


def problem(code: str, file: str | None, what: str, **where: Unpack[Where]) -> Problem:
    """Return one reason to refuse a source, with the remedy of its record unless one is given."""
    column = where.get("column")
    where["column"] = None if column is None else shown(column)
    where["remedy"] = where.get("remedy") or CODES[code].in_source
    file = None if file is None else shown(file, LONGEST_PATH)
    return errors.problem(code, file, shown(what, LONGEST_PATH), **where)


def refused(code: str, file: str | None, what: str, **where: Unpack[Where]) -> Refused:
    """Return the refusal for one reason."""
    return Refused(problem(code, file, what, **where))


@contextmanager
def reading(file: str) -> Iterator[None]:
    """Refuse the source where a file of it cannot be read."""
    try:
        yield
    except Unreadable as error:
        raise refused(
            error.code, file, error.what, line=error.line, column=error.column, remedy=error.remedy
        ) from None
