"""Read a filled sheet, XLSX or CSV, into rows of text; nothing is guessed at.

Sheets are filled in by hand and hold tens of rows, so they are gone through row by row.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from pipeline.errors import Problem, Refused, shown
from pipeline.files import Unreadable
from pipeline.files.delimited import read_header, records
from pipeline.files.text_rows import BAD_QUOTING
from schemas import shape as pa
from schemas.record import dataclass

MOST_ROWS = 100_000
LARGEST_SHEET = 64 << 20
REMEDIES = {
    "not-utf8": "Save the file as CSV in UTF-8",
    "empty-file": "Fill in the sheet that a review writes",
    "wrong-delimiter": "Save the file with commas between cells",
    "missing-sheet": "Use the workbook that a review writes, and keep the sheet's name",
    "missing-header": "Keep the header row that a review writes",
}
"""What to do where it is not what is done about a delivery."""

Cells = dict[str, str | None]
Line = tuple[int, list[str]]
"""The number of a row, and its cells as far as they go."""


@dataclass(frozen=True)
class Row:
    """One row that is not empty: its number in the sheet (the header is 1) and its cells."""

    line: int
    cells: Cells
    too_long: bool = False


@dataclass(frozen=True)
class Sheet:
    """A sheet as read; `file` is what messages call it."""

    file: str
    sha256: str
    rows: list[Row]


def read_sheet(path: Path, model: type[pa.DataFrameModel], tab: str) -> Sheet:
    """Read a CSV file, or the tab named `tab` of a workbook; Refused lists what is wrong with it.

    Cells are stripped of outer spaces; an empty one is None. Columns follow `model`; those that
    may be empty may be absent.
    """
    from pipeline.ingest.delivery_files import read_part
    from pipeline.ingest.problems import Findings

    findings = Findings()
    content = read_part(path, findings, most=LARGEST_SHEET)
    if content is None:
        raise Refused(findings.refusals)
    workbook = path.suffix.lower() in (".xlsx", ".xlsm")
    try:
        header, *body = _workbook_rows(path, tab) if workbook else _csv_rows(path)
    except Unreadable as error:
        findings.unreadable(path.name, error, REMEDIES.get(error.code))
        raise Refused(findings.refusals) from None
    names = [cell.strip() for cell in header[1]]
    while names and not names[-1]:
        names.pop()
    _check_header(path.name, names, model, tab if workbook else None)
    codes = _codes(model)
    rows = []
    for number, cells in body:
        texts = [cell.strip() or None for cell in cells]
        if any(texts):
            padded = texts + [None] * len(names)
            row = {
                name: codes.get((name, str(cell).lower()), cell)
                for name, cell in zip(names, padded, strict=False)
            }
            rows.append(Row(number, row, too_long=any(texts[len(names) :])))
    return Sheet(path.name, content.sha256, rows)


def _codes(model: type[pa.DataFrameModel]) -> dict[tuple[str, str], str]:
    """The code of each column that a text without its capitals means."""
    return {
        (name, str(code).lower()): str(code)
        for name, field in model.to_schema().columns.items()
        for check in field.checks
        for code in check.statistics.get("allowed_values", ())
    }


def cell_problems(sheet: Sheet, row: Row, model: type[pa.DataFrameModel]) -> Iterator[Problem]:
    """What is wrong with the cells of one row, held against the model's own checks."""
    from pipeline.ingest.problems import ROW_RULES, check_rule, null_rule

    if row.too_long:
        rule = ROW_RULES["ragged-row"]
        yield Problem(
            sheet.file, row.line, None, rule.problem, rule.what, "Take out the cells too many."
        )
    for name, field in model.to_schema().columns.items():
        value = row.cells.get(name)
        if value is None:
            if not field.nullable:
                rule = null_rule()
                yield Problem(sheet.file, row.line, name, rule.problem, rule.what, "Fill it in.")
            continue
        for check in field.checks:
            if not _holds(check.statistics, value):
                words = PATTERN_WORDS.get(check.statistics.get("pattern", ""), "cannot be read")
                rule = check_rule(check, "", nullable=field.nullable, pattern_words=words)
                yield Problem(
                    sheet.file, row.line, name, rule.problem, rule.what, "Correct the cell."
                )
                break


