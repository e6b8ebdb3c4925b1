"""SQL that turns one cell of theirs, as text, into one of ours.

Each column gets an expression for its value, which is null where the cell is empty or cannot be
used, and one for the code of what is wrong with it, which is null where nothing is.
"""

from __future__ import annotations

from typing import Any

from pipeline.mapping.units import contract_unit, factor
from pipeline.store.database import sql_type
from pipeline.store.sql import literal
from schemas.contract import MONTH_PATTERN, TABLES
from schemas.mapping import CLOCK_UNIT, ColumnMap, UnitFrom
from schemas.record import dataclass

NUMBER = {
    ".": r"-?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]{1,3})?",
    ",": r"-?([0-9]+,?[0-9]*|,[0-9]+)",
}
CLOCK = r"([0-9]{1,3}):([0-5][0-9])(:([0-5][0-9]))?"
SPACE = "' ' || chr(9) || chr(10) || chr(13) || chr(160)"
SEVERAL, PART = "\x01", "\x1f"
"""What begins the cell of an element that stands in a report more than once, and what stands
between its values there: characters that no XML text may hold."""

DECIMALS = 6
"""Converted numbers are rounded here, so that 29 % is 0.29 and not a binary neighbour."""

HASH_DIGITS = 32
"""128 bits: RFC 2104, section 5, advises to keep at least half of the hash."""


@dataclass(frozen=True)
class Target:
    """A column of the contract, and SQL names of the text it is made from and of its unit."""

    table: str
    column: str
    text: str
    unit_text: str

    @property
    def field(self) -> Any:
        """The column's pandera definition."""
        return TABLES[self.table].to_schema().columns[self.column]


@dataclass(frozen=True)
class Cell:
    """Two SQL expressions over the cell's text: its value, and what is wrong with it."""

    value: str
    problem: str = "null"


def text_of(cell: str, nulls: list[str]) -> str:
    """SQL for a cell's text without outer spaces; null where it is empty or spelled as null."""
    trimmed = f"trim({cell}, {SPACE})"
    spelled = ", ".join(literal(text.strip()) for text in ["", *nulls])
    return f"case when {trimmed} in ({spelled}) then null else {trimmed} end"


def parts_of(cell: str) -> str:
    """SQL for the values of a cell of a report, a list: one, an empty one, or several."""
    return f"string_split(ltrim(coalesce({cell}, ''), chr(1)), chr(31))"


def one_value(cell: str, pick: str | None) -> str:
    """SQL for the value that counts in a cell of a report; SEVERAL where that is not said."""
    parts = parts_of(cell)
    one = {"first": f"{parts}[1]", "last": f"{parts}[-1]"}.get(
        pick or "", f"case when len(list_distinct({parts})) = 1 then {parts}[1] else chr(1) end"
    )
    return f"(case when coalesce(starts_with({cell}, chr(1)), false) then {one} else {cell} end)"


def numeric(cell: str, decimal: str) -> str:
    """SQL for the number in a text; null where it is none."""
    plain = f"replace({cell}, ',', '.')" if decimal == "," else cell
    good = f"regexp_full_match({cell}, '{NUMBER[decimal]}')"
    return f"(case when {good} then try_cast({plain} as DOUBLE) end)"


def converted(target: Target, spec: ColumnMap, decimal: str) -> Cell:
    """Return how a cell that is not a time is read.

    UnknownUnitError where the stated unit cannot be the column's.
    """
    text, field = target.text, target.field
    kind = sql_type(field)
    if spec.token is not None:
        return Cell(_hashed(spec.token, text))
    if spec.codes is not None:
        return _coded(spec, text)
    if kind in ("INT", "DOUBLE"):
        return _number(target, spec, decimal, whole=kind == "INT")
    allowed = _allowed(field, kind)
    known = f"{text} in ({', '.join(map(literal, allowed or []))})"
    code = "not-true-or-false" if kind == "BOOLEAN" else "not-a-code"
    if any(check.statistics.get("pattern") == MONTH_PATTERN for check in field.checks):
        allowed = []
        known = f"regexp_full_match({text}, {literal(MONTH_PATTERN)})"
        code = "not-a-time"
    if allowed is None:
        return Cell(text)
    return Cell(f"case when {known} then {text} end", _wrong(text, known, code))


def allowed_codes(table: str, column: str) -> list[str] | None:
    """The codes a column may hold; None where any text or number may stand."""
    field = TABLES[table].to_schema().columns[column]
    return _allowed(field, sql_type(field))


