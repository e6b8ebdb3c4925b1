"""The privacy screen over what people write in a sheet: a net, not a proof."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.errors import Problem, in_cell
from pipeline.followup.sheets import Row, Sheet
from pipeline.ingest.looks import looks, named_inside, prepare
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

    Free text is allowed here, and looked through for names. In `personal` columns, which hold
    tokens, any two words look like a name. The value itself is never repeated.
    """
    con.execute(
        "CREATE OR REPLACE TEMP TABLE sheet_text"
        " (line INTEGER, place VARCHAR, name VARCHAR, value VARCHAR)"
    )
    for row in rows:
        for column in columns:
            if row.cells.get(column):
                name = "crew_member" if column in personal else column
                con.execute("INSERT INTO sheet_text VALUES (?, ?, ?, ?)",
                            [row.line, column, name, row.cells[column]])  # fmt: skip
    prepare(con, "sheet_text")
    found = con.execute(f"""
        SELECT line, place, CASE {_kinds()} END AS looks_like
        FROM sheet_text WHERE looks_like IS NOT NULL ORDER BY ALL
    """).fetchall()
    remedy = "Take it out: tokens and what happened are enough."
    return [
        in_cell(
            "private-content", sheet.file, line, name, f"the cell looks like {kind}", remedy=remedy
        )
        for line, name, kind in found
    ]


def _kinds() -> str:
    arms = looks()
    del arms["free text"]
    arms["a person's name"] += f" OR (name <> 'crew_member' AND {named_inside()})"
    return " ".join(f"WHEN {condition} THEN {literal(kind)}" for kind, condition in arms.items())
