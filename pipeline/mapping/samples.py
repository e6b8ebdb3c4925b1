"""The headings and first rows of every table in a source, for a draft of its mapping."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import field
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pipeline.errors.mistakes import Refused
from pipeline.files import Unreadable
from pipeline.files.delimited import records
from pipeline.files.text import NOT_TEXT, as_utf8, kind_of
from pipeline.mapping.files import Found, present
from pipeline.mapping.source_rows import header_of, layout_of
from pipeline.mapping.suggest_values import Column
from pipeline.mapping.words import reading, refused, toml
from schemas.mapping import SLOT, SourceFile
from schemas.record import dataclass

ROWS = 2000
LOOKED_AT = 30
"""Rows in which headings are looked for, below a title."""

MOST_SHEET_COLUMNS = 500
DELIMITERS = (",", ";", "\t", "|")
OWN = ("mapping.toml", "protocol.toml", "cannulas.toml", "export.toml")


@dataclass
class Sample:
    """One table of theirs: a key for [files], what its entry says, and its columns."""

    key: str
    format: str
    path: Path
    lines: list[str]
    columns: list[Column] = field(default_factory=list)
    trip: str | None = None
    """The column that holds the trip's number, where its values tell that."""
    used: set[str] = field(default_factory=set)


def samples(source: Path) -> tuple[list[Sample], list[Refused]]:
    """Read the beginning of every file directly in `source`, and say which cannot be read.

    Refused where there is none that can.
    """
    found: list[Sample] = []
    unread: list[Refused] = []
    with TemporaryDirectory(prefix="tailrace-map-") as scratch:
        for path in present(source):
            if path.name.lower() in OWN or path.name.startswith("."):
                continue
            try:
                with reading(path.name):
                    found += _of_file(path, Path(scratch))
            except Refused as error:
                unread.append(error)
    if not found and unread:
        raise unread[0]
    if not found:
        raise refused("not-found", str(source), "there is no file here that could be a table")
    found = _alike_together(found)
    keys: dict[str, int] = {}
    for sample in found:
        keys[sample.key] = keys.get(sample.key, 0) + 1
        if keys[sample.key] > 1:
            sample.key += f"-{keys[sample.key]}"
    return found, unread


def _alike_together(samples: list[Sample]) -> list[Sample]:
    """Files with the same headings are one entry, as those of several months are."""
    groups: dict[tuple[object, ...], list[Sample]] = {}
    for sample in samples:
        names = tuple(column.template for column in sample.columns) or (sample.key,)
        groups.setdefault((sample.format, names, tuple(sample.lines[1:])), []).append(sample)
    together = []
    for group in groups.values():
        paths = [sample.path.name for sample in group]
        start = _common(paths)
        end = _common([name[start:][::-1] for name in paths])
        if len(group) == 1 or not start + end:
            together += group
            continue
        first = group[0]
        first.lines[0] = f"path = {toml(paths[0][:start] + '*' + paths[0][len(paths[0]) - end :])}"
        for sample in group[1:]:
            for column, same in zip(first.columns, sample.columns, strict=True):
                column.values += same.values
        together.append(first)
    return together


def _common(names: list[str]) -> int:
    """How many characters at the beginning all names share."""
    shortest = min(map(len, names))
    differs = (i for i in range(shortest) if len({name[i] for name in names}) > 1)
    return next(differs, shortest)


def _of_file(path: Path, scratch: Path) -> list[Sample]:
    suffix = Path(path.name.lower().removesuffix(".gz")).suffix
    found = Found(path, path.name)
    if suffix == ".xlsx":
        return list(_of_book(found))
    if suffix == ".parquet":
        return [_of_parquet(found)]
    if suffix == ".xml":
        return [Sample(_key(path.stem), "nemsis", path, [f"path = {toml(path.name)}"])]
    known = suffix in (".csv", ".txt", ".tsv")
    sample = _of_text(found, scratch, known=known)
    return [sample] if known or len(sample.columns) > 1 else []


