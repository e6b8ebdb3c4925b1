"""The month's workbook: every table, and a determinations sheet to fill in and read back.

Text is always written as text, so that a cell that begins with = + - @ or a tab can never
become a formula. The same tables give the same bytes.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reports.render.sheet_rows import KINDS, LONGEST_TEXT, Table, with_tables
from reports.text.case_links import FOLDER, case_file
from schemas.findings import CONTRIBUTED, FINDINGS, MISSED
from schemas.followup import (
    ANSWERS,
    CORRECTABLE,
    PREFILLED,
    REFER_TO,
    SHEET_COLUMNS,
    STATUSES,
    CorrectionsSheet,
    DeterminationsSheet,
    RetrainingSheet,
)
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.frame import Frame

DETERMINATIONS, CORRECT, RETRAINING = "determinations", "correct", "retraining"
MOST_ROWS = 20_000
"""Rows of a table that a workbook holds: nobody reads more there, and all are in the data file."""

SPARE_ROWS = 200
"""Rows below the cases that have drop-downs too, for answers that are split or added."""

# a workbook must say when it was made; the same day for all keeps the bytes the same
MADE = datetime.datetime(2000, 1, 1)

WIDTHS = {"reason": 40}
ANSWER_WIDTHS = {
    "trip_id": 10, "rules": 22, "why": 33, "conclusion": 15, "contributed": 12, "status": 13,
    "refer_to": 11, "reviewer": 9, "action": 28, "due_month": 10, "note": 28, "case": 6,
    "earlier_answer": 34, "findings": 34,
}  # fmt: skip
"""So that a laptop's first screen, some 160 characters, has trip, rule, sentence and answers."""

NARROW, WIDE = 9, 48
CHOICES = {"conclusion": [*FINDINGS, MISSED], "status": STATUSES, "refer_to": REFER_TO}

HOW = [
    "For quality review, not for treating a patient. Local protocol, medical direction and law"
    " govern.",
    "One row of the sheet determinations is one rule on one trip. Grey columns are filled in; leave"
    " them.",
    "rules: the rule your answer is about; one cause may explain several, separated by spaces.",
    "conclusion: does it hold? holds, not_documented, does_not_hold or cannot_say; missed names a"
    " variance that no rule flagged. The words of earlier sheets are read, too.",
    "contributed: where it holds, what contributed, one or more with spaces between: "
    + ", ".join(CONTRIBUTED)
    + ".",
    "An audit trip in which nothing was missed: leave the conclusion empty, and close it.",
    "status: open, awaiting_crew, referred or closed; needed in every row you answer. A case is"
    " closed once every finding of it is concluded.",
    "action and due_month (YYYY-MM): what is to be done, by when; done once a later sheet closes"
    " its case.",
    "reviewer: your token. Name nobody anywhere. The note stays in the store.",
    "Then read the file back: tailrace determine FILE",
    "Sheet correct: values of charts that cannot be exported again; tailrace correct FILE",
    "Sheet retraining: which base was retrained, in which month, on which rule;"
    " tailrace retrained FILE",
]


def write_workbook(
    tables: Mapping[str, Frame | None],
    determinations: Frame,
    path: Path,
    lengths: Mapping[str, int] | None = None,
    standing: Path | None = None,
) -> None:
    """Write `tables`, one sheet each, and the determinations sheet to `path`.

    `determinations` has the columns of `schemas.followup.DeterminationsSheet`. A table of more than
    MOST_ROWS rows is cut, and its last row says so; `lengths`: of tables that were cut before.
    A table that is None is taken from `standing`, a workbook of the same tables in this order.
    """
    with _workbook(path, standing) as book:
        _write_determinations(book, determinations)
        _write_empty(book, CORRECT, CorrectionsSheet, {"table": CORRECTABLE})
        _write_empty(book, RETRAINING, RetrainingSheet, {"withdrawn": ["yes"]})
        book.add("how to answer", None if standing else _texts({"how to answer": HOW}))
        _write_tables(book, tables, lengths or {})
        book.add("columns", None if standing else _columns(tables))


