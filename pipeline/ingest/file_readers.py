"""Read one file of a delivery by the reader that fits it, whole or piece by piece."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from pipeline.errors.disk import as_mistake
from pipeline.files import Unreadable
from pipeline.files.content import Text
from pipeline.files.delimited import (
    Delimited,
    delimited_rows,
    fitting_rows,
    lines_rows,
    read_header,
)
from pipeline.files.pieces import MOST_PIECES, Piece, as_file, pieces
from pipeline.files.text_rows import (
    TextRows,
    can_be_cut,
    inserted,
    parquet_columns,
    parquet_length,
    parquet_rows,
)
from pipeline.ingest.delivery_files import Part
from pipeline.ingest.problems import Findings
from schemas.connection import Connection
from schemas.record import dataclass

ROWS_OF_A_PIECE = 1 << 20
"""A piece of a Parquet file has at least so many rows, about as one of text does."""


@dataclass(frozen=True)
class TableFile:
    """One file of a delivery: the table it is, its header, and the contract columns to read."""

    table: str
    content: Part
    header: list[str]
    wanted: list[str]

    @property
    def columns(self) -> dict[str, int]:
        """The place of each wanted column."""
        return {name: self.header.index(name) for name in self.wanted}


Create = Callable[[TextRows], int]
"""Makes a table of rows and returns how many there are."""

Reader = Callable[["Connection", Create], list[TextRows]]


class CutInARowError(Exception):
    """Lines and rows of a text are not the same: read the file whole."""


def header_of(con: Connection, table: str, content: Part) -> list[str]:
    """The column names of one file in file order; Unreadable if there are none."""
    if content.book is not None:
        header, what = content.book.sheet(table).header(1), "there is no header row"
    elif content.text is None:
        return list(parquet_columns(con, content.path))
    else:
        what = "the file is empty or begins with a blank line"
        header = read_header(content.path)
    if not header:
        raise Unreadable("empty-file", what, line=1)
    return header


def whole(con: Connection, file: TableFile, findings: Findings, create: Create) -> TextRows:
    """Read a file by the reader that fits, and return its rows; Unreadable if none does.

    `create` has made a table of them when this returns.
    """
    content, relation, columns = file.content, f"raw_{file.table}", file.columns
    if content.book is not None:
        from pipeline.ingest.workbook import sheet_rows

        sheet = content.book.sheet(file.table)
        read = sheet_rows(sheet, file.table, len(file.header), columns, findings)
        rows = inserted(con, relation, columns, read)
    elif content.text is None:
        rows = parquet_rows(content.path, parquet_columns(con, content.path), columns)
        _create_from_parquet(rows, create)
    else:
        rows = delimited_rows(con, Delimited(content.text, file.header), columns, relation, create)
    _end(con, rows, create)
    return rows


def readers(con: Connection, file: TableFile) -> list[Reader]:
    """What reads a long file piece by piece, each by itself; nothing where it is read whole.

    A reader gets a connection and a `Create`, and returns the rows that were made tables of in
    order. CutInARowError where it takes the whole file to tell what is a row.
    """
    content = file.content
    if content.book is not None:
        return []
    if content.text is not None:
        text = content.text
        cut = [partial(_read_piece, file, text, piece) for piece in pieces(text)]
        return [*cut] or [partial(_read_text, file, text, 0)]
    kinds = parquet_columns(con, content.path)
    length = parquet_length(con, content.path)
    most = max(ROWS_OF_A_PIECE, -(-length // MOST_PIECES))
    if length <= most or not can_be_cut(kinds):
        return []
    return [
        partial(_read_rows, file, kinds, (first, first + most)) for first in range(0, length, most)
    ]


def _read_piece(
    file: TableFile, text: Text, piece: Piece, con: Connection, create: Create
) -> list[TextRows]:
    with as_file(text, piece) as own:
        return _read_text(file, own, piece.before - 1, con, create)


def _read_text(
    file: TableFile, text: Text, before: int, con: Connection, create: Create
) -> list[TextRows]:
    """Read a text, whose lines' numbers lack `before`, unless a line need not be a row."""
    read = Delimited(text, file.header), file.columns, f"raw_{file.table}"
    found = fitting_rows(con, *read, create)
    if not found:
        lines = lines_rows(con, *read)
        if lines is None:
            raise CutInARowError
        found = [lines]
    for rows in found:
        _end(con, rows, create)
    return [replace(rows, line=f"{rows.line} + {before}") for rows in found]


def _read_rows(
    file: TableFile,
    kinds: dict[str, str],
    between: tuple[int, int],
    con: Connection,
    create: Create,
) -> list[TextRows]:
    rows = parquet_rows(file.content.path, kinds, file.columns, between)
    _create_from_parquet(rows, create)
    return [rows]


def _end(con: Connection, rows: TextRows, create: Create) -> None:
    """Create the table where its rows stand ready as text, and drop these."""
    if rows.relation:
        create(rows)
        con.execute(f"drop table {rows.relation}")


def _create_from_parquet(rows: TextRows, create: Create) -> None:
    """Create the table; Unreadable where the file is damaged behind its header."""
    import duckdb

    try:
        create(rows)
    except duckdb.Error as error:
        if as_mistake(error):
            raise
        raise Unreadable("not-parquet", "the file is damaged, or not Parquet") from None