def _of_text(found: Found, scratch: Path, *, known: bool) -> Sample:
    """The table in a file of text; not `known`: its name does not tell that it is one."""
    lines = [f"path = {toml(found.name)}"] + ([] if known else ['format = "csv"'])
    if (kind := kind_of(found.path)) is not None:
        what = f"this is {kind}, not a table of text"
        raise Unreadable("not-a-table", what, remedy=NOT_TEXT.get(kind))
    encoding = "utf-8"
    copy = scratch / "sample.txt"
    try:
        text = as_utf8(found.path, encoding, copy)
    except Unreadable as error:
        if error.code != "not-utf8":
            raise
        encoding = "windows-1252"
        lines.append(
            'encoding = "windows-1252"  # CHECK: it is not UTF-8; see whether names are right'
        )
        text = as_utf8(found.path, encoding, copy)
    with text.path.open(encoding="utf-8-sig", newline="") as file:
        first = [file.readline(1 << 20) for _ in range(LOOKED_AT)]
    mark = _mark(first)
    at = _header_at([line.split(mark) for line in first])
    if at:
        lines.append(f"header_line = {at + 1}  # CHECK: the lines above it are a title")
    if mark != ",":
        lines.append(f'delimiter = "{mark}"'.replace("\t", "\\t"))
    spec = SourceFile.model_validate(
        {"path": "x", "delimiter": mark, "encoding": encoding, "header_line": at + 1}
    )
    sample = Sample(_key(found.path.stem), "csv", found.path, lines)
    try:
        sample.columns = _columns_of(text.path, spec)
    except Unreadable as error:
        if error.code != "open-quote":
            raise
        lines.append("quotes = false  # CHECK: quotation marks enclose nothing here")
        sample.columns = _columns_of(text.path, spec.model_copy(update={"quotes": False}))
    if {column.decimal for column in sample.columns} - {None, ""} == {","}:
        lines.append('decimal = ","')
    return sample


def _columns_of(path: Path, spec: SourceFile) -> list[Column]:
    header = header_of(path, spec)
    rows = (cells for _, code, cells in records(path, layout_of(spec), len(header)) if code == 0)
    return _columns(header, islice(rows, ROWS))


def _mark(lines: list[str]) -> str:
    """What separates the cells of most lines."""
    return max(DELIMITERS, key=lambda mark: sum(line.count(mark) for line in lines))


def _header_at(rows: list[list[str]]) -> int:
    """Which row is that of the headings: a title above it fills fewer cells than it does."""
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows]
    return next((i for i, n in enumerate(filled) if n and n * 2 > max(filled)), 0)


def _of_book(found: Found) -> Iterator[Sample]:
    from pipeline.files.workbook import Workbook, cell_text

    with Workbook(found.path) as book:
        for title in book.titles:
            read = islice(book.sheet(title).rows(1, MOST_SHEET_COLUMNS), ROWS)
            rows = [[cell_text(cell, ".").strip() for cell in row] for _, row in read]
            if not rows or max(sum(map(bool, row)) for row in rows[:LOOKED_AT]) < 2:
                continue
            at = _header_at(rows[:LOOKED_AT])
            header = rows[at]
            while header and not header[-1]:
                header.pop()
            lines = [f"path = {toml(found.name)}", f"sheet = {toml(title)}"]
            if at:
                lines.append(f"header_line = {at + 1}  # CHECK")
            columns = _columns(header, [row[: len(header)] for row in rows[at + 1 :]])
            yield Sample(_key(title), "xlsx", found.path, lines, columns)


def _of_parquet(found: Found) -> Sample:
    import duckdb

    try:
        with duckdb.connect() as con:
            result = con.execute(f"select columns(*)::VARCHAR from read_parquet(?,"
                                 f" hive_partitioning = false) limit {ROWS}",
                                 [str(found.path)])  # fmt: skip
            header = [item[0] for item in result.description or []]
            rows = [[cell or "" for cell in row] for row in result.fetchall()]
    except duckdb.Error:
        raise Unreadable("not-parquet", "the file is damaged, or not Parquet") from None
    lines = [f"path = {toml(found.name)}"]
    return Sample(_key(found.path.stem), "parquet", found.path, lines, _columns(header, rows))


def _columns(header: list[str], rows: Any) -> list[Column]:
    """Columns with their samples; those that differ by a number at the end are one, with {n}."""
    columns = [Column(name.strip(), name.strip()) for name in header]
    for row in rows:
        for column, cell in zip(columns, row, strict=False):
            column.values.append(cell.strip())
    numbered: dict[str, list[tuple[int, Column]]] = {}
    for column in columns:
        match = re.fullmatch(r"(.*?[^0-9])([0-9]{1,3})", column.name)
        if match:
            numbered.setdefault(match[1] + SLOT, []).append((int(match[2]), column))
    merged: dict[str, Column] = {}
    for template, group in numbered.items():
        if len(group) < 2:
            continue
        values = [value for _, column in group for value in column.values]
        whole = Column(group[0][1].name, template, values, [n for n, _ in group])
        merged |= {column.name: whole for _, column in group}
    return list({id(c): c for c in (merged.get(c.name, c) for c in columns) if c.name}.values())


def _key(stem: str) -> str:
    """A name for [files]: plain letters and digits."""
    plain = re.sub(r"[^a-z0-9]+", "-", stem.lower().partition(".")[0]).strip("-")
    return plain[:32] or "file"
