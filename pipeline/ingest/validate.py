"""Cast a table's text and hold it against the contract, in one scan inside DuckDB.

The checks are the contract's own, as pandera applies them (`checks.py`, made from the contract);
all of a table's go into one SELECT. Per cell the first rule that is broken is kept, as a small
code; rows without any carry a null. A column of the contract's codes becomes an ENUM of them,
which takes a byte a cell.
"""

from __future__ import annotations

from itertools import chain
from typing import Any

from pipeline.files.rows import TextRows
from pipeline.ingest.checks import CHECKS
from pipeline.ingest.problems import (
    PATTERN_WORDS,
    CellRule,
    cast_rule,
    check_rule,
    null_rule,
    range_words,
)
from pipeline.store.database import sql_type
from pipeline.store.sql import literal, quoted
from schemas.contract import MONTH_PATTERN, TABLES, TOKEN_PATTERN
from schemas.record import dataclass

CAST_FAILED, IS_NULL, FIRST_CHECK = 1, 2, 3
WRITTEN_AS = {
    "INT": "-?[0-9]+",
    "DOUBLE": r"-?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]{1,3})?",
}
"""How a number must be written: a bare cast would round, trim and take inf, 0x1f or 1_000."""

RARELY_WHOLE = ("1", "kg", "L/min")
"""Units whose numbers mostly have decimals."""

KINDS = {"INT": "whole", "DOUBLE": "number", "BOOLEAN": "boolean"}


@dataclass(frozen=True)
class ColumnPlan:
    """One contract column that a file has: its table, SQL type and check columns."""

    table: str
    name: str
    field: Any
    kind: str

    @property
    def raw(self) -> str:
        """Name of the column that keeps the text."""
        return f"raw~{self.name}"

    @property
    def words(self) -> list[str]:
        """The codes that the contract allows, where it names them."""
        of_checks = [check.statistics.get("allowed_values", []) for check in self.field.checks]
        return [*chain(*of_checks)]

    @property
    def checks(self) -> dict[str, str]:
        """SQL of each check, by the name of the column that says whether it holds."""
        if self.words:
            return {}
        sql = CHECKS[self.table].get(self.name, ())
        return {f"ok~{self.name}~{index}": check for index, check in enumerate(sql)}

    @property
    def typed(self) -> str:
        """SQL that casts the text; null where it is empty or cannot be read as the type."""
        raw = quoted(self.raw)
        if self.words:
            words = ", ".join(map(literal, self.words))
            # a cast that fails looks for the nearest word, which is slow
            return f"case when {raw} in ({words}) then {raw}::ENUM({words}) end"
        if self.kind in WRITTEN_AS:
            written = f"regexp_full_match({raw}, '{WRITTEN_AS[self.kind]}')"
            if (self.field.metadata or {}).get("unit") not in RARELY_WHOLE:
                # a number that reads back as it was written needs no pattern, which is slower
                written = f"try_cast({raw} as INT)::VARCHAR = {raw} or {written}"
            return f"case when {written} then try_cast({raw} as {self.kind}) end"
        if self.kind == "BOOLEAN":
            return f"case lower({raw}) when 'true' then true when 'false' then false end"
        return raw

    @property
    def fine(self) -> str:
        """SQL for whether the cell breaks no rule; never null."""
        value = quoted(self.name)
        holds = " and ".join([f"{value} is not null", *map(quoted, self.checks)])
        return f"({quoted(self.raw)} is null or {holds})" if self.field.nullable else f"({holds})"

    @property
    def code(self) -> str:
        """SQL for the first rule the cell breaks, 0 if none."""
        value, raw = quoted(self.name), quoted(self.raw)
        arms = []
        if self.kind in KINDS or self.words:
            failed = FIRST_CHECK if self.words else CAST_FAILED
            arms.append(f"when {value} is null and {raw} is not null then {failed}")
        if not self.field.nullable:
            arms.append(f"when {value} is null then {IS_NULL}")
        arms += [
            f"when not {quoted(check)} then {FIRST_CHECK + i}"
            for i, check in enumerate(self.checks)
        ]
        return f"case {' '.join(arms)} else 0 end" if arms else "0"

    @property
    def rules(self) -> dict[int, CellRule]:
        """The rule in words for each code this column can have."""
        nullable = self.field.nullable
        words = range_words(self.field.checks, (self.field.metadata or {}).get("unit"))
        rules = {IS_NULL: null_rule()}
        if self.kind in KINDS:
            rules[CAST_FAILED] = cast_rule(KINDS[self.kind], words, nullable=nullable)
        number = "whole number" if self.kind == "INT" else "number"
        for index, check in enumerate(self.field.checks):
            rules[FIRST_CHECK + index] = check_rule(
                check,
                f"must be a {number}{words}",
                nullable=nullable,
                pattern_words=_pattern_words(check),
            )
        return rules


def plan(table: str, present: list[str]) -> list[ColumnPlan]:
    """Return the contract columns of `table` that a file has, in the contract's order."""
    columns = TABLES[table].to_schema().columns
    return [
        ColumnPlan(table, name, field, sql_type(field))
        for name, field in columns.items()
        if name in present
    ]


def staging_sql(source: TextRows, table: str, present: list[str]) -> str:
    """Return the SELECT that casts and checks every cell in one scan of `source`.

    `present`: the contract columns of `table` that the source has.

    Columns: line and reject_code where the source has them; the typed columns; `codes`, one a
    column and null if all are 0; `raw`, the text of all cells, null if the row is good.
    """
    columns = plan(table, present)
    extra = ["line", "reject_code", "reject_text"] if source.relation else []
    # of a row that does not fit its header the trip alone is taken, to tell which lost a row
    fit = "case when reject_code = 0 then {} end" if extra else "{}"
    cells = [quoted(c.name) if c.name == "trip_id" else fit.format(quoted(c.name)) for c in columns]
    named = [f"{cell} as {quoted(c.raw)}" for cell, c in zip(cells, columns, strict=True)]
    raw = ", ".join([*extra, *named])
    typed = ", ".join(f"{c.typed} as {quoted(c.name)}" for c in columns)
    checks = [f"{sql} as {quoted(name)}" for c in columns for name, sql in c.checks.items()]
    kept = ", ".join([*extra[:2], *(quoted(c.name) for c in columns)])
    fine = " and ".join(c.fine for c in columns)
    rejected = "reject_code > 0" if extra else "false"
    codes = ", ".join(c.code for c in columns)
    texts = ", ".join([*(quoted(c.raw) for c in columns), *extra[2:]])
    # what is wrong is worked out for the rows that are not fine: nearly all are
    return f"""
with source as ({source.sql}),
raw as (select {raw} from source),
typed as (select *, {typed} from raw),
checked as (select {", ".join(["*", *checks])} from typed),
summed as (select *, {rejected} as "~rejected", {fine} as "~fine" from checked)
select
    {kept},
    case when "~rejected" or "~fine" then null else [{codes}]::UTINYINT[] end as codes,
    case when "~rejected" or not "~fine" then [{texts}] end as raw
from summed
"""


def _pattern_words(check: Any) -> str:
    pattern = check.statistics.get("pattern")
    known = {TOKEN_PATTERN: PATTERN_WORDS["token"], MONTH_PATTERN: PATTERN_WORDS["month"]}
    return known.get(pattern, f"must match the pattern {pattern}")
