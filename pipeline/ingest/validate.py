"""Cast a table's text and hold it against the contract, in one scan inside DuckDB.

The checks are the contract's own, as pandera applies them (`contract_checks.py`, made from it);
all of a table's go into one SELECT. Of a row that breaks one the texts are kept, and per cell the
first rule that is broken is worked out, as a small code; good rows carry a null. A column of the
contract's codes becomes an ENUM of them, which takes a byte a cell.
"""

from __future__ import annotations

from itertools import chain
from typing import Any

from pipeline.files.text_rows import TextRows
from pipeline.ingest.contract_checks import CHECKS
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
    def whole(self) -> str:
        """Name of the column that keeps the text as a whole number, of those `often_whole`."""
        return f"whole~{self.name}"

    @property
    def often_whole(self) -> bool:
        """Whether most numbers of the column are whole ones."""
        unit = (self.field.metadata or {}).get("unit")
        return self.kind in WRITTEN_AS and not self.words and unit not in RARELY_WHOLE

    @property
    def words(self) -> list[str]:
        """The codes that the contract allows, where it names them."""
        of_checks = [check.statistics.get("allowed_values", []) for check in self.field.checks]
        return [*chain(*of_checks)]

    @property
    def checks(self) -> tuple[str, ...]:
        """SQL of each check over the typed column; what words it may be the type says."""
        return () if self.words else CHECKS[self.table].get(self.name, ())

    @property
    def typed(self) -> str:
        """SQL that casts the text; null where it is empty or cannot be read as the type."""
        raw = quoted(self.raw)
        if self.words:
            return f"try_cast({raw} as ENUM({', '.join(map(literal, self.words))}))"
        if self.kind in WRITTEN_AS:
            written = f"regexp_full_match({raw}, '{WRITTEN_AS[self.kind]}')"
            arms = f"when {written} then try_cast({raw} as {self.kind})"
            if self.often_whole:
                # a number that reads back as it was written needs no pattern, which is slower
                whole = quoted(self.whole)
                arms = f"when {whole}::VARCHAR = {raw} then {whole}::{self.kind} {arms}"
            return f"case {arms} end"
        if self.kind == "BOOLEAN":
            return f"case lower({raw}) when 'true' then true when 'false' then false end"
        return raw

    @property
    def fine(self) -> str:
        """SQL for whether the cell breaks no rule: false or null where it breaks one.

        A check of a cell that is empty, or could not be read as the type, is null.
        """
        held = " and ".join(map("({})".format, self.checks)) or f"{quoted(self.name)} is not null"
        return f"({quoted(self.raw)} is null or {held})" if self.field.nullable else f"({held})"

    def code(self, text: str) -> str:
        """SQL for the first rule the cell breaks, 0 if none; `text` is SQL for what it held."""
        value = quoted(self.name)
        arms = []
        if self.kind in KINDS or self.words:
            failed = FIRST_CHECK if self.words else CAST_FAILED
            arms.append(f"when {value} is null and {text} is not null then {failed}")
        if not self.field.nullable:
            arms.append(f"when {value} is null then {IS_NULL}")
        arms += [
            f"when not ({check}) then {FIRST_CHECK + i}" for i, check in enumerate(self.checks)
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
    """`cast_sql` with `codes`: for each column the first rule it breaks, null if none does."""
    own = ["line", "reject_code"] if source.relation else []
    rejected = "reject_code > 0 or" if source.relation else ""
    return f"""
        select *, case when {rejected} raw is null then null else {codes_sql(table, present)} end
            as codes
        from ({cast_sql(source, table, present, own)})"""


def cast_sql(
    source: TextRows, table: str, present: list[str], own: list[str], *, of_kept: bool = False
) -> str:
    """Return the SELECT that casts and checks every cell in one scan of `source`.

    `present`: the contract columns of `table` that the source has; `own`: its columns that are
    taken as they are. Columns: those of `own`; the typed ones; `raw`, the text of all cells, null
    if the row is good. `of_kept`: the source has the `trip_key` of trips that are kept, without
    which no row is good; their tokens have been looked at.
    """
    columns = plan(table, present)
    extra = own + ["reject_text"] * bool(source.relation)
    # of a row that does not fit its header the trip alone is taken, to tell which lost a row
    fit = "case when reject_code = 0 then {} end" if source.relation else "{}"
    cells = [quoted(c.name) if c.name == "trip_id" else fit.format(quoted(c.name)) for c in columns]
    named = [f"{cell} as {quoted(c.raw)}" for cell, c in zip(cells, columns, strict=True)]
    raw = ", ".join([*extra, *named])
    typed = ", ".join(f"{c.typed} as {quoted(c.name)}" for c in columns)
    whole = [
        f", try_cast({quoted(c.raw)} as INT) as {quoted(c.whole)}" for c in columns if c.often_whole
    ]
    kept = ", ".join([*own, *(quoted(c.name) for c in columns)])
    fine = [
        "trip_key is not null" if of_kept and c.name == "trip_id" else c.fine for c in columns
    ] + ["reject_code = 0"] * bool(source.relation)
    texts = [quoted(c.raw) for c in columns] + ["reject_text"] * bool(source.relation)
    return f"""
with source as ({source.sql}),
raw as (select {raw} from source),
whole as (select *{"".join(whole)} from raw),
typed as (select *, {typed} from whole)
select {kept}, case when {" and ".join(fine)} then null else [{", ".join(texts)}] end as raw
from typed
"""


def codes_sql(table: str, present: list[str]) -> str:
    """SQL for what is wrong with each cell of a row of `cast_sql`: of nearly all rows nothing."""
    codes = (c.code(f"raw[{place}]") for place, c in enumerate(plan(table, present), start=1))
    return f"[{', '.join(codes)}]::UTINYINT[]"


def _pattern_words(check: Any) -> str:
    pattern = check.statistics.get("pattern")
    known = {TOKEN_PATTERN: PATTERN_WORDS["token"], MONTH_PATTERN: PATTERN_WORDS["month"]}
    return known.get(pattern, f"must match the pattern {pattern}")
