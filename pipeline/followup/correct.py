"""`tailrace correct`: read corrected values, for charts that cannot be exported again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.errors import Problem, in_cell
from pipeline.files.text_rows import TextRows
from pipeline.followup.screen_text import check_by, screened
from pipeline.followup.sheets import Row, Sheet, cell_problems, read_sheet
from pipeline.store.corrections import apply_corrections, placed_rows
from pipeline.store.database import transaction
from pipeline.store.followup_tables import ensure_followup_tables, insert, next_number
from pipeline.store.ledger import record_stored
from pipeline.store.session import store_in
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.contract import TABLES
from schemas.followup import CORRECTABLE, CorrectionsSheet
from schemas.record import dataclass
from schemas.stored import TIMED_TABLES

TAB = "correct"
KIND = "corrections"
NEVER = ("trip_id", "service_month")
"""Columns that say which trip and month it is: a correction may not turn one into another."""


@dataclass(frozen=True)
class Corrected:
    """What reading a sheet did: counts of corrections and of trips, and what was set aside."""

    read: int
    stored: int
    unchanged: int
    trips: int
    problems: list[Problem]


@dataclass(frozen=True)
class Cell:
    """One corrected cell, and the delivered row it was found in."""

    line: int
    trip_id: str
    table: str
    column: str
    value: str | None
    reason: str
    by: str
    at_s: int | None = None
    place: int = 1
    original: str | None = None

    @property
    def key(self) -> tuple[Any, ...]:
        """Tells the corrected cell, whatever its value."""
        return self.trip_id, self.table, self.at_s, self.place, self.column


def correct(file: Path, folder: Path, by: str | None = None) -> Corrected:
    """Store the corrections of a sheet that are new, and judge their trips again.

    One transaction for the sheet and the corrected content. Rows that cannot stand are set
    aside. Refused if the sheet as a whole cannot be read.
    """
    from pipeline.judging.evaluator import judge

    check_by(by)
    sheet = read_sheet(file, CorrectionsSheet, TAB)
    with store_in(folder) as con:
        with transaction(con):
            ensure_followup_tables(con)
            cells, problems = _checked(con, sheet, by)
            held = _held(con)
            new = [cell for cell in cells if held.get(cell.key) != (cell.original, cell.value)]
            trips = _store(con, sheet, new, by) if new else 0
        judge(con)
    return Corrected(len(sheet.rows), len(new), len(cells) - len(new), trips, problems)


def _checked(con: Connection, sheet: Sheet, by: str | None) -> tuple[list[Cell], list[Problem]]:
    """The cells that can be corrected, each once, and what is wrong with the other rows."""
    problems: list[Problem] = []
    for row in sheet.rows:
        problems += cell_problems(sheet, row, CorrectionsSheet)
        problems += _row_problems(sheet.file, row, by)
    problems += screened(con, sheet, sheet.rows, ("value", "reason", "by"), personal=("by",))
    bad = {problem.line for problem in problems}
    cells = []
    for row in sheet.rows:
        if row.line not in bad:
            found = _locate(con, sheet.file, row, by)
            if isinstance(found, Problem):
                problems.append(found)
            else:
                cells.append(found)
    wrong = [*_value_problems(con, sheet.file, cells), *_contradictions(sheet.file, cells)]
    bad = {problem.line for problem in wrong}
    once = {(cell.key, cell.value): cell for cell in reversed(cells) if cell.line not in bad}
    ordered = sorted([*problems, *wrong], key=lambda p: (p.line or 0, p.column or ""))
    typed = [_typed(con, cell) for cell in once.values()]
    return sorted(typed, key=lambda cell: cell.line), ordered


def _row_problems(file: str, row: Row, by: str | None) -> Iterator[Problem]:
    cells = row.cells
    table, column = cells.get("table"), cells.get("column")
    if not (cells.get("by") or by):
        remedy = "Fill it in, or name one with --by."
        yield in_cell("missing-value", file, row.line, "by", "must not be empty", remedy=remedy)
    if table not in CORRECTABLE or not column:
        return
    if column in NEVER:
        what = f"{column} cannot be corrected"
        remedy = "Have the trip exported again."
        yield in_cell("unknown-cell", file, row.line, "column", what, remedy=remedy)
    elif column not in TABLES[table].to_schema().columns:
        what = f"{table} has no such column"
        yield in_cell("unknown-cell", file, row.line, "column", what, remedy="Check its name.")
    if cells.get("at_s") and table not in TIMED_TABLES:
        what = f"rows of {table} have no time"
        remedy = "Leave it empty, and name the row by its line."
        yield in_cell("unknown-cell", file, row.line, "at_s", what, remedy=remedy)
    elif table != "trips" and not (cells.get("line") or cells.get("at_s")):
        what = "must say which row, by its line or its time"
        remedy = "Fill in line or at_s."
        yield in_cell("missing-value", file, row.line, "line", what, remedy=remedy)


def _locate(con: Connection, file: str, row: Row, by: str | None) -> Cell | Problem:
    """The delivered row a correction is about, in the content of its trip that holds."""
    cells = row.cells
    table, column = str(cells["table"]), str(cells["column"])
    where = "TRUE"
    if table != "trips":
        named = {name: cells[name] for name in ("line", "at_s") if cells.get(name)}
        where = " AND ".join(f"r.{name} = {int(value or 0)}" for name, value in named.items())
    found = con.execute(
        f"""
        SELECT r.row_at_s, r.place, r.{quoted(column)}::VARCHAR
        FROM ({placed_rows(table)}) r
        WHERE {where} AND r.trip_key = (
            SELECT coalesce((SELECT min(from_trip_key) FROM loop.corrected d
                             WHERE d.trip_key = h.trip_key), h.trip_key)
            FROM delivered.holding h WHERE h.trip_id = $1)
        """,
        [cells["trip_id"]],
    ).fetchall()
    if len(found) == 1:
        at_s, place, original = found[0]
        return Cell(
            row.line, str(cells["trip_id"]), table, column, cells.get("value"),
            str(cells["reason"]), cells.get("by") or str(by), at_s, place, original,
        )  # fmt: skip
    if found:
        what = f"{table} has {len(found)} rows of the trip at this time"
        return in_cell(
            "unknown-cell", file, row.line, "at_s", what, remedy="Name the row by its line."
        )
    what = f"the store keeps no such row of {table} for this trip"
    remedy = "Check trip, line and time; a row that was set aside cannot be corrected."
    return in_cell("unknown-cell", file, row.line, "trip_id", what, remedy=remedy)


def _value_problems(con: Connection, file: str, cells: list[Cell]) -> Iterator[Problem]:
    """Values that the contract would not take: the same checks as for a delivery."""
    from pipeline.ingest.validate import plan, staging_sql

    for table, column in sorted({(cell.table, cell.column) for cell in cells}):
        con.execute(f"""
            CREATE OR REPLACE TEMP TABLE raw_values (line INTEGER, reject_code INTEGER,
                reject_text VARCHAR, {quoted(column)} VARCHAR)""")
        for cell in cells:
            if (cell.table, cell.column) == (table, column):
                con.execute(
                    "INSERT INTO raw_values VALUES (?, 0, NULL, ?)", [cell.line, cell.value]
                )
        (planned,) = plan(table, [column])
        source = TextRows("SELECT * FROM raw_values", "line", "raw_values")
        rows = con.execute(
            f"SELECT line, codes[1] FROM ({staging_sql(source, table, [column])})"
            " WHERE codes IS NOT NULL ORDER BY line"
        ).fetchall()
        for line, code in rows:
            rule = planned.rules[code]
            yield in_cell(rule.problem, file, line, "value", rule.what, remedy="Correct the cell.")


def _contradictions(file: str, cells: list[Cell]) -> Iterator[Problem]:
    """Rows that give one cell different values: none of them is used."""
    given: dict[tuple[Any, ...], list[Cell]] = {}
    for cell in cells:
        given.setdefault(cell.key, []).append(cell)
    for same in given.values():
        if len({cell.value for cell in same}) > 1:
            for cell in same:
                others = ", ".join(str(other.line) for other in same if other is not cell)
                what = f"the same cell is corrected otherwise in row {others}"
                yield in_cell("contradictory-answer", file, cell.line, "value", what)


def _held(con: Connection) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    rows = con.execute("""
        SELECT trip_id, table_name, at_s, place, column_name, original, value
        FROM loop.correction ORDER BY correction_no
    """).fetchall()
    return {tuple(row[:5]): tuple(row[5:]) for row in rows}


def _store(con: Connection, sheet: Sheet, new: list[Cell], by: str | None) -> int:
    sheet_no = next_number(con, "sheet", "sheet_no")
    number = next_number(con, "correction", "correction_no")
    insert(con, "sheet", [(sheet_no, KIND, sheet.sha256, by, len(sheet.rows), len(new))])
    insert(con, "correction", [
        (place, sheet_no, cell.line, cell.trip_id, cell.table, cell.at_s, cell.place,
         cell.column, cell.original, cell.value, cell.reason, cell.by)
        for place, cell in enumerate(new, start=number)
    ])  # fmt: skip
    made = apply_corrections(con)
    record_stored(con, KIND, sheet_no, {
        "by": by, "sha256": sheet.sha256, "rows_read": len(sheet.rows), "rows_kept": len(new),
    }, made)  # fmt: skip
    return len(made)


def _typed(con: Connection, cell: Cell) -> Cell:
    """The cell with its value as the store writes it: 7 becomes 7.0 in a column of numbers."""
    from pipeline.store.database import one, sql_type

    field = TABLES[cell.table].to_schema().columns[cell.column]
    (value,) = one(con, f"SELECT ($1::VARCHAR)::{sql_type(field)}::VARCHAR", [cell.value])
    return replace(cell, value=value)


def corrected_words(done: Corrected) -> str:
    """What a reading did, for the terminal; the problems come on their own."""
    aside = done.read - done.stored - done.unchanged
    lines = [
        f"{done.read} corrections read: {done.stored} stored, {done.unchanged} known before,"
        f" {aside} set aside."
    ]
    if done.trips:
        trips = "1 trip was" if done.trips == 1 else f"{done.trips} trips were"
        lines.append(f"{trips} judged again; the originals are kept.")
    return "\n".join(lines)
