"""A delimited file as rows of text, each with the line it began on.

A file in which every line is one row, as nearly all are, is read by DuckDB in parallel. One with
blank lines, or rows with too many or too few cells, is read there as lines, if no cell is quoted.
Any other goes through Python's reader, which is much slower and knows the line of every row.
"""

from __future__ import annotations

import csv
from _csv import Reader as CsvReader
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TextIO

from pipeline.files import Unreadable
from pipeline.files.content import LONGEST_LINE, Text
from pipeline.files.text import not_encoded
from pipeline.files.text_rows import (
    BAD_QUOTING,
    MOST_COLUMNS,
    RAGGED,
    Columns,
    Row,
    TextRows,
    inserted,
)
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.record import dataclass

LONGEST_CELL = 1 << 20
REJECTED, FEW_REJECTED = "rejected_rows", 100
"""Where DuckDB tells which rows do not fit, and how many of them may be left out of a file."""

AT_ONCE = 4 << 20
SIZES = f"max_line_size={LONGEST_CELL}, buffer_size={AT_ONCE}"
"""A thread reads so many bytes, then the next one does: by default 32 MB, many a whole file.

A longer line than that is left to the strict reader, which knows how long a cell may be.
"""


@dataclass(frozen=True)
class Layout:
    """How a delimited file is laid out.

    `lenient`: a quotation mark beside a space may be taken as quoting, spaces left out. `quotes`:
    a quotation mark may enclose a cell; else it is a mark like any other.
    """

    delimiter: str = ","
    header_line: int = 1
    lenient: bool = False
    quotes: bool = True

    def reader(self, lines: Iterable[str]) -> CsvReader:
        """Python's reader of so laid out lines."""
        if self.quotes:
            return csv.reader(lines, delimiter=self.delimiter, strict=True)
        return csv.reader(lines, delimiter=self.delimiter, strict=True, quoting=csv.QUOTE_NONE)


COMMAS = Layout()


@dataclass(frozen=True)
class Delimited:
    """A delimited file whose header was read."""

    text: Text
    header: Sequence[str]
    layout: Layout = COMMAS


def read_header(path: Path, layout: Layout = COMMAS) -> list[str]:
    """Return a delimited file's column names; none where the header's line is blank or absent."""
    csv.field_size_limit(LONGEST_LINE)
    try:
        with _opened(path) as file:
            lines = islice(file, layout.header_line - 1, None)
            cells = next(layout.reader(lines), [])
    except UnicodeDecodeError:
        raise _not_utf8(path) from None
    except csv.Error:
        what = "the header's quotation marks do not pair up"
        raise Unreadable("open-quote", what, line=layout.header_line) from None
    if len(cells) > MOST_COLUMNS:
        what = f"the header has {len(cells)} columns; up to {MOST_COLUMNS} are read"
        raise Unreadable("too-many-columns", what, line=layout.header_line)
    return cells if any(cells) else []


def delimited_rows(
    con: Connection,
    file: Delimited,
    columns: Columns,
    relation: str,
    create: Callable[[TextRows], int],
) -> TextRows:
    """Return the quickest source of a file's rows that reads it as the strict reader does.

    `create` makes a table from the source it gets and returns how many rows that has: a source
    without a relation is proved so, and its table is there. Any other is yet to be used.
    """
    import duckdb

    quick = quick_rows(file, columns)
    if quick is not None:
        try:
            if create(quick) == rows_expected(file):
                return quick
        except (duckdb.InvalidInputException, duckdb.ConversionException):
            pass
    return lines_rows(con, file, columns, relation) or slow_rows(con, file, columns, relation)


