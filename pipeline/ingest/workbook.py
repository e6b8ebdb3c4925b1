"""The tables of a delivery that are the sheets of one XLSX workbook.

Cells are typed there, so three things can go wrong that cannot in text: a cell may hold a date,
where the contract has none, which refuses the delivery; a token typed as a number has lost zeros
in front, which nobody can tell, so that it is mentioned; and a number may be shown in percent.
"""

from __future__ import annotations

import warnings
from collections import defaultdict
from collections.abc import Iterator
from datetime import date, time, timedelta
from pathlib import Path
from typing import Any

from pipeline.errors import Refused
from pipeline.ingest.problems import Findings
from pipeline.ingest.read import RAGGED
from schemas.contract import TABLES

HEADER_LINE = 1


class Workbook:
    """One workbook of a delivery, opened once; `close` it in the end."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.book: Any = None

    def tables(self, findings: Findings) -> list[str]:
        """The tables that are sheets of it, by the sheets' names; none, and a finding, if damaged.

        Of its other sheets it is mentioned that they are left unread.
        """
        from pipeline.mapping.files import Found
        from pipeline.mapping.workbook import open_book

        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self.book = open_book(Found(self.path, self.path.name))
        except Refused as refusal:
            findings.refusals += refusal.problems
            return []
        titles = [sheet.title for sheet in self.book.worksheets]
        others = len(set(titles) - set(TABLES))
        if others:
            what = f"sheets that the contract does not name were left unread: {others}"
            findings.mention("the workbook", what)
        found = [table for table in TABLES if table in titles]
        if not found:
            self.close()
        return found

    def close(self) -> None:
        """Close the file."""
        if self.book is not None:
            self.book.close()
            self.book = None

    def header(self, table: str, name: str, findings: Findings) -> list[str] | None:
        """The header row of a table's sheet; None, and a finding, if it cannot be read."""
        from pipeline.mapping.workbook import sheet_header

        try:
            return sheet_header(self._sheet(table), self._found(name), HEADER_LINE)
        except Refused as refusal:
            findings.refusals += refusal.problems
        return None

    def rows(
        self, table: str, name: str, header: list[str], wanted: list[str], findings: Findings
    ) -> Iterator[tuple[Any, ...]]:
        """Yield line, reject_code, the rejected row's text, and the wanted cells of every row.

        Refused where cells would be misread. Rows without anything in them are passed over.
        """
        from pipeline.mapping.workbook import damaged, refuse_misread

        sheet, found = self._sheet(table), self._found(name)
        at = [header.index(column) for column in wanted]
        refuse_misread(found, sheet, HEADER_LINE, {place + 1 for place in at})
        cells = _Cells(table, wanted, at)
        rows = sheet.iter_rows(min_row=HEADER_LINE + 1)
        line = HEADER_LINE
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            while (row := damaged(found, lambda: next(rows, None))) is not None:
                line += 1
                if any(cell.value is not None for cell in row):
                    yield (line, *cells.read(row, line, len(header)))
        cells.tell(name, findings)

    def _found(self, name: str) -> Any:
        from pipeline.mapping.files import Found

        return Found(self.path, name)

    def _sheet(self, table: str) -> Any:
        sheet = self.book[table]
        # what a sheet says of its own size may be wrong, and would cut rows off
        sheet.reset_dimensions()
        return sheet


class _Cells:
    """Turns the cells of one sheet to text, and gathers what is to be said of them."""

    def __init__(self, table: str, wanted: list[str], at: list[int]) -> None:
        self.wanted, self.at = wanted, at
        columns = TABLES[table].to_schema().columns
        self.fields = [columns[name] for name in wanted]
        self.dates: dict[str, list[int]] = defaultdict(list)
        self.numbers: dict[str, int] = defaultdict(int)

    def read(self, row: tuple[Any, ...], line: int, width: int) -> tuple[Any, ...]:
        """Reject code, rejected text and cells; of a row wider than its header the trip alone."""
        beyond = any(cell.value is not None for cell in row[width:])
        texts = [
            self._text(place, row[at], line) if at < len(row) else None
            for place, at in enumerate(self.at)
        ]
        if not beyond:
            return (0, None, *texts)
        kept = [
            text if name == "trip_id" else None
            for name, text in zip(self.wanted, texts, strict=True)
        ]
        every = [str(cell.value) for cell in row if cell.value is not None]
        return (RAGGED, "\n".join(every), *kept)

    def _text(self, place: int, cell: Any, line: int) -> str | None:
        from pipeline.mapping.workbook import cell_text, plain_text

        value = cell.value
        if isinstance(value, date | time | timedelta):
            self.dates[self.wanted[place]].append(line)
            return None
        field = self.fields[place]
        if isinstance(value, int | float) and _is_token(field):
            self.numbers[self.wanted[place]] += 1
        # what is shown as 97 % holds 0.97: a column of percents takes the one, a fraction the other
        shown = (field.metadata or {}).get("unit") == "%"
        text = cell_text(cell, ".") if shown else plain_text(value, ".")
        return text or None

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
