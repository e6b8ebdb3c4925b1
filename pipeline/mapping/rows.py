"""Rows of theirs in the database: for every source one table of text, each row with its line.

Only the columns that the mapping names are read; the others are never put anywhere.
"""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from pipeline.errors import Refused
from pipeline.ingest.read import (
    BAD_QUOTING,
    LONGEST_CELL,
    MOST_COLUMNS,
    NESTED,
    RAGGED,
    csv_records,
    is_nested,
    parquet_cell,
)
from pipeline.mapping.files import Found, reachable
from pipeline.mapping.text_files import Text, as_utf8
from pipeline.mapping.words import problem, refused, shown
from pipeline.store.sql import literal
from schemas.mapping import SourceFile

if TYPE_CHECKING:
    import duckdb

MOST_ROWS = 500_000_000
LONGEST_ROW = 8 << 20
OTHER_DELIMITERS = ";,\t|"


@dataclass
class Source:
    """A table of text in the database: file_no, line, broken, and a column w<i> for each name.

    `there` holds the names that at least one file has; the others are null throughout.
    """

    relation: str
    names: list[str]
    optional: frozenset[str] = frozenset()
    files: list[str] = field(default_factory=list)
    there: set[str] = field(default_factory=set)

    def column(self, name: str) -> str:
        """SQL name of the column that holds theirs of this name."""
        return f"w{self.names.index(name)}"

    def create(self, con: duckdb.DuckDBPyConnection) -> None:
        """Make the empty table."""
        columns = "".join(f", w{i} VARCHAR" for i in range(len(self.names)))
        con.execute(
            f"create table {self.relation}"
            f" (file_no INTEGER, line INTEGER, broken UTINYINT{columns})"
        )

    def positions(self, header: Sequence[str], file: str, line: int) -> list[int | None]:
        """Where each name stands in a header; Refused where one is missing or there twice."""
        names = [name.strip() for name in header]
        problems = []
        for name in self.names:
            count = names.count(name)
            if count > 1:
                what = f"the column is there {count} times"
                problems.append(problem("repeated-column", file, what, line=line, column=name))
            elif not count and name not in self.optional:
                what = f"there is no such column{_alike(name, names)}"
                problems.append(problem("missing-column", file, what, line=line, column=name))
        if problems:
            raise Refused(problems)
        self.there |= set(names) & set(self.names)
        return [names.index(name) if name in names else None for name in self.names]

    def add_file(self, name: str) -> int:
        """Number the next file of this source."""
        self.files.append(name)
        return len(self.files) - 1


def _alike(name: str, names: list[str]) -> str:
    near = difflib.get_close_matches(name, names[:1000], n=1, cutoff=0.8)
    return f'; there is "{shown(near[0])}"' if near else ""


@dataclass(frozen=True)
class Delimited:
    """A delimited file whose header was read: how wide it is, and where the wanted columns are."""

    text: Text
    spec: SourceFile
    width: int
    at: list[int | None]


def read_delimited(
    con: duckdb.DuckDBPyConnection,
    source: Source,
    found: Found,
    spec: SourceFile,
    scratch: Path,
) -> None:
    """Add the rows of one delimited file; Refused where it cannot be read as the mapping says."""
    number = source.add_file(found.name)
    text = as_utf8(found.path, found.name, spec.encoding, scratch / f"{source.relation}.txt")
    header = read_header(text, spec)
    file = Delimited(text, spec, len(header), source.positions(header, text.name, spec.header_line))
    if not _read_fast(con, source, number, file, reachable(text.path, scratch, number)):
        copy = scratch / f"{source.relation}.csv"
        write_rows(copy, _rows(file))
        read_rows(con, source, number, copy)


def read_header(text: Text, spec: SourceFile) -> list[str]:
    """Return a delimited file's column names."""
    csv.field_size_limit(LONGEST_CELL)
    try:
        with text.path.open(encoding="utf-8-sig", newline="") as file:
            lines = islice(file, spec.header_line - 1, None)
            cells = next(csv.reader(lines, delimiter=spec.delimiter, strict=True), None)
    except csv.Error:
        what = "the header's quotation marks do not pair up, or it is too long"
        raise refused("open-quote", text.name, what, line=spec.header_line) from None
    if not cells or not any(cells):
        raise refused("empty-file", text.name, "there is no header row", line=spec.header_line)
    if len(cells) > MOST_COLUMNS:
        what = f"the header has {len(cells)} columns; up to {MOST_COLUMNS} are read"
        raise refused("too-many-columns", text.name, what, line=spec.header_line)
    others = [mark for mark in OTHER_DELIMITERS if mark != spec.delimiter and mark in cells[0]]
    if len(cells) == 1 and others:
        what = "the cells are not separated by the delimiter that the mapping states"
        raise refused("wrong-delimiter", text.name, what, line=spec.header_line)
    return cells


