"""Sentences for what is wrong with a delivery: refusals, and rows that were set aside."""

from __future__ import annotations

from dataclasses import field
from typing import Any, Unpack

from pipeline.errors import CODES, Problem, Where, problem
from pipeline.files import Unreadable
from schemas.record import dataclass


@dataclass
class Findings:
    """Collects every reason to refuse a delivery, and every mention, in the order found.

    `faulty`: the staged tables with a row that breaks a rule or does not fit its header; of the
    others nothing needs to be asked about such rows. `not_kept`: as much of rows that are not kept,
    those of trips that are not among them.
    """

    refusals: list[Problem] = field(default_factory=list)
    mentions: list[tuple[str, str]] = field(default_factory=list)
    faulty: set[str] = field(default_factory=set)
    not_kept: set[str] = field(default_factory=set)

    def add(self, code: str, file: str | None, what: str, **where: Unpack[Where]) -> None:
        """Note one reason to refuse; `remedy`, without a full stop, in place of the record's."""
        if where.get("remedy"):
            where["remedy"] = f"{where['remedy']}."
        self.refusals.append(problem(code, file, what, **where))

    def unreadable(self, file: str, error: Unreadable, remedy: str | None = None) -> None:
        """Note that a file cannot be read."""
        column = error.column
        self.add(error.code, file, error.what, line=error.line, column=column, remedy=remedy)

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
    "token": "must be 1 to 64 characters on one line, without outer spaces, and not begin with"
    " = + - or @",
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
    return ROW_RULES["missing-value"]


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


def _row_rule(code: str, more: str = "") -> CellRule:
    record = CODES[code]
    return CellRule(code, f"{record.what}{more}", str(record.remedy))


ROW_RULES = {
    "bad-quoting": _row_rule("bad-quoting", ", or a cell is longer than any can be"),
    "missing-value": _row_rule("missing-value"),
    "no-subject": _row_rule("no-subject"),
    "orphan-row": _row_rule("orphan-row"),
    "ragged-row": _row_rule("ragged-row"),
    "repeated-trip": _row_rule("repeated-trip"),
    "trip-set-aside": _row_rule("trip-set-aside"),
}
"""What is wrong with a row as a whole, or with an empty cell, in the words of its record."""
