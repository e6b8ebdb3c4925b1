"""Rows of text in the database, each with its line and whether it fits the header."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from pipeline.files import Unreadable
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.record import dataclass

LONGEST_ROW, BATCH_SIZE = 8 << 20, 64 << 20
MOST_COLUMNS = 10_000
MOST_ROWS = 500_000_000
ROW_NUMBER = "file_row_number"
"""What DuckDB calls a row's number in a Parquet file."""

RAGGED, BAD_QUOTING = 1, 2
REJECTS = {RAGGED: "ragged-row", BAD_QUOTING: "bad-quoting"}

Columns = Mapping[str, int | None]
"""The columns to read, and where each stands in the header; None for one that is not there."""

Row = tuple[int, int, str, Sequence[str]]
"""Line, reject code (0 for a row that fits the header), a rejected row's text, and cells."""


@dataclass(frozen=True)
class TextRows:
    """SQL that yields a file's rows as text, an empty cell being null.

    `line` is an SQL expression for a row's line over the table created from `sql` in its order.
    Those with a `relation` reads that table, and has the columns line, reject_code and
    reject_text as well.
    """

    sql: str
    line: str
    relation: str | None = None


class Batches:
    """Rows on their way into the database, through a file of one dialect that it reads quickly.

    `insert`: an INSERT and its SELECT, without the FROM, over line, reject_code, reject_text and
    the cells c0, c1 and so on.
    """

    def __init__(self, con: Connection, insert: str) -> None:
        self.con, self.insert = con, insert
        self.file: Any = None
        self.size = self.width = 0

    def add(self, line: int, cells: Sequence[str], code: int = 0, text: str = "") -> None:
        """Add one row; Unreadable where it is too long to be one."""
        size = sum(map(len, cells))
        if size > LONGEST_ROW:
            what = f"the row holds more than {LONGEST_ROW >> 20} megabytes"
            raise Unreadable("line-too-long", what, line=line)
        if self.file is None:
            self.file = NamedTemporaryFile(  # noqa: SIM115 - it is open until its rows are in
                "w", encoding="utf-8", errors="replace", newline="", prefix="tailrace-"
            )
            # every text is quoted, for a lone carriage return in one would else end its row
            self.writer = csv.writer(self.file, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
        self.writer.writerow((line, code, text[: LONGEST_ROW - size], *cells))
        self.width = len(cells)
        self.size += size + len(text)
        if self.size > BATCH_SIZE:
            self.flush()

    def flush(self) -> None:
        """Insert what was added since."""
        if self.file is None:
            return
        self.file.flush()
        cells = "".join(f", c{place}: 'VARCHAR'" for place in range(self.width))
        columns = f"line: 'INTEGER', reject_code: 'INTEGER', reject_text: 'VARCHAR'{cells}"
        self.con.execute(f"""
            {self.insert} from read_csv({literal(self.file.name)}, auto_detect=false, header=false,
                delim=',', quote='"', escape='"', comment='', nullstr='', new_line='\\n',
                compression='none', parallel=false, max_line_size=67108864, columns={{{columns}}})
        """)
        self.file.close()
        self.file, self.size = None, 0


def inserted(con: Connection, relation: str, columns: Columns, rows: Iterable[Row]) -> TextRows:
    """Put rows, with a cell for each of `columns`, into a table of their own."""
    names = [*map(quoted, columns)]
    spelled = "".join(f", {name} VARCHAR" for name in ("reject_text", *names))
    con.execute(
        f"create or replace temp table {relation} (line INTEGER, reject_code INTEGER{spelled})"
    )
    batches = Batches(con, f"insert into {relation} select *")
    for line, code, text, texts in rows:
        batches.add(line, texts, code, text)
    batches.flush()
    return TextRows(f"select * from {relation}", "line", relation)


def parquet_columns(con: Connection, path: Path) -> dict[str, str]:
    """The columns of a Parquet file and their types in the database, in the file's order."""
    import duckdb

    try:
        kinds = con.execute(f"describe select * from {_parquet(path)}").fetchall()
        count = parquet_length(con, path)
    except duckdb.Error:
        raise Unreadable("not-parquet", "the file is damaged, or not Parquet") from None
    if count > MOST_ROWS:
        raise Unreadable("too-large", f"the file has more than {MOST_ROWS:,} rows")
    return {name: kind for name, kind, *_ in kinds}


def parquet_length(con: Connection, path: Path) -> int:
    """How many rows a Parquet file has, as it says itself."""
    (count,) = con.execute(
        f"select coalesce(sum(num_rows), 0) from parquet_file_metadata({literal(str(path))})"
    ).fetchall()[0]
    return int(count)


def can_be_cut(kinds: Mapping[str, str]) -> bool:
    """Whether part of a Parquet file can be asked for: no own column takes the number's name."""
    return ROW_NUMBER not in {name.lower() for name in kinds}


def parquet_rows(
    path: Path,
    kinds: Mapping[str, str],
    columns: Columns,
    between: tuple[int, int] | None = None,
) -> TextRows:
    """Return how to read a Parquet file as text; a row's line is its number.

    `between`: only rows from the first of these numbers on, up to the second, counted from 0.
    Unreadable where a wanted column is nested.
    """
    names = list(kinds)
    for at in columns.values():
        if at is not None and is_nested(kinds[names[at]]):
            what = "its cells are lists, structures or maps, not single values"
            raise Unreadable("nested-column", what, column=names[at])
    cells = ", ".join(
        f"{'null' if at is None else value_as_text(names[at], kinds[names[at]])} as {quoted(name)}"
        for name, at in columns.items()
    )
    if between is None or not can_be_cut(kinds):
        return TextRows(f"select {cells} from {_parquet(path)}", "rowid + 1")
    first, end = between
    chosen = f"{ROW_NUMBER} >= {first} and {ROW_NUMBER} < {end}"
    return TextRows(f"select {cells} from {_parquet(path)} where {chosen}", f"rowid + {first + 1}")


def _parquet(path: Path) -> str:
    """SQL of a Parquet file's own columns: folders it lies in tell none, whatever their names."""
    return f"read_parquet({literal(str(path))}, hive_partitioning = false)"


def is_nested(kind: str) -> bool:
    """Whether a column of this type holds more than one value a cell."""
    return kind.endswith("]") or kind.startswith(("STRUCT", "MAP", "UNION"))


def value_as_text(name: str, kind: str) -> str:
    """SQL for a typed cell as text; a whole number kept as a floating-point one stays whole."""
    cell = quoted(name)
    if kind in ("DOUBLE", "FLOAT"):
        return (
            f"case when isnan({cell}) then null when {cell} = trunc({cell}) and abs({cell}) < 1e15"
            f" then ({cell}::BIGINT)::VARCHAR else {cell}::VARCHAR end"
        )
    if kind.startswith("DECIMAL") and not kind.endswith(",0)"):
        # 30.00 is the whole number 30
        return f"rtrim(rtrim({cell}::VARCHAR, '0'), '.')"
    return f"nullif({cell}::VARCHAR, '')"
