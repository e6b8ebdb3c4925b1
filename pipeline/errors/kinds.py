"""What becomes of the work where a user is told something, the exit codes, and what a record is."""

from __future__ import annotations

from enum import IntEnum

from schemas.record import dataclass

EXIT_FINE = 0
EXIT_OUR_BUG = 1
EXIT_USAGE = 2
EXIT_REFUSED = 3
EXIT_SET_ASIDE = 4
EXIT_UNFINISHED = 5
EXIT_NOTHING = 6


class Kind(IntEnum):
    """What becomes of the work; its value is the exit code, but for what is doubtful."""

    NOTED = EXIT_FINE
    """Nothing is wrong, and nothing is left out that was there."""
    USAGE = EXIT_USAGE
    """A command as it was called cannot mean anything."""
    REFUSED = EXIT_REFUSED
    """A delivery, source, sheet or store cannot be used; nothing is stored."""
    SET_ASIDE = EXIT_SET_ASIDE
    """A row or cell is not used; the rest is."""
    UNFINISHED = EXIT_UNFINISHED
    """What was given is stored, but not all that follows from it could be written."""
    NOTHING = EXIT_NOTHING
    """What was asked for is not there: no trip of the month, or no file yet. Nothing is stored."""
    DOUBTFUL = 10 + EXIT_SET_ASIDE
    """Legal and hardly true: it is used, and a check ends as where a row is set aside."""


NOTED, USAGE, REFUSED, SET_ASIDE, UNFINISHED, NOTHING, DOUBTFUL = Kind


@dataclass(frozen=True)
class Code:
    """One thing a user can be told, with what is always the same about it.

    `place`: where its message points. Files and lines are the user's own; a line is a line of the
    text, a row of the sheet, or a row's number in a Parquet file. `remedy`: what to do where a
    message does not say it more narrowly; `in_source`: likewise where a service's own files are
    mapped. Either is None where such a message cannot be, both for what is only noted. `what`: the
    message's words, without a full stop, where they are always the same. `in_options`: wrong usage
    too, where it is an option that holds what it speaks of.
    """

    id: str
    kind: Kind
    place: str
    meaning: str
    remedy: str | None = None
    in_source: str | None = None
    what: str | None = None
    in_options: bool = False

    @property
    def exit_codes(self) -> tuple[int, ...]:
        """With what a command may end that tells of it, the usual first."""
        code = EXIT_SET_ASIDE if self.kind is Kind.DOUBTFUL else int(self.kind)
        return (code, EXIT_USAGE) if self.in_options else (code,)
