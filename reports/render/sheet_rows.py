"""The sheets of a workbook's tables as XML, made column by column, and put into the workbook.

A call for each cell is most of what a workbook takes. All text of such a sheet stands in the sheet
itself, so that one whose table has not changed can be taken as it is from the workbook before.
"""

from __future__ import annotations

import math
import re
import struct
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any, NamedTuple

KINDS = ("head", "text", "whole", "number")
"""The formats of a table's cells; a sheet that is to hold one is drawn with a column of each."""

LONGEST_TEXT = 32_767
"""Characters that a cell may hold."""

QUICKLY = 1
"""How hard the sheets are packed: twice as quick as is usual, for a fifth more bytes."""

MADE = (1980, 1, 1, 0, 0, 0)
SHEET = re.compile(r"xl/worksheets/sheet([0-9]+)\.xml").fullmatch
STYLE = re.compile(r'<col [^>]*?style="([0-9]+)"')
RANGE = re.compile(r'<dimension ref="[^"]*"')
MARGIN = 182 / 256
"""What a column is wider than its characters, in characters of the usual font."""

LOCAL_HEAD = struct.Struct("<26xHH")
"""Of an entry in a zip file, before its name and what is said beside it: how long these are."""

UNPRINTED = re.compile(r"[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
"""What XML cannot hold, or a reader would take for such; written as _x001F_ by its number."""


class Table(NamedTuple):
    """A table as its sheet has it: columns of plain values (None: empty), and what stands below.

    `kinds`: of each column one of KINDS. `widths`: in characters.
    """

    heads: Sequence[str]
    kinds: Sequence[str]
    widths: Sequence[int]
    columns: Sequence[Sequence[Any]]
    below: str | None = None


def with_tables(
    drawn: IO[bytes], tables: Mapping[int, Table | None], to: IO[bytes], standing: Path | None
) -> None:
    """Write the workbook `drawn` with `tables` in their sheets, by the place of the sheet.

    A table that is None is taken from the same place of the workbook `standing`. The same tables
    give the same bytes.
    """
    with (
        zipfile.ZipFile(drawn) as book,
        zipfile.ZipFile(to, "w") as made,
        zipfile.ZipFile(standing or drawn) as before,
    ):
        for name in book.namelist():
            found = SHEET(name)
            place = int(found[1]) if found else 0
            content = book.read(name)
            if place in tables:
                if (table := tables[place]) is None:
                    _take(before, name, made)
                    continue
                content = _sheet(content.decode(), table).encode()
            entry = zipfile.ZipInfo(name, MADE)
            # an entry of its own is not packed as the file is said to be
            made.writestr(entry, content, zipfile.ZIP_DEFLATED, QUICKLY)


def _take(before: zipfile.ZipFile, name: str, made: zipfile.ZipFile) -> None:
    """Put an entry of a zip file that this wrote into another as it is packed."""
    entry = before.getinfo(name)
    assert before.fp is not None
    assert made.fp is not None
    before.fp.seek(entry.header_offset)
    beside = LOCAL_HEAD.unpack(before.fp.read(LOCAL_HEAD.size))
    before.fp.seek(sum(beside), 1)
    packed = before.fp.read(entry.compress_size)
    entry.header_offset = made.fp.tell()
    made.fp.write(entry.FileHeader() + packed)
    made.filelist.append(entry)
    made.NameToInfo[name] = entry
    made.start_dir = made.fp.tell()


def _sheet(drawn: str, table: Table) -> str:
    """A sheet with its head and rows, from one drawn with a column of each of KINDS alone."""
    head, _, rest = drawn.partition("<cols>")
    styled, _, tail = rest.partition("<sheetData/>")
    styles = dict(zip(KINDS, STYLE.findall(styled), strict=True))
    columns = [
        f'<col min="{place}" max="{place}" width="{width + MARGIN}" style="{styles[kind]}"'
        f' customWidth="1"/>'
        for place, (kind, width) in enumerate(zip(table.kinds, table.widths, strict=True), start=1)
    ]
    length = len(table.columns[0]) if table.columns else 0
    rows = [str(number) for number in range(1, length + 2)]
    cells = [
        _cells(_letters(place), styles["head"], rows[:1], [name])
        + _cells(_letters(place), styles[kind], rows[1:], values)
        for place, (name, kind, values) in enumerate(
            zip(table.heads, table.kinds, table.columns, strict=True), start=1
        )
    ]
    lines = [
        f'<row r="{row}">{"".join(cells_of_row)}</row>'
        for row, cells_of_row in zip(rows, zip(*cells, strict=True), strict=True)
    ]
    if table.below is not None:
        last = str(length + 2)
        lines.append(f'<row r="{last}"><c r="A{last}{_end("0", table.below)}</row>')
    span = f'<dimension ref="A1:{_letters(max(1, len(table.columns)))}{len(lines)}"'
    head = RANGE.sub(span, head, count=1)
    return "".join([head, "<cols>", *columns, "</cols><sheetData>", *lines, "</sheetData>", tail])


def _cells(letters: str, style: str, rows: Iterable[str], values: Iterable[Any]) -> list[str]:
    """A column's cells; what stands behind the row's number is written once a value."""
    begin = f'<c r="{letters}'
    ends = {(type(value), value): "" for value in values}
    for kind, value in ends:
        ends[kind, value] = _end(style, value)
    return [
        "" if value is None else f"{begin}{row}{ends[type(value), value]}"
        for row, value in zip(rows, values, strict=True)
    ]


def _end(style: str, value: Any) -> str:
    """A cell's XML from its row's number on."""
    if isinstance(value, bool):
        return f'" s="{style}" t="b"><v>{value:d}</v></c>'
    if isinstance(value, int | float) and math.isfinite(value):
        return f'" s="{style}"><v>{value!r}</v></c>'
    text = "unbounded" if isinstance(value, float) else str(value)
    cut = text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - 2] + " …"
    kept = ' xml:space="preserve"' if cut != cut.strip() else ""
    return f'" s="{style}" t="inlineStr"><is><t{kept}>{_escaped(cut)}</t></is></c>'


def _escaped(text: str) -> str:
    spelled = UNPRINTED.sub(lambda found: f"_x{ord(found[0]):04X}_", text)
    return spelled.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _letters(place: int) -> str:
    """What a sheet calls its column at `place`, from 1."""
    letters = ""
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
