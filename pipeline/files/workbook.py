"""An XLSX workbook, sheet by sheet and row by row, with every cell as a reader of it sees it."""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from itertools import count
from pathlib import Path
from typing import Any, Self, TypeVar

from pipeline.errors import shown
from pipeline.files import Unreadable
from pipeline.files.xml_stream import Stream, local

MOST_UNPACKED = 4 << 30
FREE_UNPACKED = 256 << 20
MOST_RATIO = 200
MOST_STRINGS = 512 << 20
"""The texts of a workbook are held in memory all at once."""

MOST_PARTS = 10_000
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Where a sheet ends, by the format."""

CHUNK = 1 << 20
Read = TypeVar("Read")

OLDER = b"\xd0\xcf\x11\xe0"
"""How a compound file begins: an older workbook, or the envelope of an encrypted one."""


class Workbook:
    """A workbook opened for reading piece by piece; Unreadable where it is none, or a bomb."""

    def __init__(self, path: Path) -> None:
        import openpyxl

        self.path = path
        try:
            with zipfile.ZipFile(path) as archive:
                parts = archive.infolist()
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
            with path.open("rb") as file:
                older = file.read(len(OLDER)) == OLDER
            what = "this is a workbook with a password, or one of the older kind (XLS)"
            what = what if older else "this is not an XLSX workbook"
            raise Unreadable("not-a-workbook", what) from None
        unpacked = sum(part.file_size for part in parts)
        most = min(MOST_UNPACKED, max(FREE_UNPACKED, MOST_RATIO * path.stat().st_size))
        strings = sum(part.file_size for part in parts if "sharedstrings" in part.filename.lower())
        if unpacked > most or strings > MOST_STRINGS or len(parts) > MOST_PARTS:
            raise Unreadable("too-large", f"it unpacks to {unpacked >> 20} megabytes")
        warnings.filterwarnings("ignore", module="openpyxl")
        self.book: Any = _undamaged(lambda: openpyxl.load_workbook(path, True, data_only=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.book.close()

    @property
    def titles(self) -> list[str]:
        """The names of its sheets."""
        return [sheet.title for sheet in self.book.worksheets]

    def sheet(self, title: str) -> Sheet:
        """The sheet of this name, which there must be."""
        return Sheet(self.path, self.book[title])


class Sheet:
    """One sheet of a workbook that is open."""

    def __init__(self, path: Path, sheet: Any) -> None:
        self.path, self.sheet = path, sheet
        # what a sheet says of its own size may be wrong, and would cut rows off
        sheet.reset_dimensions()

    def header(self, line: int) -> list[str]:
        """The texts of the header row, up to the last that is filled; none where all are empty."""
        row = next(self.rows(line, LAST_COLUMN, line), (line, ()))[1]
        texts = [plain_text(cell.value, ".") for cell in row]
        while texts and not texts[-1].strip():
            texts.pop()
        return texts

    def rows(
        self, first: int, last_column: int | None = None, last: int | None = None
    ) -> Iterator[tuple[int, tuple[Any, ...]]]:
        """Yield the line and the cells of every row from `first` on."""
        rows = self.sheet.iter_rows(min_row=first, max_row=last, max_col=last_column)
        for line in count(first):
            row = _undamaged(lambda: next(rows, None))
            if row is None:
                return
            yield line, row

    def refuse_misread(self, header_line: int, columns: set[int]) -> None:
        """Refuse a sheet that would be misread; one pass over its part of the workbook.

        `columns`: the numbers of those that are read, from 1 on.
        """
        stream = Stream()
        scan = _Scan(stream, header_line, columns)
        stream.parser.StartElementHandler = scan.start
        with zipfile.ZipFile(self.path) as archive:
            part = _undamaged(lambda: archive.open(self.sheet._worksheet_path))
            with part:
                stream.run(iter(lambda: _undamaged(lambda: part.read(CHUNK)), b""))
        scan.start("mergeCells", {})


def _undamaged(read: Callable[[], Read]) -> Read:
    """What `read` returns; Unreadable where the library stumbles over the workbook."""
    try:
        return read()
    except MemoryError:
        raise
    except Exception:  # a damaged workbook surfaces as nearly any kind of error
        what = "the workbook is protected by a password, or a part that a workbook needs is damaged"
        raise Unreadable("not-a-workbook", what) from None


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
            raise Unreadable("formula-not-computed", what, column=shown(self.cell))
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
            raise Unreadable("merged-cells", what)

    def _out_of_bounds(self) -> None:
        what = "a row or cell lies outside what a sheet can hold"
        raise Unreadable("not-a-workbook", what)
