"""Read one file of a delivery into `typed_<table>`: line by line, cast and checked.

The table stands in the order of the file, since a row's place in it is what tells its line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.errors.disk import as_mistake
from pipeline.files import Unreadable
from pipeline.files.delimited import (
    Delimited,
    delimited_rows,
    fitting_rows,
    lines_rows,
    read_header,
)
from pipeline.files.pieces import MOST_PIECES, pieces
from pipeline.files.rows import (
    TextRows,
    can_be_cut,
    inserted,
    parquet_columns,
    parquet_length,
    parquet_rows,
)
from pipeline.ingest.parts import Part
from pipeline.ingest.problems import Findings
from pipeline.ingest.validate import staging_sql
from pipeline.store.database import one
from schemas.record import dataclass

if TYPE_CHECKING:
    import duckdb

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


class CutInARowError(Exception):
    """Lines and rows of a text are not the same: read the file whole."""


def header_of(con: duckdb.DuckDBPyConnection, table: str, content: Part) -> list[str]:
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


def whole(
    con: duckdb.DuckDBPyConnection, file: TableFile, findings: Findings
) -> Iterator[TextRows]:
    """Create `typed_<table>` by the reader that fits, and yield it; Unreadable if none does."""
    content, relation, columns = file.content, f"raw_{file.table}", file.columns
    if content.book is not None:
        from pipeline.ingest.workbook import sheet_rows

        sheet = content.book.sheet(file.table)
        read = sheet_rows(sheet, file.table, len(file.header), columns, findings)
        rows = inserted(con, relation, columns, read)
    elif content.text is None:
        rows = parquet_rows(content.path, parquet_columns(con, content.path), columns)
        _create_from_parquet(con, file, rows)
    else:
        delimited = Delimited(content.text, file.header)
        rows = delimited_rows(
            con, delimited, columns, relation, lambda rows: _create(con, file, rows)
        )
    _end(con, file, rows)
    yield rows


def in_pieces(
    con: duckdb.DuckDBPyConnection, file: TableFile, findings: Findings
) -> Iterator[TextRows]:
    """As `whole`, but where the file is long, of one piece of it after the other.

    Each is to be done with when the next is asked for. CutInARowError where it takes the whole file
    to tell what is a row.
    """
    if file.content.book is not None:
        yield from whole(con, file, findings)
    elif file.content.text is None:
        yield from _pieces_of_parquet(con, file)
    else:
        for piece in pieces(file.content.text):
            read = Delimited(piece.text, file.header), file.columns, f"raw_{file.table}"
            found = fitting_rows(con, *read, lambda rows: _create(con, file, rows))
            if not found:
                lines = lines_rows(con, *read)
                if lines is None:
                    raise CutInARowError
                found = [lines]
            for rows in found:
                _end(con, file, rows)
                yield replace(rows, line=f"{rows.line} + {piece.before}")


def _pieces_of_parquet(con: duckdb.DuckDBPyConnection, file: TableFile) -> Iterator[TextRows]:
    path = file.content.path
    kinds = parquet_columns(con, path)
    length = parquet_length(con, path)
    most = max(ROWS_OF_A_PIECE, -(-length // MOST_PIECES)) if can_be_cut(kinds) else length + 1
    for begins in range(0, max(length, 1), most):
        rows = parquet_rows(path, kinds, file.columns, (begins, begins + most))
        _create_from_parquet(con, file, rows)
        yield rows


def _end(con: duckdb.DuckDBPyConnection, file: TableFile, rows: TextRows) -> None:
    """Create the table where its rows stand ready as text, and drop these."""
    if rows.relation:
        _create(con, file, rows)
        con.execute(f"drop table {rows.relation}")


def _create_from_parquet(con: duckdb.DuckDBPyConnection, file: TableFile, rows: TextRows) -> None:
    """Create the table; Unreadable where the file is damaged behind its header."""
    import duckdb

    try:
        _create(con, file, rows)
    except duckdb.Error as error:
        if as_mistake(error):
            raise
        raise Unreadable("not-parquet", "the file is damaged, or not Parquet") from None


def _create(con: duckdb.DuckDBPyConnection, file: TableFile, source: TextRows) -> int:
    """Create the table in the order of the file; return how many rows it has.

    DuckDB makes a join of an IN with several codes, and a join on several threads mixes the rows.
    """
    select = staging_sql(source, file.table, file.wanted)
    con.execute("set disabled_optimizers = 'in_clause'")
    try:
        made = one(con, f"create or replace temp table typed_{file.table} as {select}")
    finally:
        con.execute("reset disabled_optimizers")
    return int(made[0])
