"""The tables of a delivery that are the sheets of one XLSX workbook.

Cells are typed there, so three things can go wrong that cannot in text: a cell may hold a date,
where the contract has none, which refuses the delivery; a token typed as a number has lost zeros
in front, which nobody can tell, so that it is mentioned; and a number may be shown in percent.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, time, timedelta
from typing import Any

from pipeline.files.text_rows import RAGGED, Row
from pipeline.files.workbook import Sheet, Workbook, cell_text, plain_text
from pipeline.ingest.problems import Findings
from schemas.contract import TABLES, sheet_name

HEADER_LINE = 1


def tables_in(book: Workbook, findings: Findings) -> list[str]:
    """The tables that are sheets of a workbook, by the sheets' names; without any it is closed.

    Of its other sheets it is mentioned that they are left unread.
    """
    others = len(set(book.titles) - set(TABLES))
    if others:
        what = f"sheets that the contract does not name were left unread: {others}"
        findings.mention("the workbook", what)
    found = [table for table in TABLES if table in book.titles]
    if not found:
        book.close()
    return found


def sheet_rows(
    sheet: Sheet, table: str, width: int, columns: dict[str, int], findings: Findings
) -> Iterator[Row]:
    """Yield the wanted cells of every row that has anything in it.

    Unreadable where cells would be misread; what is to be said of them goes to `findings`.
    """
    sheet.refuse_misread(HEADER_LINE, {place + 1 for place in columns.values()})
    cells = _Cells(table, columns)
    for line, row in sheet.rows(HEADER_LINE + 1):
        if any(cell.value is not None for cell in row):
            yield cells.read(row, line, width)
    cells.tell(sheet_name(table), findings)


class _Cells:
    """Turns the cells of one sheet to text, and gathers what is to be said of them."""

    def __init__(self, table: str, columns: dict[str, int]) -> None:
        contract = TABLES[table].to_schema().columns
        self.columns = [(name, at, contract[name]) for name, at in columns.items()]
        self.dates: dict[str, list[int]] = defaultdict(list)
        self.numbers: dict[str, int] = defaultdict(int)

    def read(self, row: tuple[Any, ...], line: int, width: int) -> Row:
        """Return the row; one that is wider than its header is rejected."""
        texts = [
            self._text(name, field, row[at], line) if at < len(row) else ""
            for name, at, field in self.columns
        ]
        if all(cell.value is None for cell in row[width:]):
            return line, 0, "", texts
        every = [str(cell.value) for cell in row if cell.value is not None]
        return line, RAGGED, "\n".join(every), texts

    def _text(self, name: str, field: Any, cell: Any, line: int) -> str:
        value = cell.value
        if isinstance(value, date | time | timedelta):
            self.dates[name].append(line)
            return ""
        if isinstance(value, int | float) and _is_token(field):
            self.numbers[name] += 1
        # what is shown as 97 % holds 0.97: a column of percents takes the one, a fraction the other
        shown = (field.metadata or {}).get("unit") == "%"
        return cell_text(cell, ".") if shown else plain_text(value, ".")

    def tell(self, name: str, findings: Findings) -> None:
        """Refuse dates, and mention tokens that are typed as numbers."""
        for column, lines in self.dates.items():
            more = f", and so do {len(lines) - 1} more" if len(lines) > 1 else ""
            what = f"the cell holds a date or time of the spreadsheet's own{more}"
            findings.add("date-cell", name, what, line=lines[0], column=column)
        for column, count in self.numbers.items():
            what = (
                f"{column} is typed as a number in {count} rows: zeros in front, if there were"
                " any, are lost, and 007 is 7; format the column as text to keep them"
            )
            findings.mention(name, what)


def _is_token(field: Any) -> bool:
    """Whether a column is free text: there 007 and 7 are two things."""
    return str(field.dtype) == "string" and not any(
        "allowed_values" in check.statistics for check in field.checks
    )
