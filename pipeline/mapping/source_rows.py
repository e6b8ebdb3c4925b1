"""Rows of theirs in the database: for every source one table of text, each row with its line.

Only the columns that the mapping names are read; the others are never put anywhere.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused, shown
from pipeline.errors.disk import as_mistake
from pipeline.files import Unreadable
from pipeline.files.delimited import Delimited, Layout, delimited_rows, read_header
from pipeline.files.text import NOT_TEXT, as_utf8, kind_of
from pipeline.files.text_rows import (
    BAD_QUOTING,
    Columns,
    Row,
    TextRows,
    inserted,
    parquet_columns,
    parquet_rows,
)
from pipeline.mapping.files import Found, format_of, reachable
from pipeline.mapping.words import problem, reading
from pipeline.store.database import one
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.mapping import SourceFile
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.files.workbook import Sheet

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright strokes"}
LAST_LOOKED_AT = 31
"""Up to this line headings are looked for that are not where they should be."""

SHELF = "shelf"
"""The database of its own that rows which views read lie in."""

FIRST_CELL = "\x01first"
"""The name under which a row's first cell is kept, where the mapping tells by it what is no row."""

READ = "read_now"
"""The table of a file's rows until they are added to those of their source."""


@dataclass
class Source:
    """A table of text in the database: file_no, line, broken, and a column w<i> for each name.

    `present` holds the names that at least one file has; the others are null throughout.
    `mentioned` tells of a heading whether a view names it, and adds it to the names. `repeats`:
    a cell may hold several values, as an element of a report does. `made_from`: of a view, how many
    lines the files have that its rows stand in.
    """

    relation: str
    names: list[str]
    optional: frozenset[str] = frozenset()
    files: list[str] = field(default_factory=list)
    present: set[str] = field(default_factory=set)
    mentioned: Callable[[str], bool] | None = None
    repeats: bool = False
    skipped: int = 0
    made_from: int | None = None
    created: bool = False

    @property
    def bare_relation(self) -> str:
        """The relation as its own database calls it."""
        return self.relation.removeprefix(f"{SHELF}.")

    def column(self, name: str) -> str:
        """SQL name of the column that holds theirs of this name."""
        return f"w{self.names.index(name)}"

    @property
    def file_name(self) -> str:
        """SQL for the name of a row's file."""
        return f"[{', '.join(map(literal, self.files))}][file_no + 1]"

    def create(self, con: Connection) -> None:
        """Make the empty table."""
        self.created = True
        columns = "".join(f", w{i} VARCHAR" for i in range(len(self.names)))
        con.execute(
            f"create table {self.relation}"
            f" (file_no INTEGER, line INTEGER, broken UTINYINT{columns})"
        )

    def columns(self, header: Sequence[str], file: str, line: int) -> Columns:
        """Where each name stands in a header; Refused where one is missing or there twice."""
        names = [name.strip() for name in header]
        if self.mentioned is not None and not self.created:
            others = (name for name in names if name and name not in self.names)
            self.names += filter(self.mentioned, dict.fromkeys(others))
        problems = []
        for name in self.names:
            count = names.count(name)
            if count > 1:
                what = f"the column is there {count} times"
                problems.append(problem("repeated-column", file, what, line=line, column=name))
            elif not count and name not in self.optional and name != FIRST_CELL:
                what = f"there is no such column{_alike(name, names)}"
                problems.append(problem("missing-column", file, what, line=line, column=name))
        if problems:
            raise Refused(problems)
        self.present |= set(names) & set(self.names)
        places = {name: at for at, name in reversed(list(enumerate(names)))} | {FIRST_CELL: 0}
        at = [places.get(name) for name in self.names]
        return {f"w{place}": where for place, where in enumerate(at)}

    def add_file(self, name: str) -> int:
        """Number the next file of this source."""
        self.files.append(name)
        return len(self.files) - 1


