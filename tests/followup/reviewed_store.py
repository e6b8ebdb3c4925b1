"""A reviewed store to try the follow-up on, and sheets filled in as a reader would."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import load_workbook

from pipeline.followup.determine import Determined, determine
from tests import stores

MONTH = "2026-02"
Rows = list[dict[str, str]]


def copy_of(folder: Path, to: Path) -> Path:
    """The store and one month's folder, without the shared assets."""
    shutil.copytree(folder, to, ignore=shutil.ignore_patterns("assets"))
    return to


def ask(folder: Path, sql: str) -> list[tuple[Any, ...]]:
    """The rows of a query over a folder's store."""
    return stores.ask(folder / "store.duckdb", sql)


def tamper(folder: Path, sql: str) -> None:
    """Change a folder's store behind the program's back."""
    stores.tamper(folder / "store.duckdb", sql)


def sheet(workbook: Path, tab: str = "determinations") -> Rows:
    """The rows of a workbook's sheet as text, empty cells as ''."""
    book = load_workbook(workbook)
    lines = [["" if v is None else str(v) for v in row] for row in book[tab].values]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]


def fill(workbook: Path, answers: dict[str, dict[str, str]]) -> None:
    """Fill in the first row of each trip of the determinations sheet, and save the workbook."""
    book = load_workbook(workbook)
    tab = book["determinations"]
    header = [cell.value for cell in tab[1]]
    for row in tab.iter_rows(min_row=2):
        cells = dict(zip(header, row, strict=True))
        for name, value in answers.pop(cells["trip_id"].value, {}).items():
            cells[name].value = value
    assert not answers, "no such trips in the sheet"
    book.save(workbook)


def write_csv(path: Path, rows: Iterable[dict[str, str]]) -> Path:
    """Write rows as CSV with the columns of the first."""
    listed = list(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(listed[0]))
        writer.writeheader()
        writer.writerows(listed)
    return path


def answer(trip_id: str, rules: str, conclusion: str, **more: str) -> dict[str, str]:
    """One row of a hand-made sheet."""
    row = {"trip_id": trip_id, "rules": rules, "conclusion": conclusion, "status": "closed",
           "refer_to": "", "reviewer": "R1", "action": "", "due_month": "", "note": ""}  # fmt: skip
    return row | more


def read_back(folder: Path, rows: Iterable[dict[str, str]], by: str | None = None) -> Determined:
    """Determine a hand-made sheet."""
    return determine(write_csv(folder.parent / "answers.csv", rows), folder, by)


def flagged(folder: Path, month: str = MONTH, verdict: str = "deviation") -> list[tuple[str, str]]:
    """Trips and rules with a verdict in a month ('%' for all), sorted."""
    rows = ask(
        folder,
        f"""SELECT w.trip_id, v.rule
            FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
            WHERE w.service_month LIKE '{month}' AND v.verdict = '{verdict}' ORDER BY ALL""",
    )
    return [(trip, rule) for trip, rule in rows]


def drawn_for_a_second(folder: Path) -> list[str]:
    """The trips of the month that a second reader would be drawn for, by the draw's definition."""
    rows = ask(folder, f"""
        SELECT w.trip_id FROM judged.trip_window w SEMI JOIN (
            SELECT trip_key FROM judged.verdict WHERE verdict = 'deviation') USING (trip_key)
        WHERE w.service_month = '{MONTH}'
        ORDER BY sha256((SELECT min(service) FROM delivered.delivery) || '|second|{MONTH}|'
                        || w.trip_id)""")  # fmt: skip
    return [trip for (trip,) in rows][: max(2, -(-len(rows) // 10))]


def flags(folder: Path, trip: str) -> list[str]:
    """The rules that flag a trip, sorted."""
    return flags_of_each(folder).get(trip, [])


def flags_of_each(folder: Path) -> dict[str, list[str]]:
    """The rules that flag each trip, sorted."""
    rows = ask(folder, """
        SELECT w.trip_id, list(v.rule ORDER BY v.rule)
        FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
        WHERE v.verdict IN ('deviation', 'borderline') GROUP BY ALL""")  # fmt: skip
    return dict(rows)


def trips_of(delivery: Path) -> list[tuple[str, str]]:
    """Each delivered trip with its service month."""
    table = pd.read_csv(delivery / "trips.csv", dtype=str)
    return list(zip(table["trip_id"], table["service_month"], strict=True))


def delivery_like(
    delivery: Path,
    to: Path,
    *,
    without: Iterable[str] = (),
    edits: dict[tuple[str, str], dict[str, str]] | None = None,
) -> Path:
    """A copy of a delivery without some trips, and with cells of (table, trip) rows changed."""
    shutil.copytree(delivery, to)
    left_out = set(without)
    for path in sorted(to.glob("*.csv")):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        if "trip_id" not in table.columns:
            continue
        table = table[~table["trip_id"].isin(left_out)]
        for (name, trip), cells in (edits or {}).items():
            if name == path.stem:
                for column, value in cells.items():
                    table.loc[table["trip_id"] == trip, column] = value
        table.to_csv(path, index=False)
    return to