def fitting_rows(
    con: Connection,
    file: Delimited,
    columns: Columns,
    relation: str,
    create: Callable[[TextRows], int],
) -> list[TextRows]:
    """As `delimited_rows`, first for the rows that fit the header and then for those that do not.

    `create` has made a table of the first when this returns. Nothing is returned where only a
    stricter reader can tell what is a row, or too few of them fit.
    """
    import duckdb

    quick = quick_rows(file, columns, and_rejects=True)
    if quick is None:
        return []
    con.execute(f"drop table if exists {REJECTED}; drop table if exists {REJECTED}_of")
    try:
        count = create(quick)
    except (duckdb.InvalidInputException, duckdb.ConversionException):
        return []
    if con.execute(f"select count(*) from {REJECTED}").fetchall() == [(0,)]:
        return [quick] if count == rows_expected(file) else []
    con.execute(f"""
        create or replace temp table {relation} as
        select line::INTEGER as line, trim(any_value(csv_line), chr(13) || chr(10)) as text,
               bool_and(error_type in ('MISSING COLUMNS', 'TOO MANY COLUMNS')) as ragged
        from {REJECTED} group by all order by line""")
    lines = [line for (line,) in con.execute(f"select line from {relation}").fetchall()]
    surely = con.execute(
        f"select bool_and(ragged and not contains(text, '\"')) from {relation}"
    ).fetchall()[0][0]
    if not surely or len(lines) > FEW_REJECTED or count + len(lines) != rows_expected(file):
        return []
    # each rejected row lets those below it move up by one
    first = file.layout.header_line + 1
    above = _above([line - first - number for number, line in enumerate(lines)])
    cut = _cut_lines(f"select line, text from {relation}", file, columns)
    return [replace(quick, line=f"{quick.line} + {above}"), TextRows(cut, "line", relation)]


def _above(places: Sequence[int], before: int = 0) -> str:
    """SQL for `before` and how many of the ascending `places` are no greater than a row's own."""
    if not places:
        return str(before)
    half = len(places) // 2
    lower, upper = places[:half], places[half + 1 :]
    return (
        f"case when rowid < {places[half]} then {_above(lower, before)}"
        f" else {_above(upper, before + half + 1)} end"
    )


def rows_expected(file: Delimited) -> int:
    """How many rows there are if every line below the header is one."""
    return file.text.lines - file.layout.header_line


def quick_rows(file: Delimited, columns: Columns, *, and_rejects: bool = False) -> TextRows | None:
    """Return how DuckDB reads a file in parallel; None where its line ends rule that out.

    It holds only if it yields `rows_expected`, and raises nothing. `and_rejects`: what does not
    fit is left out and told in the temporary table `REJECTED`.
    """
    text, layout = file.text, file.layout
    pattern = any(mark in str(text.path) for mark in "*?[")
    loose = text.loose_quotes and not layout.lenient and layout.quotes
    mark = '"' if layout.quotes else ""
    if text.line_end is None or loose or pattern or not layout.delimiter.isascii():
        return None
    # columns go by place: those that are not wanted may be called anything, even the same
    every = ", ".join(f"c{place}: 'VARCHAR'" for place in range(len(file.header)))
    cells = ", ".join(
        f"{'null' if at is None else f'c{at}'} as {quoted(name)}" for name, at in columns.items()
    )
    told = f" store_rejects=true, rejects_table='{REJECTED}', rejects_scan='{REJECTED}_of',"
    sql = (
        f"select {cells} from read_csv({literal(str(text.path))}, auto_detect=false, header=true,"
        f" skip={layout.header_line - 1}, delim={literal(layout.delimiter)}, quote='{mark}',"
        f" escape='{mark}', comment='', nullstr='', compression='none', new_line='{text.line_end}',"
        f"{told if and_rejects else ''} {SIZES}, columns={{{every}}})"
    )
    return TextRows(sql, f"rowid + {layout.header_line + 1}")