def _alike(name: str, names: list[str]) -> str:
    bare = name.casefold().strip()
    same = [other for other in names if other.casefold() == bare]
    # a heading may say more than was written, as its unit
    same = same or [o for o in names if re.match(rf"{re.escape(bare)}\b", o.casefold()) and bare]
    near = same or difflib.get_close_matches(name, names[:1000], n=1, cutoff=0.8)
    return f'; there is "{shown(near[0])}"' if near else ""


def read_file(
    con: Connection, source: Source, found: Found, spec: SourceFile, scratch: Path
) -> None:
    """Add the rows of one file; Refused where it cannot be read as the mapping says."""
    number = source.add_file(found.name)
    read = {"xlsx": _read_sheet, "parquet": _read_parquet}.get(format_of(spec), _read_delimited)
    with reading(found.name):
        rows = read(con, source, found, spec, scratch)
    if not source.created:
        source.create(con)
    if rows.relation is None:
        select = f"{rows.line}, 0, * from {READ} order by rowid"
    else:
        # where quotation marks do not pair up, the cells may be those of other columns
        cells = "".join(
            f", case when reject_code <> {BAD_QUOTING} then w{at} end"
            for at in range(len(source.names))
        )
        select = f"line, reject_code{cells} from ({rows.sql})"
    con.execute(f"insert into {source.relation} select {number}, {select}")
    con.execute(f"drop table if exists {READ}")
    source.skipped += _skip(con, source, number, spec)


def _skip(con: Connection, source: Source, number: int, spec: SourceFile) -> int:
    """Take out the rows that the mapping says are none: below the header, and at the end."""
    own = f"from {source.relation} where file_no = {number}"
    parts = []
    if isinstance(spec.skip_rows, int):
        parts.append(f"select rowid {own} order by rowid limit {spec.skip_rows}")
    else:
        parts.append(f"select rowid {own} and {_begins(source, spec.skip_rows)}")
    if isinstance(spec.footer, int):
        parts.append(f"select rowid {own} order by rowid desc limit {spec.footer}")
    else:
        first = f"(select min(rowid) {own} and {_begins(source, spec.footer)})"
        parts.append(f"select rowid {own} and rowid >= {first}")
    if not spec.skip_rows and not spec.footer:
        return 0
    gone = " union ".join(f"({part})" for part in parts)
    (count,) = con.execute(f"delete from {source.relation} where rowid in ({gone})").fetchall()[0]
    return int(count)


def _begins(source: Source, texts: list[str]) -> str:
    """SQL that is true where a row's first cell is one of the texts, or begins as one with *."""
    cell = f"trim(coalesce({source.column(FIRST_CELL)}, ''))"
    tests = [
        f"starts_with({cell}, {literal(text[:-1])})" if text.endswith("*")
        else f"{cell} = {literal(text)}"
        for text in texts
    ]  # fmt: skip
    return f"({' or '.join(tests) or 'false'})"


def layout_of(spec: SourceFile) -> Layout:
    """How the mapping says that a delimited file is laid out."""
    return Layout(spec.delimiter, spec.header_line, lenient=True, quotes=spec.quotes)


def header_of(path: Path, spec: SourceFile) -> list[str]:
    """The column names of a delimited file; Unreadable where its line does not look like them."""
    header = read_header(path, layout_of(spec))
    if not header:
        what = "there is no header row" if path.stat().st_size else "the file is empty"
        raise Unreadable("empty-file", what, line=spec.header_line)
    counts = {mark: header[0].count(mark) for mark in DELIMITERS if mark != spec.delimiter}
    other = max(counts, key=lambda mark: counts[mark])
    if len(header) == 1 and counts[other]:
        stated = DELIMITERS.get(spec.delimiter, f'"{spec.delimiter}"')
        what = f"the cells are separated by {DELIMITERS[other]}, and the mapping says {stated}"
        raise Unreadable("wrong-delimiter", what, line=spec.header_line)
    return header


