"""Read a filled sheet, XLSX or CSV, into rows of text; nothing is guessed at.

Sheets are filled in by hand and hold tens of rows, so they are gone through row by row.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem, Refused

if TYPE_CHECKING:
    import pandera.ibis as pa

MOST_ROWS = 100_000
LARGEST_SHEET = 64 << 20
Cells = dict[str, str | None]


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
    from pipeline.ingest.files import read_content
    from pipeline.ingest.problems import Findings

    findings = Findings()
    found = read_content(path, findings, most=LARGEST_SHEET)
    if found is None:
        raise Refused(findings.refusals)
    workbook = path.suffix.lower() in (".xlsx", ".xlsm")
    lines = _workbook_rows(path, tab) if workbook else _csv_rows(path.name, path.read_bytes())
    header, body = lines[0], lines[1:]
    names = [(cell or "").strip() for cell in header[1]]
    while names and not names[-1]:
        names.pop()
    _check_header(path.name, names, model, tab if workbook else None)
    rows = []
    for number, cells in body:
        texts = [(cell or "").strip() or None for cell in cells]
        if any(texts):
            padded = texts + [None] * len(names)
            row = dict(zip(names, padded, strict=False))
            rows.append(Row(number, row, too_long=any(texts[len(names) :])))
    return Sheet(path.name, found.sha256, rows)


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
    from schemas import contract
    from schemas import followup as loop

    return {
        contract.TOKEN_PATTERN: "must be 1 to 64 characters on one line",
        contract.MONTH_PATTERN: "must be a month written YYYY-MM",
        loop.ACTION_PATTERN: "must be 1 to 300 characters on one line",
        loop.NOTE_PATTERN: "must be at most 4000 characters",
        loop.LINE_PATTERN: "must be a whole number",
        loop.TIME_PATTERN: "must be a whole number of seconds",
        loop.NAME_PATTERN: "must be the name of a column",
    }


PATTERN_WORDS = _pattern_words()


def _holds(statistics: dict[str, Any], value: str) -> bool:
    if "allowed_values" in statistics:
        return value in statistics["allowed_values"]
    return re.fullmatch(statistics["pattern"], value) is not None


def _csv_rows(file: str, content: bytes) -> list[tuple[int, list[str | None]]]:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refused(
            file, "not-utf8", "the file is not encoded in UTF-8", "Save the file as CSV in UTF-8",
            line=content[: error.start].count(b"\n") + 1,
        ) from None  # fmt: skip
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[int, list[str | None]]] = []
    start = 1
    try:
        for cells in reader:
            rows.append((start, list(cells)))
            start = reader.line_num + 1
    except csv.Error:
        raise _refused(
            file, "open-quote", "a quotation mark that is opened here is never closed",
            "Close the quotation mark, or double it where it belongs to the text", line=start,
        ) from None  # fmt: skip
    if not rows or not any(rows[0][1]):
        raise _refused(
            file, "empty-file", "the file is empty or begins with a blank line",
            "Fill in the sheet that a review writes", line=1,
        )  # fmt: skip
    if len(rows[0][1]) == 1 and any(mark in str(rows[0][1][0]) for mark in ";\t|"):
        raise _refused(
            file, "wrong-delimiter", "the cells are not separated by commas",
            "Save the file with commas between cells", line=1,
        )  # fmt: skip
    return rows


def _workbook_rows(path: Path, tab: str) -> list[tuple[int, list[str | None]]]:
    from pipeline.mapping.files import Found
    from pipeline.mapping.workbook import open_book

    file = path.name
    try:
        book = open_book(Found(path, file))
        sheet = book[tab] if tab in book.sheetnames else None
        rows: list[tuple[int, list[str | None]]] = []
        if sheet is not None:
            sheet.reset_dimensions()
            for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
                if number > MOST_ROWS:
                    break
                rows.append((number, [_text(value) for value in cells]))
        book.close()
    except Refused:
        raise
    except Exception:
        raise _refused(
            file, "not-a-workbook", "the file is damaged, or not an XLSX workbook",
            "Save it again as XLSX, or save the sheet as CSV in UTF-8",
        ) from None  # fmt: skip
    if sheet is None or not rows:
        raise _refused(
            file, "missing-sheet", f'the workbook has no filled sheet "{tab}"',
            "Use the workbook that a review writes, and keep the sheet's name",
        )  # fmt: skip
    return rows


def _text(value: Any) -> str | None:
    """A cell as its author would read it; a month that became a date is a month again."""
    if value is None:
        return None
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and value == int(value):
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
        raise _refused(
            file, "missing-header", f"the {where} none of its columns in the first row",
            "Keep the header row that a review writes", line=1,
        )  # fmt: skip
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
            Problem(file, 1, _printable(name), code, what, f"{remedy}.")
            for code, name, what, remedy in problems
        ])  # fmt: skip


def _printable(name: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in name[:64])


def _refused(file: str, code: str, what: str, remedy: str, *, line: int | None = None) -> Refused:
    return Refused(Problem(file, line, None, code, what, f"{remedy}."))
