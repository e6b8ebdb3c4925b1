"""Sentences for what is wrong with a delivery: refusals, and rows that were set aside."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import Problem

REMEDIES: dict[str, str] = {
    "toml-syntax": "Correct the line; the format is described at toml.io",
    "toml-content": "Correct the file",
    "not-found": "Check the path, or add the file",
    "no-permission": "Ask for permission to read it",
    "missing-table": "Add the file, or list the table under not_recorded in export.toml",
    "table-twice": "Keep one of the two",
    "table-not-recorded": "Remove it from not_recorded in export.toml, or remove the file",
    "format-not-read": "Save the tables as sheets of an XLSX workbook, or as CSV or Parquet",
    "several-workbooks": "Keep the one that holds the tables",
    "date-cell": (
        "Format the column as text and fill it in again: a month as 2026-03, a time as whole"
        " seconds since the bedside"
    ),
    "not-a-file": "Put an ordinary file in its place",
    "line-too-long": "Export the table again, with one row a line",
    "too-many-columns": "Export only the contract's columns",
    "too-large": "Check that it is what it should be",
    "empty-file": "Export the table again; without rows it still needs its header row",
    "not-utf8": "Save the file in UTF-8",
    "not-parquet": "Export the table again",
    "open-quote": "Close the quotation mark, or double it where it belongs to the text",
    "missing-column": "Add the column to the header",
    "missing-header": "Add a header row with the contract's column names as line 1",
    "unknown-column": "Remove or rename it, or list it under ignore in export.toml",
    "repeated-column": "Keep one of them",
    "ignored-column": "Remove it from ignore in export.toml",
    "wrong-delimiter": "Save the file with commas between cells and decimal points",
    "wrong-month": "Add the month to months in export.toml, or take the rows out",
    "service-changed": "Review it into a folder of its own",
    "protocol-changed": "Give the changed limits a new id and their own from_month",
    "protocol-month-taken": "Give one of them another from_month",
    "cannula-changed": "Give the new cannula an id of its own",
    "private-name": "Remove the column from the export; ignoring it is not enough to share it",
    "private-content": "Remove or replace it at the source, then export again",
    "safe-harbor": "Ask the privacy officer which other basis applies, and name it",
}
"""What to do about each reason to refuse, without the final full stop."""


@dataclass
class Findings:
    """Collects every reason to refuse a delivery, and every mention, in the order found."""

    refusals: list[Problem] = field(default_factory=list)
    mentions: list[tuple[str, str]] = field(default_factory=list)

    def add(
        self,
        code: str,
        file: str | None,
        what: str,
        *,
        line: int | None = None,
        column: str | None = None,
        remedy: str | None = None,
    ) -> None:
        """Note one reason to refuse."""
        self.refusals.append(
            Problem(file, line, column, code, what, f"{remedy or REMEDIES[code]}.")
        )

    def mention(self, file: str, what: str) -> None:
        """Note something a reader should know though nothing is wrong."""
        self.mentions.append((file, what))


@dataclass(frozen=True)
class CellRule:
    """What one column asks of a cell, in words: the problem's code, the rule, the remedy."""

    problem: str
    what: str
    remedy: str


AGAIN = "Correct it at the source and export again"
OR_EMPTY = ", or leave the cell empty where the value is not known"
PATTERN_WORDS = {
    "token": "must be 1 to 64 characters on one line, without outer spaces",
    "month": "must be a month written YYYY-MM",
}


def cast_rule(kind: str, words: str, *, nullable: bool) -> CellRule:
    """Return the rule a cell broke that could not be read as the column's type."""
    tail = OR_EMPTY if nullable else ""
    if kind == "whole":
        return CellRule(
            "not-a-whole-number",
            f"must be a whole number{words}, written in digits alone",
            f"Write it without decimals, spaces, separators or units{tail}.",
        )
    if kind == "number":
        return CellRule(
            "not-a-number",
            f"must be a number{words}",
            f"Write it with a decimal point, without spaces, separators or units{tail}.",
        )
    return CellRule("not-true-or-false", "must be true or false", f"Write true or false{tail}.")


def null_rule() -> CellRule:
    """Return the rule an empty cell of a required column broke."""
    return CellRule("missing-value", "must not be empty", f"{AGAIN}.")


def range_words(checks: list[Any], unit: str | None) -> str:
    """Return " from 0 to 80 L/min" for the range checks of a column, "" where it has none."""
    low = high = None
    for check in checks:
        low = check.statistics.get("min_value", low)
        high = check.statistics.get("max_value", high)
    unit_words = f" {unit}" if unit and unit != "1" else ""
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}{unit_words}"
    if low is not None:
        return f" of at least {low:g}{unit_words}"
    return f" of at most {high:g}{unit_words}" if high is not None else ""


def check_rule(check: Any, range_rule: str, *, nullable: bool, pattern_words: str) -> CellRule:
    """Return the rule of one pandera check in words, made from the check's statistics.

    `range_rule`: what the column's range checks ask for together.
    """
    tail = OR_EMPTY if nullable else ""
    statistics = check.statistics
    if "allowed_values" in statistics:
        codes = ", ".join(statistics["allowed_values"])
        return CellRule("not-a-code", f"must be one of {codes}", f"Map it to a code{tail}.")
    if "pattern" in statistics:
        return CellRule("not-a-token", pattern_words, f"{AGAIN}.")
    return CellRule("out-of-range", range_rule, f"Check the value and its unit{tail}.")


ROW_RULES = {
    "ragged-row": CellRule(
        "ragged-row",
        "the row has more or fewer cells than the header",
        "Put quotation marks round cells that hold a comma, and export again.",
    ),
    "bad-quoting": CellRule(
        "bad-quoting",
        "the row's quotation marks do not pair up, or a cell is longer than any can be",
        "Double the quotation marks that belong to the text, and export again.",
    ),
    "repeated-trip": CellRule(
        "repeated-trip",
        "the same trip_id stands in more than one row, so none of them is used",
        "Keep one row for each trip.",
    ),
    "orphan-row": CellRule(
        "orphan-row",
        "the row belongs to no trip that was kept",
        "Add or correct the trip in trips, or take the row out.",
    ),
    "trip-set-aside": CellRule(
        "trip-set-aside",
        "the row's trip was set aside",
        "Correct the trip in trips; the row itself may be in order.",
    ),
    "no-subject": CellRule(
        "no-subject",
        "names neither a base nor a crew member",
        "Fill one of the two.",
    ),
}
"""What is wrong with a row as a whole."""