def _read_fast(
    con: duckdb.DuckDBPyConnection, source: Source, number: int, file: Delimited, path: Path
) -> bool:
    """Read a file in which every line is one row in parallel; False where it is not such a file."""
    import duckdb

    text, spec = file.text, file.spec
    if text.returns not in (0, text.newlines) or ord(spec.delimiter) > 127:
        return False
    newline = r"\r\n" if text.returns else r"\n"
    columns = ", ".join(f"'c{i}': 'VARCHAR'" for i in range(file.width))
    cells = "".join(
        f", {'null' if i is None else f'c{i}'} as w{name}" for name, i in enumerate(file.at)
    )
    try:
        con.execute(f"""
            create or replace table fast as
            select 0::UTINYINT as broken{cells}
            from read_csv({literal(str(path))}, auto_detect=false, header=true,
                skip={spec.header_line - 1}, delim={literal(spec.delimiter)}, quote='"',
                escape='"', comment='', nullstr='', new_line='{newline}', compression='none',
                columns={{{columns}}})
        """)
    except duckdb.Error as error:
        if _is_room(error):
            raise
        return False
    rows = con.execute("select count(*) from fast").fetchone()
    if rows != (max(text.lines - spec.header_line, 0),):
        return False
    con.execute(
        f"insert into {source.relation}"
        f" select {number}, rowid + {spec.header_line + 1}, * from fast order by rowid"
    )
    con.execute("drop table fast")
    return True


def _is_room(error: Exception) -> bool:
    """Whether a database error is about disk or memory, not about the file it read."""
    return any(word in str(error) for word in ("No space", "Could not write", "Out of Memory"))


def records(text: Text, spec: SourceFile) -> Iterator[tuple[int, list[str] | None]]:
    """Yield the first line and the cells of every record below the header; None if misquoted."""
    csv.field_size_limit(LONGEST_CELL)
    with text.path.open(encoding="utf-8-sig", newline="") as file:
        for _ in range(spec.header_line - 1):
            file.readline()
        reader = csv.reader(file, delimiter=spec.delimiter, strict=True)
        next(reader)
        for start, end, cells in csv_records(reader):
            line = start + spec.header_line - 1
            if cells is None and end > start:
                what = "a quotation mark that is opened here runs over the rows below"
                raise refused("open-quote", text.name, what, line=line)
            yield line, cells


def _rows(file: Delimited) -> Iterator[tuple[Any, ...]]:
    """Yield line, broken and the wanted cells; those of a row that does not fit as far as known."""
    for line, cells in records(file.text, file.spec):
        kept = cells or []
        code = RAGGED if len(kept) != file.width else 0
        if cells is None:
            code = BAD_QUOTING
        row = [kept[i] if i is not None and i < len(kept) else "" for i in file.at]
        if sum(map(len, row)) > LONGEST_ROW:
            what = f"the row holds more than {LONGEST_ROW >> 20} megabytes"
            raise refused("line-too-long", file.text.name, what, line=line)
        yield (line, code, *row)


def write_rows(path: Path, rows: Iterable[tuple[Any, ...]]) -> None:
    """Write line, broken and cells in one dialect, however they were written before."""
    with path.open("w", encoding="utf-8", newline="") as file:
        plain_writer(file).writerows(rows)


def plain_writer(file: TextIO) -> Any:
    """A writer of the one dialect that `read_rows` reads; every text is quoted, for a lone
    carriage return in one would else end its row."""
    return csv.writer(file, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)


def read_rows(con: duckdb.DuckDBPyConnection, source: Source, number: int, path: Path) -> None:
    """Add rows that `write_rows` wrote, and remove their file."""
    columns = "".join(f", 'w{i}': 'VARCHAR'" for i in range(len(source.names)))
    con.execute(f"""
        insert into {source.relation}
        select {number}, * from read_csv({literal(str(path))}, auto_detect=false, header=false,
            delim=',', quote='"', escape='"', comment='', nullstr='', new_line='\\n',
            compression='none', parallel=false, max_line_size=67108864,
            columns={{'line': 'INTEGER', 'broken': 'UTINYINT'{columns}}})
    """)
    path.unlink()


def read_parquet(
    con: duckdb.DuckDBPyConnection, source: Source, found: Found, scratch: Path
) -> None:
    """Add the rows of one Parquet file, every cell as text; its line is the row's number."""
    import duckdb

    number = source.add_file(found.name)
    path = literal(str(reachable(found.path, scratch, number)))
    own = "hive_partitioning = false"
    try:
        kinds = con.execute(f"describe select * from read_parquet({path}, {own})").fetchall()
        rows = con.execute(f"select sum(num_rows) from parquet_file_metadata({path})").fetchone()
    except duckdb.Error:
        raise refused("not-parquet", found.name, "the file is damaged, or not Parquet") from None
    if rows is None or (rows[0] or 0) > MOST_ROWS:
        raise refused("too-large", found.name, f"the file has more than {MOST_ROWS:,} rows")
    at = source.positions([row[0] for row in kinds], found.name, 1)
    for name, kind, *_ in (kinds[i] for i in at if i is not None):
        if is_nested(kind):
            raise refused("nested-column", found.name, NESTED, column=name)
    cells = "".join(
        f", {'null' if i is None else parquet_cell(kinds[i][0], kinds[i][1])}" for i in at
    )
    try:
        con.execute(f"""
            insert into {source.relation}
            select {number}, file_row_number + 1, 0{cells}
            from read_parquet({path}, file_row_number = true, {own}) order by file_row_number
        """)
    except duckdb.Error as error:
        if _is_room(error):
            raise
        raise refused("not-parquet", found.name, "the file is damaged") from None