def write_tables(tables: Mapping[str, Frame], path: Path) -> None:
    """Write `tables` alone, one sheet each, and what their columns mean to `path`."""
    with _workbook(path) as book:
        _write_tables(book, tables, {})
        book.add("columns", _columns(tables))


@dataclass
class _Book:
    """A workbook, its formats, and the tables that its sheets take, by their place.

    A table that is None is taken from the workbook before.
    """

    file: Any
    formats: dict[str, Any]
    tables: dict[int, Table | None] = field(default_factory=dict)

    def add(self, name: str, table: Table | None) -> None:
        """A sheet that takes a table, with a column of each kind to tell their styles by."""
        sheet = self.file.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for place, kind in enumerate(KINDS):
            sheet.set_column(place, place, None, self.formats[kind])
        self.tables[len(self.file.worksheets())] = table

    def headed(self, name: str, heads: Iterable[str]) -> Any:
        """A sheet to be filled in cell by cell."""
        sheet = self.file.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for place, head in enumerate(heads):
            sheet.write_string(0, place, head, self.formats["head"])
        return sheet


FORMATS = {
    "head": {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"},
    "given": {"bg_color": "#EDEDED", "num_format": "@"},
    "text": {"num_format": "@"},
    "whole": {"num_format": "0"},
    "number": {"num_format": "0.00##"},
}


@contextmanager
def _workbook(path: Path, standing: Path | None = None) -> Iterator[_Book]:
    """A new workbook; a kill in between leaves no half of it under the name."""
    import xlsxwriter

    drawn = io.BytesIO()
    unasked = dict.fromkeys(("constant_memory", "strings_to_formulas", "strings_to_urls"), False)
    file = xlsxwriter.Workbook(drawn, {"in_memory": True, **unasked})
    file.set_properties({"created": MADE})
    book = _Book(file, {name: file.add_format(look) for name, look in FORMATS.items()})
    yield book
    file.close()
    aside = path.with_name(f"{path.name}.new")
    with aside.open("wb") as written:
        with_tables(drawn, book.tables, written, standing)
    aside.replace(path)


def _write_tables(
    book: _Book, tables: Mapping[str, Frame | None], lengths: Mapping[str, int]
) -> None:
    for name, frame in tables.items():
        shown = None if frame is None else _table(name, frame, lengths.get(name, len(frame)))
        book.add(name[:31], shown)


def _write_determinations(book: _Book, frame: Frame) -> None:
    names, formats = SHEET_COLUMNS, book.formats
    sheet = book.headed(DETERMINATIONS, names)
    fields = DeterminationsSheet.to_schema().columns
    sheet.freeze_panes(1, names.index("rules") + 1)
    sheet.autofilter(0, 0, len(frame), len(names) - 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    last = len(frame) + SPARE_ROWS
    for place, name in enumerate(names):
        kind = "given" if name in PREFILLED else "text"
        sheet.set_column(place, place, ANSWER_WIDTHS.get(name, 12), formats[kind])
        help_text = {"input_title": name, "input_message": fields[name].description[:255]}
        if name in CHOICES:
            rule = {"validate": "list", "source": CHOICES[name], **help_text}
            sheet.data_validation(1, place, last, place, rule)
        elif name in ANSWERS:
            sheet.data_validation(1, place, last, place, {"validate": "any", **help_text})
    month = names.index("service_month")
    for row, cells in enumerate(_rows(frame.only(names)), start=1):
        for place, value in enumerate(cells):
            kind = "given" if names[place] in PREFILLED else "text"
            if names[place] == "case" and value is not None:
                page = f"../{cells[month]}/{FOLDER}/{case_file(str(cells[0]))}"
                sheet.write_url(row, place, _beside(page), formats["given"], str(value))
                continue
            _write_cell(sheet, row, place, None if value is None else str(value), formats[kind])


def _beside(page: str) -> Any:
    """A link to a file beside the workbook; xlsxwriter writes it as Windows alone reads it."""
    from xlsxwriter.url import Url

    link = Url(f"external:{page}")
    link._relationship_link = page
    return link


def _write_empty(book: _Book, name: str, model: Any, choices: dict[str, list[str]]) -> None:
    """A sheet to be filled in, with drop-downs for the columns in `choices`."""
    fields = model.to_schema().columns
    sheet = book.headed(name, fields)
    for place, (column, asked) in enumerate(fields.items()):
        sheet.set_column(place, place, WIDTHS.get(column, 14), book.formats["text"])
        rule: dict[str, Any] = {"validate": "any"}
        if column in choices:
            rule = {"validate": "list", "source": choices[column]}
        help_text = {"input_title": column, "input_message": asked.description[:255]}
        sheet.data_validation(1, place, SPARE_ROWS, place, {**rule, **help_text})


def _table(name: str, frame: Frame, length: int) -> Table:
    """The rows of a table that its sheet holds, and what it says of the others."""
    shown = frame.rows(slice(MOST_ROWS)).plain()
    whole = _whole_columns(name)
    kinds, widths = [], []
    for column, values in shown.items():
        kind = frame[column].dtype.kind
        number = "whole" if column in whole or kind in "iu" else "number"
        kinds.append(number if kind in "iuf" else "text")
        widths.append(_width(column, values, text=kind not in "iufb"))
    left = f"{length - MOST_ROWS} more rows are in data/{name}.csv" if length > MOST_ROWS else None
    return Table(list(shown), kinds, widths, list(shown.values()), left)


def _texts(columns: Mapping[str, Sequence[str]]) -> Table:
    """A table of texts alone, columns by their heads."""
    widths = [min(120, max(map(len, [head, *texts])) + 1) for head, texts in columns.items()]
    return Table(list(columns), ["text"] * len(columns), widths, list(columns.values()))


def _columns(tables: Iterable[str]) -> Table:
    """What every column of every table means, from the models."""
    told = [
        (name, column, str((asked.metadata or {}).get("unit", "")), str(asked.description))
        for name in tables
        for column, asked in _model_columns(name).items()
    ]
    heads = ("table", "column", "unit", "meaning")
    return _texts({head: [line[place] for line in told] for place, head in enumerate(heads)})


def _write_cell(sheet: Any, row: int, place: int, value: str | None, form: Any) -> None:
    if value is not None:
        cut = value if len(value) <= LONGEST_TEXT else value[: LONGEST_TEXT - 2] + " …"
        sheet.write_string(row, place, cut, form)


def _rows(frame: Frame) -> Iterator[tuple[Any, ...]]:
    """Rows of plain Python values, missing ones as None."""
    return zip(*frame.plain().values(), strict=True)


def _model_columns(name: str) -> dict[str, Any]:
    from schemas.followup_outputs import FOLLOWUP_OUTPUTS
    from schemas.measure_outputs import MEASURE_OUTPUTS
    from schemas.outputs import OUTPUTS
    from schemas.shared_outputs import SHARED_OUTPUTS

    model = {**OUTPUTS, **MEASURE_OUTPUTS, **FOLLOWUP_OUTPUTS, **SHARED_OUTPUTS}.get(name)
    return dict(model.to_schema().columns) if model else {}


def _whole_columns(name: str) -> set[str]:
    return {c for c, f in _model_columns(name).items() if str(f.dtype).startswith("int")}


def _width(column: str, values: Sequence[Any], *, text: bool) -> int:
    least = max(NARROW, len(str(column)) + 2)
    if not text:
        return least
    longest = max((len(str(value)) for value in values[:1000]), default=0)
    return min(WIDE, max(least, longest + 1))