def _allowed(field: Any, kind: str) -> list[str] | None:
    if kind == "BOOLEAN":
        return ["true", "false"]
    for check in field.checks:
        if "allowed_values" in check.statistics:
            return list(check.statistics["allowed_values"])
    return None


def _wrong(text: str, good: str, code: str) -> str:
    return f"case when {text} is not null and not ({good}) then {literal(code)} end"


def _coded(spec: ColumnMap, text: str) -> Cell:
    """By the list of codes; a code ending in * stands for all that begin so, "" for null."""
    assert spec.codes is not None
    cell = f"lower({text})" if spec.ignore_case else text
    arms, known = [], []
    for theirs, ours in spec.codes.items():
        code = theirs.lower() if spec.ignore_case else theirs
        prefix = code.endswith("*") and len(code) > 1
        is_it = (
            f"starts_with({cell}, {literal(code[:-1])})" if prefix else f"{cell} = {literal(code)}"
        )
        arms.append(f"when {is_it} then {literal(ours) if ours else 'null'}")
        known.append(is_it)
    if spec.otherwise is not None:
        arms.append(
            f"when {text} is not null then {literal(spec.otherwise) if spec.otherwise else 'null'}"
        )
        known = ["true"]
    value = f"case {' '.join(arms)} end" if arms else "null"
    return Cell(value, _wrong(text, " or ".join(known) or "false", "not-a-code"))


def _number(target: Target, spec: ColumnMap, decimal: str, *, whole: bool) -> Cell:
    text, ours = target.text, contract_unit(target.table, target.column)
    good, number = _parsed(spec, text, decimal)
    problem = _wrong(text, good, "not-a-number")
    times = "1.0"
    if isinstance(spec.unit, UnitFrom) and ours:
        arms = [
            f"when {literal(theirs)} then {factor(unit, ours)!r}::DOUBLE"
            for theirs, unit in spec.unit.means.items()
        ]
        times = f"(case {target.unit_text} {' '.join(arms)} end)"
        problem = f"coalesce({problem}, {_wrong(text, f'{times} is not null', 'not-a-unit')})"
    elif isinstance(spec.unit, str) and ours:
        times = f"{factor(spec.unit, ours)!r}::DOUBLE"
    if whole:
        return _whole(number, times, problem, text, rounds_down=ours is not None)
    if spec.unit is None and decimal == ".":
        return Cell(f"case when {good} then {text} end", problem)
    return Cell(f"({_shown(f'round({number} * {times}, {DECIMALS})')})", problem)


def _whole(number: str, times: str, problem: str, text: str, *, rounds_down: bool) -> Cell:
    """Completed months, elapsed seconds: as recorded times, they are cut off, not rounded."""
    exact = f"round({number} * {times}, {DECIMALS})"
    value = f"try_cast(floor({exact}) as BIGINT)"
    if rounds_down:
        return Cell(f"{value}::VARCHAR", problem)
    fits = f"{exact} = floor({exact})"
    return Cell(
        f"case when {fits} then {value}::VARCHAR end",
        f"coalesce({problem}, {_wrong(text, fits, 'not-a-whole-number')})",
    )


def _parsed(spec: ColumnMap, text: str, decimal: str) -> tuple[str, str]:
    """SQL for whether a text is a number, and for the number; null where it is none."""
    if spec.unit == CLOCK_UNIT:
        good = f"regexp_full_match({text}, '{CLOCK}')"
        parts = [
            f"coalesce(try_cast(regexp_extract({text}, '{CLOCK}', {group}) as INTEGER), 0) * {n}"
            for group, n in ((1, 3600), (2, 60), (4, 1))
        ]
        return good, f"(case when {good} then ({' + '.join(parts)})::DOUBLE end)"
    return f"regexp_full_match({text}, '{NUMBER[decimal]}')", numeric(text, decimal)


def _shown(number: str) -> str:
    """SQL for a number as text, without a decimal point where it is whole."""
    return (
        f"case when {number} = trunc({number}) and abs({number}) < 1e15"
        f" then ({number}::BIGINT)::VARCHAR else ({number})::VARCHAR end"
    )


def _hashed(kind: str, text: str) -> str:
    """SQL for the keyed hash (HMAC, RFC 2104, with SHA-256) of a record or crew number.

    $inner and $outer are the key's two pads. The kind is part of the message, so that a crew
    number that equals a record number gets another token.
    """
    message = f"encode({literal(kind)} || chr(31) || {text})"
    inner = f"unhex(sha256($inner::BLOB || {message}))"
    return f"sha256($outer::BLOB || {inner})[:{HASH_DIGITS}]"
