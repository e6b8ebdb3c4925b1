"""One thing wrong, as a user is told it, and the exceptions that carry such things."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import TypedDict, Unpack

from pipeline.errors.codes import CODES
from pipeline.errors.kinds import EXIT_OUR_BUG, Kind
from schemas.record import dataclass

UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Kinds of characters that a terminal acts on instead of showing, as Unicode names them."""


LONGEST_WORDS = 1000
"""Of a file's name, or of what is wrong with it, where somebody else chose the words."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong, where it is, and one thing to do about it; never a person's value."""

    file: str | None
    line: int | None
    column: str | None
    code: str
    what: str
    remedy: str

    def sentence(self, *, remedy: bool = True) -> str:
        """Return the problem as one line: place, what is wrong, what to do unless said elsewhere.

        What was typed or delivered may stand in it, so that control characters become "?".
        """
        place = self.file or ""
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f": {self.column}" if place else self.column
        line = f"{place}: {self.what}." if place else f"{self.what}."
        line += f" {self.remedy}" if remedy else ""
        return seen(line)


def seen(line: str) -> str:
    """The line as a terminal may show it: what it would act on is "?"."""
    return line if line.isprintable() else "".join(map(_seen, line))


def _seen(character: str) -> str:
    return "?" if unicodedata.category(character) in UNSEEN else character


class Mistake(Exception):  # noqa: N818 - it is the user's, and is shown to them by this name
    """Something a user can put right; carries every problem found, and the exit code."""

    exit_code = EXIT_OUR_BUG

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))


class Usage(Mistake):
    """The command was called in a way that cannot mean anything."""

    exit_code = int(Kind.USAGE)


class Refused(Mistake):
    """A delivery, settings file or store that cannot be used; nothing was stored."""

    exit_code = int(Kind.REFUSED)


class Unfinished(Mistake):
    """What was given is stored, but not all that follows from it could be written."""

    exit_code = int(Kind.UNFINISHED)


class NothingFound(Mistake):
    """What was asked for is not there, and nothing was stored."""

    exit_code = int(Kind.NOTHING)


class Where(TypedDict, total=False):
    """Where a problem lies in its file, and a remedy in place of its record's.

    `column`: the column, or the option or argument of a command. `in_source`: the file is one that
    is mapped, whose record has a remedy of its own, and whose names may be anything.
    """

    line: int | None
    column: str | None
    remedy: str | None
    in_source: bool


def shown(name: str, most: int = 128) -> str:
    """A name as a message may hold it: on one line, without control characters."""
    clean = "".join(c if c.isprintable() else "?" for c in name)
    return clean if len(clean) <= most else clean[: most - 3] + "..."


def problem(code: str, file: str | None, what: str, **where: Unpack[Where]) -> Problem:
    """One thing wrong, with the remedy of its record unless `where` says it more narrowly."""
    record, column = CODES[code], where.get("column")
    action = record.remedy or record.in_source
    if where.get("in_source"):
        file = None if file is None else shown(file, LONGEST_WORDS)
        column = None if column is None else shown(column)
        what, action = shown(what, LONGEST_WORDS), record.in_source or record.remedy
    remedy = where.get("remedy") or action or ""
    return Problem(file, where.get("line"), column, code, what, remedy)


def in_cell(
    code: str, file: str, line: int, column: str, what: str, *, remedy: str | None = None
) -> Problem:
    """One thing wrong with a cell of a filled sheet; as `problem`."""
    return problem(code, file, what, line=line, column=column, remedy=remedy)


def refused(code: str, file: str | None, what: str, **where: Unpack[Where]) -> Refused:
    """The refusal for one reason."""
    return Refused(problem(code, file, what, **where))


def usage(
    code: str, option: str | None, what: str, *, file: str | None = None, remedy: str | None = None
) -> Usage:
    """Wrong usage of one option or argument, or of the folder or file that one names."""
    return Usage(problem(code, file, what, column=option, remedy=remedy))
