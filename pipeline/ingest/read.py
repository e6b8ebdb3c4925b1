"""One table of a delivery as rows of text, each with the line it began on.

A file in which every line is one row, as nearly all are, is read by DuckDB in parallel. One with
blank lines, or rows with too many or too few cells, is read there as lines, if no cell is quoted.
Any other goes through Python's reader, which is much slower and knows the line of every row.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Refused
from pipeline.ingest.files import Content
from pipeline.ingest.problems import Findings
from pipeline.store.sql import literal, quoted

if TYPE_CHECKING:
    from _csv import Reader as CsvReader

    import duckdb

BATCH_ROWS = 50_000
LONGEST_CELL = 1 << 20
MOST_COLUMNS = 10_000
RAGGED, BAD_QUOTING = 1, 2
REJECTS = {RAGGED: "ragged-row", BAD_QUOTING: "bad-quoting"}


@dataclass(frozen=True)
class Source:
    """SQL that yields a table's rows as text.

    `line` is an SQL expression for a row's line over the table created from `sql` in its order.
    A source with a `relation` also has the columns line, reject_code (0 for a row that fits the
    header) and reject_text.
    """

    sql: str
    line: str
    relation: str | None = None


def read_header(
    con: duckdb.DuckDBPyConnection, content: Content, findings: Findings
) -> list[str] | None:
    """Return the column names of one file in file order; None, and a finding, if unreadable."""
    if content.book is not None and content.sheet is not None:
        return content.book.header(content.sheet, content.name, findings)
    if content.path.suffix == ".parquet":
        return _parquet_header(con, content, findings)
    csv.field_size_limit(LONGEST_CELL)
    try:
        with content.path.open(encoding="utf-8-sig", newline="") as file:
            cells = next(csv.reader(_bounded(file), strict=True), None)
    except UnicodeDecodeError:
        _refuse_encoding(content, findings)
        return None
    except csv.Error:
        findings.add(
            "open-quote", content.name, "the header's quotation marks do not pair up", line=1
        )
        return None
    return _checked_header(cells, content, findings)


def _checked_header(
    cells: list[str] | None, content: Content, findings: Findings
) -> list[str] | None:
    if not cells or not any(cells):
        what = "the file is empty or begins with a blank line"
        findings.add("empty-file", content.name, what, line=1)
        return None
    if len(cells) > MOST_COLUMNS:
        what = f"the header has more than {MOST_COLUMNS} columns"
        findings.add("too-many-columns", content.name, what, line=1)
        return None
    return cells


def fast_source(content: Content, header: list[str], wanted: list[str]) -> Source | None:
    """Return how DuckDB reads the `wanted` columns; None where its line ends rule that out.

    It holds only if it yields `lines_below_header` rows, and raises nothing.
    """
    pattern = any(mark in str(content.path) for mark in "*?[")
    if content.returns not in (0, content.newlines) or content.loose_quotes or pattern:
        return None
    newline = r"\r\n" if content.returns else r"\n"
    # columns go by place: those that are ignored may be called anything, even the same
    columns = ", ".join(f"c{place}: 'VARCHAR'" for place in range(len(header)))
    cells = ", ".join(f"c{header.index(name)} as {quoted(name)}" for name in wanted)
    sql = (
        f"select {cells} from read_csv({literal(str(content.path))},"
        " auto_detect=false, header=true, delim=',', quote='\"', escape='\"', comment='',"
        f" nullstr='', new_line='{newline}', columns={{{columns}}})"
    )
    return Source(sql, "rowid + 2")


def lines_below_header(content: Content) -> int:
    """Lines of a file after the first; blank ones at its end are not counted."""
    return content.newlines + (not content.ends_in_newline) - 1 - content.blank_at_end


def lines_source(
    con: duckdb.DuckDBPyConnection, content: Content, header: list[str], wanted: list[str]
) -> Source | None:
    """Return how DuckDB cuts lines into the `wanted` cells, whatever number of cells they have.

    None where a line need not be a row: a quotation mark stands somewhere, or line ends differ.
    """
    import duckdb

    relation = f"raw_{content.path.stem}"
    if content.returns not in (0, content.newlines) or len(header) < 2:
        return None
    newline = r"\r\n" if content.returns else r"\n"
    try:
        con.execute(
            f"create or replace temp table {relation} as from read_csv(?, auto_detect=false,"
            " header=false, delim='\x01', quote='', escape='', comment='', nullstr='',"
            f" new_line='{newline}', columns={{'text': 'VARCHAR'}})",
            [str(content.path)],
        )
    except (duckdb.InvalidInputException, duckdb.ConversionException):
        return None
    lines, quotes = con.execute(
        f"select count(*), coalesce(bool_or(contains(text, '\"')), false) from {relation}"
    ).fetchall()[0]
    if quotes or lines != content.newlines + (not content.ends_in_newline):
        return None
    return Source(_cut_lines(relation, header, wanted), "line", relation)


def _cut_lines(relation: str, header: list[str], wanted: list[str]) -> str:
    """SQL for the rows of a table of lines, as `_rows` yields them."""
    width = len(header)
    cells = ", ".join(
        f"case when fits or {name == 'trip_id'} then nullif(cells[{header.index(name) + 1}], '')"
        f" end as {quoted(name)}"
        for name in wanted
    )
    # commas after the last cell, with nothing behind them, only end the row
    return f"""
        select line, case when fits then 0 else {RAGGED} end as reject_code,
               case when not fits then array_to_string(cells, chr(10)) end as reject_text, {cells}
        from (
            select line, cells, len(cells) >= {width}
                   and array_to_string(cells[{width + 1}:], '') = '' as fits
            from (
                select (rowid + 1)::INTEGER as line, string_split(text, ',') as cells
                from {relation} where rowid > 0 and text is not null
            )
        )"""


def slow_source(
    con: duckdb.DuckDBPyConnection,
    content: Content,
    header: list[str],
    wanted: list[str],
    findings: Findings,
) -> Source | None:
    """Return how Python reads the `wanted` columns of text or a sheet; None if it cannot."""
    relation = f"raw_{content.sheet or content.path.stem}"
    columns = dict.fromkeys(("line", "reject_code"), "INTEGER")
    columns |= {quoted(name): "VARCHAR" for name in ("reject_text", *wanted)}
    spelled = ", ".join(f"{name} {kind}" for name, kind in columns.items())
    con.execute(f"create or replace temp table {relation} ({spelled})")
    if content.book is not None and content.sheet is not None:
        rows = content.book.rows(content.sheet, content.name, header, wanted, findings)
    else:
        rows = _rows(content.path, header, wanted)
    try:
        _insert_rows(con, relation, rows)
    except Refused as refusal:
        findings.refusals += refusal.problems
        return None
    except UnicodeDecodeError:
        _refuse_encoding(content, findings)
        return None
    except _OpenQuote as quote:
        findings.add(
            "open-quote",
            content.name,
            f"a quotation mark opened here runs over the rows below, to line {quote.end}",
            line=quote.start,
        )
        return None
    return Source(f"select * from {relation}", "line", relation)


def parquet_of(path: str) -> str:
    """SQL of a Parquet file's own columns: folders it lies in tell none, whatever their names."""
    return f"read_parquet({literal(path)}, hive_partitioning = false)"


