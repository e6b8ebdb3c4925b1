"""One sheet of an XLSX workbook, row by row, every cell as the text a reader of it sees."""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Refused
from pipeline.mapping.files import Found
from pipeline.mapping.rows import Source, read_rows, write_rows
from pipeline.mapping.words import refused, shown
from pipeline.mapping.xml_stream import Stream, local
from schemas.mapping import SourceFile

if TYPE_CHECKING:
    import duckdb

MOST_UNPACKED = 4 << 30
FREE_UNPACKED = 256 << 20
MOST_RATIO = 200
MOST_STRINGS = 512 << 20
"""The texts of a workbook are held in memory all at once."""

MOST_PARTS = 10_000
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Where a sheet ends, by the format."""

CHUNK = 1 << 20


def read_sheet(
    con: duckdb.DuckDBPyConnection, source: Source, found: Found, spec: SourceFile, scratch: Path
) -> None:
    """Add the rows of one sheet; Refused where it cannot be read as the mapping says."""
    number = source.add_file(found.name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = open_book(found)
        try:
            sheet = pick_sheet(book, found, spec.sheet)
            header = sheet_header(sheet, found, spec.header_line)
            at = source.positions(header, found.name, spec.header_line)
            refuse_misread(found, sheet, spec.header_line, {i + 1 for i in at if i is not None})
            copy = scratch / f"{source.relation}.csv"
            write_rows(copy, _rows(sheet, found, spec, at))
        finally:
            book.close()
    read_rows(con, source, number, copy)


def open_book(found: Found) -> Any:
    """Open a workbook for reading piece by piece; Refused where it is none, or a bomb."""
    import openpyxl

    try:
        with zipfile.ZipFile(found.path) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise refused("not-a-workbook", found.name, "this is not an XLSX workbook") from None
    unpacked = sum(part.file_size for part in parts)
    packed = found.path.stat().st_size
    most = min(MOST_UNPACKED, max(FREE_UNPACKED, MOST_RATIO * packed))
    strings = sum(part.file_size for part in parts if "sharedstrings" in part.filename.lower())
    if unpacked > most or strings > MOST_STRINGS or len(parts) > MOST_PARTS:
        raise refused("too-large", found.name, f"it unpacks to {unpacked >> 20} megabytes")
    return damaged(found, lambda: openpyxl.load_workbook(found.path, True, data_only=True))


def damaged(found: Found, read: Any) -> Any:
    """What `read` returns; Refused where the library stumbles over the workbook."""
    try:
        return read()
    except (Refused, MemoryError, KeyboardInterrupt):
        raise
    except Exception:  # a damaged workbook surfaces as nearly any kind of error
        what = "the workbook is damaged, or protected by a password"
        raise refused("not-a-workbook", found.name, what) from None


def pick_sheet(book: Any, found: Found, name: str | None) -> Any:
    """The sheet of this name, or the only one."""
    sheets = {sheet.title: sheet for sheet in book.worksheets}
    listed = ", ".join(f'"{shown(title)}"' for title in sheets)
    if name is None and len(sheets) != 1:
        what = f"the workbook has several sheets ({listed}), and the mapping names none"
        raise refused("no-such-sheet", found.name, what)
    if name is not None and name not in sheets:
        what = f'there is no sheet "{shown(name)}", only {listed}'
        raise refused("no-such-sheet", found.name, what)
    sheet = sheets[name] if name is not None else next(iter(sheets.values()))
    # what a sheet says of its own size may be wrong, and would cut rows off
    sheet.reset_dimensions()
    return sheet


def sheet_header(sheet: Any, found: Found, line: int) -> list[str]:
    """The texts of the header row, up to the last that is filled."""
    rows = damaged(
        found,
        lambda: list(
            sheet.iter_rows(min_row=line, max_row=line, max_col=LAST_COLUMN, values_only=True)
        ),
    )
    cells = [plain_text(value, ".") for value in (rows[0] if rows else ())]
    while cells and not cells[-1].strip():
        cells.pop()
    if not cells:
        raise refused("empty-file", found.name, "there is no header row", line=line)
    return cells


def _rows(
    sheet: Any, found: Found, spec: SourceFile, at: Sequence[int | None]
) -> Iterator[tuple[Any, ...]]:
    """Yield line, 0 and the wanted cells of every row below the header that is not empty."""
    last = max((i for i in at if i is not None), default=0) + 1
    first = spec.header_line + 1
    rows = sheet.iter_rows(min_row=first, max_col=last)
    line = first - 1
    while True:
        line += 1
        cells = damaged(found, lambda: next(rows, None))
        if cells is None:
            return
        texts = [
            "" if i is None or i >= len(cells) else cell_text(cells[i], spec.decimal) for i in at
        ]
        if any(texts):
            yield (line, 0, *texts)


def cell_text(cell: Any, decimal: str) -> str:
    """A cell as it is shown: of one formatted in percent, the number of percent."""
    value = cell.value
    if isinstance(value, int | float) and not isinstance(value, bool) and "%" in cell.number_format:
        value = round(value * 100, 10)
    return plain_text(value, decimal)


def plain_text(value: Any, decimal: str) -> str:
    """A value as text; a whole number kept as a floating-point one is a whole number."""
    text = "" if value is None else str(value).replace("\x00", "")
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, float):
        whole = value.is_integer() and abs(value) < 1e15
        text = str(int(value)) if whole else repr(value).replace(".", decimal)
    elif isinstance(value, datetime):
        text = value.isoformat(" ")
    elif isinstance(value, date | time):
        text = value.isoformat()
    elif isinstance(value, timedelta):
        seconds = abs(round(value.total_seconds()))
        sign = "-" if value < timedelta() else ""
        text = f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return text


class _Scan:
    """What a sheet's cells do not show: merges, formulas without a value, rows out of bounds."""

    def __init__(self, stream: Stream, header_line: int, columns: set[int]) -> None:
        self.stream = stream
        self.header_line = header_line
        self.columns = columns
        self.row = self.cells = 0
        self.cell = ""
        self.waits_for_value = self.is_text = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Look at one tag."""
        tag = local(name)
        if tag in ("c", "row", "mergeCells"):
            self._finish_cell()
        if tag == "c":
            self.cell = attributes.get("r", "")
            # a formula may well come to an empty text
            self.is_text = attributes.get("t") == "str"
            self.cells += 1
            if self.cells > LAST_COLUMN:
                self._out_of_bounds()
        elif tag == "f":
            self.waits_for_value = not self.is_text
        elif tag == "v" and self.waits_for_value:
            self.stream.parser.CharacterDataHandler = self._value
        elif tag == "row":
            self.cells = 0
            self.row += 1
            stated = attributes.get("r", str(self.row))
            if not stated.isdecimal() or not self.row <= int(stated) <= LAST_ROW:
                self._out_of_bounds()
            self.row = int(stated)
        elif tag == "mergeCell":
            self._merge(attributes.get("ref", ""))

    def _value(self, _: str) -> None:
        """A formula's value is there."""
        self.waits_for_value = False
        self.stream.parser.CharacterDataHandler = None

    def _finish_cell(self) -> None:
        if self.waits_for_value:
            self.stream.parser.CharacterDataHandler = None
        if self.waits_for_value and self._wanted(self.cell):
            what = "the cell holds a formula that was never computed"
            raise refused("formula-not-computed", self.stream.name, what, column=shown(self.cell))
        self.waits_for_value = False

    def _wanted(self, cell: str) -> bool:
        from openpyxl.utils.cell import coordinate_to_tuple

        try:
            row, column = coordinate_to_tuple(cell)
        except (ValueError, KeyError, TypeError):
            return True
        return bool(row > self.header_line and column in self.columns)

    def _merge(self, ref: str) -> None:
        from openpyxl.utils.cell import range_boundaries

        try:
            _, _, _, last_row = range_boundaries(ref)
        except (ValueError, TypeError):
            last_row = LAST_ROW
        if (last_row or LAST_ROW) >= self.header_line:
            what = f"the cells {shown(ref)} are merged, so it is not clear what they belong to"
            raise refused("merged-cells", self.stream.name, what)

    def _out_of_bounds(self) -> None:
        what = "a row or cell lies outside what a sheet can hold"
        raise refused("not-a-workbook", self.stream.name, what)


def refuse_misread(found: Found, sheet: Any, header_line: int, columns: set[int]) -> None:
    """Refuse a sheet that would be misread; one pass over its part of the workbook."""
    stream = Stream(found.name)
    scan = _Scan(stream, header_line, columns)
    stream.parser.StartElementHandler = scan.start
    with zipfile.ZipFile(found.path) as archive:
        part = damaged(found, lambda: archive.open(sheet._worksheet_path))
        with part:
            chunks = iter(lambda: damaged(found, lambda: part.read(CHUNK)), b"")
            stream.run(chunks)
    scan.start("mergeCells", {})
