"""What a user may do wrong: each mistake has a code, a meaning, a place and an exit code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

EXIT_FINE = 0
EXIT_OUR_BUG = 1
EXIT_USAGE = 2
EXIT_REFUSED = 3
EXIT_SET_ASIDE = 4

REFUSALS: dict[str, str] = {
    "not-a-delivery": "The directory is missing, cannot be read or has no export.toml.",
    "toml-syntax": "A settings file is not valid TOML.",
    "toml-content": "A settings file has a key that is missing, unknown or out of range.",
    "not-found": "A file that was named, or that a delivery needs, is not there.",
    "no-permission": "A file or folder may not be read or written.",
    "missing-table": "A table is neither delivered nor declared as not recorded.",
    "table-twice": "A table is delivered in two formats at once.",
    "several-workbooks": "There are several workbooks, and a delivery is one.",
    "date-cell": "A cell of a workbook holds a date or time of the spreadsheet's own.",
    "table-not-recorded": "A table is delivered although it is declared as not recorded.",
    "format-not-read": "A file is in a format that is not read.",
    "empty-file": "A file has no header row, or trips has no rows.",
    "not-utf8": "A file is not encoded in UTF-8.",
    "not-parquet": "A Parquet file is damaged or is none.",
    "open-quote": "A quotation mark is opened and never closed.",
    "missing-header": "The first row of a file holds none of the contract's columns.",
    "missing-column": "A column that the contract requires is not there.",
    "unknown-column": "A column that the contract does not name is there.",
    "ignored-column": "A column that is required is listed under ignore.",
    "repeated-column": "A column is there twice.",
    "wrong-delimiter": "The cells are not separated by commas.",
    "wrong-month": "A month is not among the delivery's months.",
    "service-changed": "The delivery is of another service than the store.",
    "protocol-changed": "An id of a protocol version came back with other content.",
    "protocol-month-taken": "Two protocol versions begin in one month.",
    "cannula-changed": "A catalogue id came back for another cannula.",
    "private-name": "A column's name says that it identifies a person.",
    "private-content": "What a cell holds looks as if it identifies a person or device.",
    "safe-harbor": "A service month may not be kept under the safe-harbor basis.",
    "store-unreadable": "The store is damaged or is another kind of file.",
    "store-locked": "Another process holds the store.",
    "store-newer": "The store was written by a newer version of this tool.",
    "store-missing": "There is no store at that place.",
    "not-a-workbook": "A workbook is damaged, protected or none.",
    "missing-sheet": "A workbook does not have the sheet that is to be read.",
    "not-reviewed": "The store has no judged trips yet.",
    "not-published": "The month was never published.",
    "baseline-late": "The cases of a month were opened before it was made baseline.",
    "ledger-broken": "The ledger, or what it tells of, was changed behind its back.",
    "not-a-file": "A folder or device stands where a file is expected.",
    "outside-source": "A link leads out of the source folder.",
    "wrong-encoding": "A file is not in the encoding that the mapping states.",
    "not-gzip": "A packed file is damaged or cut short.",
    "nul-bytes": "A text file holds NUL bytes.",
    "line-too-long": "A line, cell or tag is too long to be one.",
    "too-many-columns": "A header has more columns than any table.",
    "too-large": "A file is larger than is read, or unpacks to far more than it is.",
    "no-such-sheet": "The sheet that a mapping names is not in the workbook.",
    "merged-cells": "Cells of a sheet are merged, so what they belong to is not clear.",
    "formula-not-computed": "A cell holds a formula whose value was never computed.",
    "xml-syntax": "A document is not well-formed XML.",
    "xml-dtd": "A document declares a type or entities of its own.",
    "not-nemsis": "A document is not one of patient care reports.",
    "wrong-version": "A document is of another version of the standard.",
    "key-permissions": "A key or crosswalk can be used by others than its owner.",
    "key-unusable": "A file is not a key, or not a crosswalk of this tool.",
    "key-place": "A key or crosswalk lies in or beside a delivery or a store.",
    "no-such-token": "A token is not in the crosswalk.",
    "disk-full": "There is no room left to write.",
}
"""Every reason to refuse, by its code; a refusal stores nothing."""

SET_ASIDES: dict[str, str] = {
    "not-a-number": "A cell of a number column is not written as a number.",
    "not-a-whole-number": "A cell of a whole-number column is not written as a whole number.",
    "not-true-or-false": "A cell of a yes-or-no column is neither true nor false.",
    "missing-value": "A cell that must be filled is empty.",
    "out-of-range": "A number is outside the range the contract gives.",
    "not-a-code": "A cell is none of the codes the contract gives.",
    "not-a-token": "A cell does not have the form the contract asks for.",
    "repeated-trip": "A trip_id stands in more than one row.",
    "orphan-row": "A row belongs to no trip that was kept.",
    "trip-set-aside": "The trip that a row belongs to was set aside.",
    "ragged-row": "A row has more or fewer cells than the header.",
    "bad-quoting": "A row's quotation marks do not pair up.",
    "no-subject": "A training row names neither a base nor a crew member, or both.",
    "unknown-trip": "A row of a filled sheet names a trip that the store does not have.",
    "unknown-rule": "An answer names a rule that did not judge the trip, or a row no rule at all.",
    "unknown-base": "A row of a filled sheet names a base that no trip of the store has.",
    "unknown-retraining": "A retraining is to be taken back that nothing tells of.",
    "unknown-cell": "A correction names a row or column that the store does not keep.",
    "stale-answer": "An answer is to a state of the trip that has changed since.",
    "contradictory-answer": "An answer contradicts the verdict, or another answer in the sheet.",
    "not-a-time": "A cell is not a date and time of the format that the mapping names.",
    "no-such-hour": "A local time does not exist, because the clock was put forward over it.",
    "hour-twice": "A local time came twice, and the order does not say which it is.",
    "no-bedside": "A trip has no time at the bedside to count from.",
    "bedside-differs": "A trip's rows state several times at the bedside.",
    "not-a-unit": "A row's unit is none of those that the mapping names.",
    "several-values": "An element of a report stands there more than once.",
}
"""Every reason to set a row aside, by its code; the rest of the delivery is used."""

USAGES: dict[str, str] = {
    "folder": "A folder that was named cannot be made, read or written.",
    "usage": "Options of a command contradict each other, or one is missing.",
    "month-without-trips": "The store has no trips in the month that was asked for.",
    "month-not-reviewed": "The month that was asked for has no pages yet.",
    "unknown-name": "What was asked for is none of what there is.",
}
"""Every reason why a command as it was called cannot mean anything, by its code."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong, where it is, and one thing to do about it; never a person's value."""

    file: str | None
    line: int | None
    column: str | None
    code: str
    what: str
    remedy: str

    def sentence(self) -> str:
        """Return the problem as one line: place, what is wrong, what to do."""
        place = self.file or ""
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f": {self.column}" if place else self.column
        return f"{place}: {self.what}. {self.remedy}" if place else f"{self.what}. {self.remedy}"


class Mistake(Exception):  # noqa: N818 - it is the user's, and is shown to them by this name
    """Something a user can put right; carries every problem found, and the exit code."""

    exit_code = EXIT_OUR_BUG

    def __init__(self, problems: Problem | Sequence[Problem]) -> None:
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))


class Usage(Mistake):
    """The command was called in a way that cannot mean anything."""

    exit_code = EXIT_USAGE


class Refused(Mistake):
    """A delivery, settings file or store that cannot be used; nothing was stored."""

    exit_code = EXIT_REFUSED