def lines_rows(
    con: Connection, file: Delimited, columns: Columns, relation: str
) -> TextRows | None:
    """Return how DuckDB cuts lines into cells, whatever number of cells they have.

    None where a line need not be a row: a quotation mark stands somewhere, or line ends differ.
    """
    import duckdb

    text = file.text
    if text.line_end is None or len(file.header) < 2:
        return None
    try:
        con.execute(
            f"create or replace temp table {relation} as from read_csv(?, auto_detect=false,"
            " header=false, delim='\x01', quote='', escape='', comment='', nullstr='',"
            f" compression='none', new_line='{text.line_end}', {SIZES},"
            " columns={'text': 'VARCHAR'})",
            [str(text.path)],
        )
    except (duckdb.InvalidInputException, duckdb.ConversionException):
        return None
    lines, quotes = con.execute(
        f"select count(*), coalesce(bool_or(contains(text, '\"')), false) from {relation}"
    ).fetchall()[0]
    if (quotes and file.layout.quotes) or lines != text.lines + text.blank_at_end:
        return None
    numbered = (
        f"select (rowid + 1)::INTEGER as line, text from {relation}"
        f" where rowid >= {file.layout.header_line} and text is not null"
    )
    return TextRows(_cut_lines(numbered, file, columns), "line", relation)


def _cut_lines(lines: str, file: Delimited, columns: Columns) -> str:
    """SQL for the rows of lines, line and text, as `slow_rows` reads them."""
    width = len(file.header)
    cells = ", ".join(
        f"nullif(cells[{'null' if at is None else at + 1}], '') as {quoted(name)}"
        for name, at in columns.items()
    )
    # delimiters after the last cell, with nothing behind them, only end the row
    return f"""
        select line, case when fits then 0 else {RAGGED} end as reject_code,
               case when not fits then array_to_string(cells, chr(10)) end as reject_text, {cells}
        from (
            select line, cells, case when len(cells) <= {width} then len(cells) = {width}
                   else array_to_string(cells[{width + 1}:], '') = '' end as fits
            from (select line, string_split(text, {literal(file.layout.delimiter)}) as cells
                  from ({lines}))
        )"""


def slow_rows(con: Connection, file: Delimited, columns: Columns, relation: str) -> TextRows:
    """Return the rows as Python reads them, put into `relation`."""
    return inserted(con, relation, columns, _rows(file, list(columns.values())))


def _rows(file: Delimited, at: list[int | None]) -> Iterator[Row]:
    for line, code, cells in records(file.text.path, file.layout, len(file.header)):
        wanted = ["" if i is None or i >= len(cells) else cells[i] for i in at]
        yield line, code, "\n".join(cells) if code else "", wanted


def records(
    path: Path, layout: Layout = COMMAS, width: int = 0
) -> Iterator[tuple[int, int, list[str]]]:
    """Yield line, reject code and cells of every record below the header; a blank line is none.

    Unreadable where a badly quoted record runs over several lines: other rows are lost in it.
    """
    try:
        with _opened(path) as file, _opened(path) as again:
            for _ in range(layout.header_line - 1):
                file.readline()
            reader = layout.reader(file)
            csv.field_size_limit(LONGEST_LINE)
            next(reader)
            csv.field_size_limit(LONGEST_CELL)
            raw = enumerate(again, start=1)
            for line, end, cells in _numbered(reader, layout.header_line - 1):
                if cells is None and end > line:
                    what = f"a quotation mark opened here runs over the rows below, to line {end}"
                    raise Unreadable("open-quote", what, line=line)
                if cells is None:
                    text = next(text for number, text in raw if number == line)
                    piece = [text[: LONGEST_CELL - 1]]
                    yield line, BAD_QUOTING, next(csv.reader(piece, delimiter=layout.delimiter), [])
                    continue
                # delimiters after the last cell, with nothing behind them, only end the row
                fits = len(cells) >= width and not any(cells[width:])
                yield line, 0 if fits else RAGGED, cells
    except UnicodeDecodeError:
        raise _not_utf8(path) from None


def _numbered(reader: CsvReader, before: int) -> Iterator[tuple[int, int, list[str] | None]]:
    """Yield first line, last line and cells of every record; cells None if badly quoted."""
    while True:
        start = before + reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            yield start, before + reader.line_num, None
            continue
        if cells:
            yield start, before + reader.line_num, cells


def _opened(path: Path) -> TextIO:
    return path.open(encoding="utf-8-sig", newline="")


def _not_utf8(path: Path) -> Unreadable:
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                return not_encoded("utf-8", number)
    return Unreadable("not-utf8", "the file is not encoded in UTF-8")
