"""The privacy screen over what people write in a sheet: a net, not a proof."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.errors import Problem, in_cell
from pipeline.followup.sheets import Row, Sheet
from pipeline.ingest.identifiers import ANY_PAIR, CONTENT, PAIR, TRADE_WORD
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import duckdb


def screened(
    con: duckdb.DuckDBPyConnection,
    sheet: Sheet,
    rows: Sequence[Row],
    columns: Sequence[str],
    *,
    personal: Sequence[str] = (),
) -> list[Problem]:
    """One problem for each cell of `columns` that looks as if it identifies a person.

    Free text is allowed here. In `personal` columns, which hold tokens, any two words look like
    a name. The value itself is never repeated.
    """
    con.execute(
        "CREATE OR REPLACE TEMP TABLE sheet_text (line INTEGER, name VARCHAR, value VARCHAR)"
    )
    for row in rows:
        for name in columns:
            if row.cells.get(name):
                con.execute("INSERT INTO sheet_text VALUES (?, ?, ?)",
                            [row.line, name, row.cells[name]])  # fmt: skip
    found = con.execute(f"""
        SELECT line, name, CASE {_kinds(personal)} END AS looks_like
        FROM sheet_text WHERE looks_like IS NOT NULL ORDER BY ALL
    """).fetchall()
    remedy = "Take it out: tokens and what happened are enough."
    return [
        in_cell(
            "private-content", sheet.file, line, name, f"the cell looks like {kind}", remedy=remedy
        )
        for line, name, kind in found
    ]


def _kinds(personal: Sequence[str]) -> str:
    arms = [
        f"WHEN regexp_matches(value, {literal(pattern)}) THEN {literal(kind)}"
        for kind, pattern in CONTENT.items()
        if kind != "free text"
    ]
    names = f"regexp_matches(value, {literal(PAIR)})"
    if personal:
        tokens = ", ".join(map(literal, personal))
        names += f" OR (name IN ({tokens}) AND regexp_matches(value, {literal(ANY_PAIR)}))"
    arms.append(
        f"WHEN ({names}) AND NOT regexp_matches(value, {literal(TRADE_WORD)})"
        " THEN 'a person''s name'"
    )
    return " ".join(arms)