def parquet_kinds(con: duckdb.DuckDBPyConnection, path: str) -> dict[str, str]:
    """The columns of a Parquet file and their types in the database, in the file's order."""
    rows = con.execute(f"describe select * from {parquet_of(path)}").fetchall()
    return {name: kind for name, kind, *_ in rows}


def is_nested(kind: str) -> bool:
    """Whether a column of this type holds lists, structures or maps rather than single values."""
    return kind.endswith("]") or kind.startswith(("STRUCT", "MAP", "UNION"))


NESTED = "its cells are lists, structures or maps, not single values"


def parquet_source(
    con: duckdb.DuckDBPyConnection, content: Content, wanted: list[str], findings: Findings
) -> Source | None:
    """Return how to read the `wanted` columns of a Parquet file as text; None with a finding."""
    kinds = parquet_kinds(con, str(content.path))
    nested = [name for name in wanted if is_nested(kinds[name])]
    for name in nested:
        findings.add("nested-column", content.name, NESTED, column=name)
    if nested:
        return None
    cells = ", ".join(f"{parquet_cell(name, kinds[name])} as {quoted(name)}" for name in wanted)
    sql = f"select {cells} from {parquet_of(str(content.path))}"
    return Source(sql, "rowid + 1")


def parquet_cell(name: str, kind: str) -> str:
    """A cell as text; a whole number kept in a floating-point column is a whole number."""
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