def _columns(
    source: Source, header_at: Callable[[int], list[str]], found: Found, at: int
) -> Columns:
    """Where each name stands; where the headings stand in another line, that alone is said."""
    try:
        return source.columns(header_at(at), found.name, at)
    except Refused as refusal:
        missing = {p.column for p in refusal.problems if p.code == "missing-column"}
        for line in range(1, LAST_LOOKED_AT):
            if line == at or len(missing) * 2 <= len(source.names):
                continue
            try:
                names = {name.strip() for name in header_at(line)}
            except Unreadable:
                continue
            if missing <= names:
                what = f"the headings stand in line {line}, and the mapping says line {at}"
                remedy = f"State header_line = {line} under the file's entry."
                reason = problem("missing-column", found.name, what, line=at, remedy=remedy)
                raise Refused(reason) from None
        raise


def _read_delimited(
    con: Connection, source: Source, found: Found, spec: SourceFile, scratch: Path
) -> TextRows:
    if (kind := kind_of(found.path)) is not None:
        what = f"this is {kind}, not a table of text"
        raise Unreadable("not-a-table", what, remedy=NOT_TEXT.get(kind))
    text = as_utf8(found.path, spec.encoding, scratch / f"{source.relation}.txt")
    text = replace(text, path=reachable(text.path, scratch, len(source.files) - 1))
    header = header_of(text.path, spec)
    where = spec.header_line

    def header_at(line: int) -> list[str]:
        layout = replace(layout_of(spec), header_line=line)
        return header if line == where else read_header(text.path, layout)

    columns = _columns(source, header_at, found, where)
    file = Delimited(text, header, layout_of(spec))
    return delimited_rows(con, file, columns, READ, lambda rows: _create(con, rows))


def _create(con: Connection, rows: TextRows) -> int:
    con.execute(f"create or replace temp table {READ} as {rows.sql}")
    return int(one(con, f"select count(*) from {READ}")[0])


def _read_parquet(
    con: Connection, source: Source, found: Found, _: SourceFile, scratch: Path
) -> TextRows:
    import duckdb

    path = reachable(found.path, scratch, len(source.files) - 1)
    kinds = parquet_columns(con, path)
    rows = parquet_rows(path, kinds, source.columns(list(kinds), found.name, 1))
    try:
        _create(con, rows)
    except duckdb.Error as error:
        if as_mistake(error):
            raise
        raise Unreadable("not-parquet", "the file is damaged") from None
    return rows


def _read_sheet(
    con: Connection, source: Source, found: Found, spec: SourceFile, _: Path
) -> TextRows:
    from pipeline.files.workbook import Workbook

    with Workbook(found.path) as book:
        sheet = book.sheet(_title(book.titles, spec.sheet))
        if not sheet.header(spec.header_line):
            raise Unreadable("empty-file", "there is no header row", line=spec.header_line)
        columns = _columns(source, sheet.header, found, spec.header_line)
        at = list(columns.values())
        sheet.refuse_misread(spec.header_line, {i + 1 for i in at if i is not None})
        return inserted(con, READ, columns, _sheet_rows(sheet, spec, at))


def _title(titles: list[str], name: str | None) -> str:
    """The sheet of this name, or the only one."""
    listed = ", ".join(f'"{shown(title)}"' for title in titles)
    if name is None and len(titles) != 1:
        what = f"the workbook has several sheets ({listed}), and the mapping names none"
        raise Unreadable("no-such-sheet", what)
    if name is not None and name not in titles:
        raise Unreadable("no-such-sheet", f'there is no sheet "{shown(name)}", only {listed}')
    return titles[0] if name is None else name


def _sheet_rows(sheet: Sheet, spec: SourceFile, at: Sequence[int | None]) -> Iterator[Row]:
    """Yield the wanted cells of every row below the header that is not empty."""
    from pipeline.files.workbook import cell_text

    last = max((i for i in at if i is not None), default=0) + 1
    for line, row in sheet.rows(spec.header_line + 1, last):
        texts = ["" if i is None or i >= len(row) else cell_text(row[i], spec.decimal) for i in at]
        if any(texts):
            yield line, 0, "", texts