def _pattern_words() -> dict[str, str]:
    from schemas import contract, followup

    return {
        contract.TOKEN_PATTERN: (
            "must be 1 to 64 characters on one line, and not begin with = + - or @"
        ),
        contract.MONTH_PATTERN: "must be a month written YYYY-MM",
        followup.ACTION_PATTERN: "must be 1 to 300 characters on one line",
        followup.WORDS_PATTERN: (
            "must be 1 to 300 characters on one line, and not begin with = + - or @"
        ),
        followup.NOTE_PATTERN: "must be at most 4000 characters",
        followup.LINE_PATTERN: "must be a whole number",
        followup.TIME_PATTERN: "must be a whole number of seconds",
        followup.NAME_PATTERN: "must be the name of a column",
    }


PATTERN_WORDS = _pattern_words()


def _holds(statistics: dict[str, Any], value: str) -> bool:
    if "allowed_values" in statistics:
        return value in statistics["allowed_values"]
    return re.fullmatch(statistics["pattern"], value) is not None


def _csv_rows(path: Path) -> list[Line]:
    header = read_header(path)
    if not header:
        what = "the file is empty or begins with a blank line"
        raise Unreadable("empty-file", what, line=1)
    if len(header) == 1 and any(mark in header[0] for mark in ";\t|"):
        raise Unreadable("wrong-delimiter", "the cells are not separated by commas", line=1)
    rows: list[Line] = [(1, header)]
    for line, code, cells in records(path):
        if code == BAD_QUOTING:
            what = "a quotation mark that is opened here is never closed"
            raise Unreadable("open-quote", what, line=line)
        rows.append((line, cells))
    return rows


def _workbook_rows(path: Path, tab: str) -> list[Line]:
    from pipeline.files.workbook import Workbook

    with Workbook(path) as book:
        rows = book.sheet(tab).rows(1) if tab in book.titles else iter(())
        lines = [
            (line, [_text(cell.value) for cell in row]) for line, row in islice(rows, MOST_ROWS)
        ]
    if not lines:
        what = f'the workbook has no filled sheet "{tab}"'
        raise Unreadable("missing-sheet", what)
    return lines


def _text(value: Any) -> str:
    """A cell as its author would read it; a month that became a date is a month again."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if hasattr(value, "strftime"):
        return str(value.strftime("%Y-%m"))
    # the file format writes _x0041_ as _x005F_x0041_, and not every reader undoes it
    return re.sub(r"_x005F_(?=x[0-9A-Fa-f]{4}_)", "_", str(value))


def _check_header(
    file: str, names: list[str], model: type[pa.DataFrameModel], tab: str | None
) -> None:
    columns = model.to_schema().columns
    where = f'sheet "{tab}" has' if tab else "file has"
    problems = []
    if not set(names) & set(columns):
        what = f"the {where} none of its columns in the first row"
        remedy = f"{REMEDIES['missing-header']}."
        raise Refused(Problem(file, 1, None, "missing-header", what, remedy))
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            problems.append(("repeated-column", name, "the column is there twice", "Keep one"))
        elif name not in columns:
            what, remedy = f"the {where} a column that is not one of its own", "Remove it"
            problems.append(("unknown-column", name, what, remedy))
    for name, field in columns.items():
        if name not in names and not field.nullable:
            problems.append(("missing-column", name, "the column is missing", "Add the column"))
    if problems:
        raise Refused([
            Problem(file, 1, shown(name, 64), code, what, f"{remedy}.")
            for code, name, what, remedy in problems
        ])  # fmt: skip