def _parquet_header(
    con: duckdb.DuckDBPyConnection, content: Content, findings: Findings
) -> list[str] | None:
    import duckdb

    try:
        return list(parquet_kinds(con, str(content.path)))
    except duckdb.Error:
        findings.add("not-parquet", content.name, "the file is damaged, or not Parquet")
        return None


class _OpenQuote(Exception):  # noqa: N818 - never leaves this module
    """A quotation mark opened on line `start` runs over the rows below, to line `end`."""

    def __init__(self, start: int, end: int) -> None:
        self.start, self.end = start, end
        super().__init__()


def _records(path: Path) -> Iterator[tuple[int, int, list[str] | None]]:
    """Yield first line, last line and cells of every record; cells None if badly quoted.

    A badly quoted record of several lines raises _OpenQuote: rows of other trips are lost in it.
    """
    csv.field_size_limit(LONGEST_CELL)
    with path.open(encoding="utf-8-sig", newline="") as file:
        for start, end, cells in csv_records(csv.reader(file, strict=True)):
            if cells is None and end > start:
                raise _OpenQuote(start, end)
            yield start, end, cells


def csv_records(reader: CsvReader) -> Iterator[tuple[int, int, list[str] | None]]:
    """Yield first line, last line and cells of every record; cells None if badly quoted."""
    while True:
        start = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error:
            yield start, reader.line_num, None
            continue
        if cells:
            yield start, reader.line_num, cells


def _insert_rows(
    con: duckdb.DuckDBPyConnection, relation: str, rows: Iterator[tuple[Any, ...]]
) -> None:
    """Insert rows batch by batch, through the data frames that DuckDB reads directly."""
    import pandas as pd

    while batch := list(islice(rows, BATCH_ROWS)):
        columns = enumerate(zip(*batch, strict=True))
        frame = pd.DataFrame({n: pd.Series(list(values), dtype=object) for n, values in columns})
        con.register("batch", frame)
        con.execute(f"insert into {relation} select * from batch")
        con.unregister("batch")


def _rows(path: Path, header: list[str], wanted: list[str]) -> Iterator[tuple[Any, ...]]:
    """Yield line, reject_code, the rejected row's text, and the wanted cells, "" as None.

    Of a row that does not fit the header only trip_id is taken, to tell which trip lost a row.
    """
    width = len(header)
    at = [header.index(name) for name in wanted]
    trip_id = wanted.index("trip_id") if "trip_id" in wanted else None
    records = islice(_records(path), 1, None)
    with path.open(encoding="utf-8-sig", newline="") as raw:
        lines = enumerate(raw, start=1)
        for start, _, cells in records:
            # commas after the last cell, with nothing behind them, only end the row
            if cells is not None and len(cells) >= width and not any(cells[width:]):
                yield (start, 0, None, *(cells[i] or None for i in at))
                continue
            code = BAD_QUOTING if cells is None else RAGGED
            if cells is None:
                text = next(line for number, line in lines if number == start)
                found = next(csv.reader([text[: LONGEST_CELL - 1]]), [])
            else:
                found = cells
            kept: list[str | None] = [None] * len(wanted)
            if trip_id is not None and at[trip_id] < len(found):
                kept[trip_id] = found[at[trip_id]] or None
            yield (start, code, "\n".join(found), *kept)


def _bounded(file: Any) -> Iterator[str]:
    """Lines of a text file; a first line without end is cut, not read into memory."""
    while line := file.readline(LONGEST_CELL):
        yield line


def _refuse_encoding(content: Content, findings: Findings) -> None:
    with content.path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                findings.add(
                    "not-utf8", content.name, "the line is not encoded in UTF-8", line=number
                )
                return
    findings.add("not-utf8", content.name, "the file is not encoded in UTF-8")
