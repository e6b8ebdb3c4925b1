"""The rows of a workbook's tables as XML, made column by column, and put into its sheets.

A call for each cell is most of what a workbook takes. A sheet drawn with its head alone has all
that is particular to it (widths, formats, panes); its rows are put in behind the head.
"""

from __future__ import annotations

import math
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any

Columns = tuple[Sequence[Sequence[Any]], str | None]
"""Columns of plain values (None: empty) and what stands below them, if anything."""

LONGEST_TEXT = 32_767
"""Characters that a cell may hold."""

QUICKLY = 1
"""How hard the sheets are packed: twice as quick as is usual, for a fifth more bytes."""

MADE = (1980, 1, 1, 0, 0, 0)
SHEET = re.compile(r"xl/worksheets/sheet([0-9]+)\.xml").fullmatch
STYLE = re.compile(r'<col min="([0-9]+)" [^>]*?style="([0-9]+)"')
RANGE = re.compile(r'<dimension ref="[^"]*"')
UNPRINTED = re.compile(r"[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
"""What XML cannot hold, or a reader would take for such; written as _x001F_ by its number."""


def with_rows(drawn: IO[bytes], tables: Mapping[int, Columns], to: IO[bytes]) -> None:
    """Write the workbook `drawn` with rows below the heads of `tables`, by the place of the sheet.

    The formats of a table's columns are those its sheet gives to them. The same tables give the
    same bytes.
    """
    with (
        zipfile.ZipFile(drawn) as book,
        zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, compresslevel=QUICKLY) as made,
    ):
        for name in book.namelist():
            content = book.read(name)
            found = SHEET(name)
            if found and int(found[1]) in tables:
                content = _filled(content.decode(), *tables[int(found[1])]).encode()
            entry = zipfile.ZipInfo(name, MADE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            made.writestr(entry, content)


def _filled(sheet: str, columns: Sequence[Sequence[Any]], below: str | None) -> str:
    styles = {int(place): style for place, style in STYLE.findall(sheet)}
    length = len(columns[0]) if columns else 0
    rows = [str(number) for number in range(2, length + 2)]
    cells = [
        _cells(_letters(place), styles.get(place, "0"), rows, values)
        for place, values in enumerate(columns, start=1)
    ]
    lines = [
        f'<row r="{row}">{"".join(cells_of_row)}</row>'
        for row, cells_of_row in zip(rows, zip(*cells, strict=True), strict=True)
    ]
    if below is not None:
        last = str(length + 2)
        lines.append(f'<row r="{last}"><c r="A{last}{_end("0", below)}</row>')
    head, end, tail = sheet.partition("</sheetData>")
    span = f'<dimension ref="A1:{_letters(max(1, len(columns)))}{len(lines) + 1}"'
    return "".join([RANGE.sub(span, head, count=1), *lines, end, tail])


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
