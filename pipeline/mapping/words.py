"""Sentences for what is wrong with a source: refusals, cells that cannot be used, and notes."""

from __future__ import annotations

import json
from dataclasses import dataclass

from pipeline.errors import Problem, Refused

LONGEST_PATH = 1000

REMEDIES: dict[str, str] = {
    "not-found": "Check the name",
    "no-permission": "Ask for permission to read it",
    "not-a-file": "Name an ordinary file",
    "outside-source": "Put the file itself into the folder",
    "not-utf8": 'State what it is under the file\'s entry, as in encoding = "windows-1252"',
    "wrong-encoding": "State the encoding the file was saved in, or save it as UTF-8",
    "not-gzip": "Copy or export it again",
    "nul-bytes": 'Export it again as text; for UTF-16 state encoding = "utf-16-le"',
    "line-too-long": "Export it as a table with one row a line",
    "too-many-columns": "Export only the columns that are needed",
    "too-large": "Check that it is what it should be, or split it",
    "empty-file": "Export it again, with its header row",
    "open-quote": "Close the quotation mark, or double it where it belongs to the text",
    "missing-column": "Correct the name in the mapping, or add the column to the export",
    "repeated-column": "Rename one of them in the export",
    "wrong-delimiter": 'State it under the file\'s entry, as in delimiter = ";"',
    "not-parquet": "Export it again",
    "not-a-workbook": "Save it as an XLSX workbook without a password",
    "no-such-sheet": "Correct sheet under the file's entry",
    "merged-cells": "Undo the merge: one heading a column, one value a cell",
    "formula-not-computed": "Open the workbook in a spreadsheet program, save it, and try again",
    "xml-syntax": "Export it again",
    "xml-dtd": "Take the DOCTYPE out; the standard's documents have none",
    "not-nemsis": "Export patient care reports as EMSDataSet documents",
    "wrong-version": "Export it as version 3.5 of the standard",
    "toml-content": "Correct the mapping file",
    "toml-syntax": "Correct the mapping file; the format is described at toml.io",
    "key-permissions": "Let only yourself read it: chmod 600",
    "key-unusable": "Make one with tailrace map --new-key FILE, and keep it for good",
    "key-place": "Keep it in a folder of its own that is never shared",
    "no-such-token": "Check the token; only trips mapped with this crosswalk are in it",
    "disk-full": "Make room and try again; nothing is half-stored",
}
"""What to do about each refusal, without the final full stop."""

CELLS: dict[str, tuple[str, str]] = {
    "not-a-number": (
        "the cell is not a number",
        "Correct it, or list its spelling under nulls if it means that nothing is known.",
    ),
    "not-a-whole-number": ("the cell is not a whole number", "Correct it at the source."),
    "not-true-or-false": (
        "the cell is neither true nor false",
        "Say with codes what their spellings mean.",
    ),
    "not-a-code": (
        "the cell is none of the codes that the mapping or the contract names",
        "Add it to codes, or to nulls if it means that nothing is known.",
    ),
    "not-a-time": (
        "the cell is not a date and time of the format that the mapping names",
        "Add its format to time, or correct it.",
    ),
    "no-such-hour": (
        "this time does not exist: the clock was put forward over it",
        "Correct it at the source, or export times with their offset from UTC.",
    ),
    "hour-twice": (
        "this time came twice, as the clock was put back, and the order does not say which it is",
        "Export times with their offset from UTC, or correct it at the source.",
    ),
    "no-bedside": (
        "the trip has no time at the bedside to count from",
        "Fill in the time at the bedside, or correct the trip's number.",
    ),
    "bedside-differs": (
        "the trip's rows state several times at the bedside",
        "Correct them at the source.",
    ),
    "not-a-unit": (
        "the row's unit is none of those that the mapping names",
        "Add its spelling to unit.means.",
    ),
    "several-values": (
        "the element stands there more than once, and the mapping does not say which one counts",
        'Say with pick = "first" or pick = "last".',
    ),
    "ragged-row": (
        "the row has more or fewer cells than the header",
        "Put quotation marks round cells that hold the delimiter, and export again.",
    ),
    "bad-quoting": (
        "the row's quotation marks do not pair up",
        "Double the quotation marks that belong to the text, and export again.",
    ),
}
"""Why a cell cannot be used; the delivery then says `unreadable` there, and its row is set aside
when the delivery is read: an empty cell would claim that nothing was charted."""

NOTES: dict[str, str] = {
    "not-applicable": "says that it does not apply (7701001)",
    "not-recorded": "says that it was not recorded (7701003)",
    "not-reporting": "says that it is not reported (7701005)",
    "pertinent-negative": "holds a pertinent negative in place of a value",
    "negated-value": "has a pertinent negative beside its value, which was left out",
    "approximate": "is marked as approximate (8801029), and was taken as it stands",
    "nil-without-reason": "is nil and does not say why",
    "unknown-reason": "is nil for a reason that the standard does not list",
    "version-unstated": "does not name the version of the standard; it was read as 3.5",
    "never-there": "is in none of the reports; see whether its name is right",
}
"""What an element of a report says in place of a value: empty in the delivery, but known here."""


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
        return f"{place}: {self.column} {NOTES[self.code]}{detail}{cells}."


def shown(name: str, most: int = 128) -> str:
    """A name as a message may hold it: on one line, without control characters."""
    clean = "".join(c if c.isprintable() else "?" for c in name)
    return clean if len(clean) <= most else clean[: most - 3] + "..."


def toml(value: object) -> str:
    """A text, number, truth value or list of these as TOML, which writes them as JSON does."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def problem(
    code: str,
    file: str | None,
    what: str,
    *,
    line: int | None = None,
    column: str | None = None,
) -> Problem:
    """Return one reason to refuse a source, with its remedy."""
    return Problem(
        None if file is None else shown(file, LONGEST_PATH),
        line,
        None if column is None else shown(column),
        code,
        shown(what, LONGEST_PATH),
        f"{REMEDIES[code]}.",
    )


def refused(
    code: str, file: str | None, what: str, *, line: int | None = None, column: str | None = None
) -> Refused:
    """Return the refusal for one reason."""
    return Refused(problem(code, file, what, line=line, column=column))
