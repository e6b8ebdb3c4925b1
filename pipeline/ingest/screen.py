"""The privacy screen: does a column's name or content look as if it identifies a person?

A finding names file, column and line, never the value. It is a net, not a proof: the local
privacy officer decides.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from pipeline.ingest.identifiers import (
    ANY_PAIR,
    CONTENT,
    GENERATED,
    MOSTLY,
    PAIR,
    PAIR_MARK,
    PERSONAL,
    SERIAL,
    TRADE_WORD,
    UNITS,
    WORD_OF,
)
from pipeline.ingest.problems import Findings
from pipeline.store.database import one
from pipeline.store.sql import literal, quoted
from schemas.contract import TABLES

if TYPE_CHECKING:
    import duckdb


def private_name(column: str) -> str | None:
    """Return what a column's name says it holds ("a date of birth"), or None."""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", column)
    words = [w for w in re.split(r"[^a-z0-9]+", spaced.lower()) if w]
    joined = "".join(words)
    for word in [*words, joined]:
        if word in WORD_OF:
            return WORD_OF[word]
    return None


def screen_tables(
    con: duckdb.DuckDBPyConnection, files: dict[str, str], findings: Findings
) -> None:
    """Add a finding for every column of the staged tables whose content looks identifying.

    `files`: the name of the file by table; tables that could not be staged are left out.
    """
    con.execute(
        "create or replace temp table screened (table_name VARCHAR, name VARCHAR, value VARCHAR)"
    )
    for table in files:
        _collect(con, table, trips="trips" in files)
    _exempt_generated(con)
    conditions = _conditions()
    answers = ", ".join(f"bool_or({condition})" for condition in conditions.values())
    rows = con.execute(
        f"select table_name, name, {answers} from screened group by table_name, name order by all"
    ).fetchall()
    found = [
        (table, name, what)
        for table, name, *answers in rows
        for what, answer in zip(conditions, answers, strict=True)
        if answer
    ]
    for table, name, what in found:
        line, count = _where(con, table, name, conditions[what])
        more = f", and so do {count - 1} more" if count > 1 else ""
        findings.add(
            "private-content",
            files[table],
            f"the cell looks like {what}{more}",
            line=line,
            column=name or None,
        )


def _conditions() -> dict[str, str]:
    """SQL over a row (name, value) for each kind of identifier."""
    conditions = {
        what: f"regexp_matches(value, {literal(pattern)})" for what, pattern in CONTENT.items()
    }
    personal = ", ".join(map(literal, PERSONAL))
    conditions["a person's name"] = (
        f"(CASE WHEN regexp_matches(value, {literal(PAIR_MARK)})"
        f" THEN regexp_matches(value, {literal(PAIR)}) ELSE FALSE END"
        f" or (name in ({personal}) and regexp_matches(value, {literal(ANY_PAIR)})))"
        f" and not regexp_matches(value, {literal(TRADE_WORD)})"
    )
    conditions["a serial number"] = (
        f"name in ({', '.join(map(literal, UNITS))}) and regexp_matches(value, {literal(SERIAL)})"
    )
    return conditions


def _collect(con: duckdb.DuckDBPyConnection, table: str, *, trips: bool) -> None:
    """Add the distinct texts of each column that are to be looked at to `screened`.

    Those are the columns of free tokens, and whatever else could not be read as its column asks.
    """
    selects = []
    for name, field in TABLES[table].to_schema().columns.items():
        if str(field.dtype) != "string" or any(
            "allowed_values" in c.statistics for c in field.checks
        ):
            continue
        known = trips and table != "trips" and name == "trip_id"
        unless = "where trip_id not in (select trip_id from staged_trips where trip_id is not null)"
        selects.append(
            f"select distinct {literal(name)} as name, {quoted(name)} as value"
            f" from staged_{table} {unless if known else ''}"
        )
    con.execute(
        f"insert into screened select {literal(table)}, * from ("
        + " union all ".join([*selects, _bad_cells(table)])
        + ") where value is not null group by all"
    )


def _bad_cells(table: str) -> str:
    """SQL for the texts of cells that broke a rule, and of rows that do not fit the header."""
    return f"""
        select rules.column_name as name, bad.value
        from (select unnest(codes) as code, unnest(range(1, len(codes) + 1)) as position,
                     unnest(raw) as value
              from staged_{table} where codes is not null) bad
        join (select distinct position, column_name from cell_rules
              where table_name = '{table}') rules using (position)
        where bad.code > 0
        union all
        select '' as name, unnest(string_split(raw[1], chr(10))) as value
        from staged_{table} where reject_code > 0
    """


def _exempt_generated(con: duckdb.DuckDBPyConnection) -> None:
    """Leave keyed hashes out where a column holds little else; numbers alone are not hashes."""
    con.execute(f"""
        delete from screened
        where regexp_full_match(value, '{GENERATED}') and (table_name, name) in (
            select (table_name, name) from screened group by table_name, name
            having avg((regexp_full_match(value, '{GENERATED}')
                and regexp_matches(value, '[A-Fa-f]'))::INT) >= {MOSTLY})
    """)


def _where(
    con: duckdb.DuckDBPyConnection, table: str, name: str, condition: str
) -> tuple[int, int]:
    """Line of the first row with such a cell, and how many rows have one."""
    if name == "":
        cells = (
            f"select line, unnest(string_split(raw[1], chr(10))) as value"
            f" from staged_{table} where reject_code > 0"
        )
    else:
        cells = f"""
            select line, {quoted(name)}::VARCHAR as value from staged_{table}
            union all
            select line, raw[rules.position] from staged_{table}
            join (select distinct position from cell_rules
                  where table_name = '{table}' and column_name = {literal(name)}) rules on true
            where codes is not null
        """
    line, count = one(
        con,
        f"select min(line), count(distinct line) from ({cells}) where value in"
        f" (select value from screened where table_name = {literal(table)}"
        f" and name = {literal(name)} and {condition})",
    )
    return line, count
