"""Which files of a directory make up a delivery, and what their bytes hash to."""

from __future__ import annotations

import hashlib
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused, refused
from pipeline.files import Unreadable
from pipeline.files.content import Content, read_content
from pipeline.ingest.problems import Findings
from schemas.contract import MAY_BE_ABSENT, TABLES, sheet_name
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.files.workbook import Workbook

EXPORT, PROTOCOL, CANNULAS = "export.toml", "protocol.toml", "cannulas.toml"
LARGEST_SETTINGS = 4 << 20
OLD_BOOKS = (".xls", ".xlsm", ".xlsb", ".ods")


@dataclass(frozen=True)
class Part(Content):
    """One file of a delivery; where a table is the sheet `sheet` of a workbook, that is `book`."""

    sheet: str | None = None
    book: Workbook | None = field(default=None, compare=False)

    @property
    def name(self) -> str:
        """What messages call it: the file's name without its folder; a workbook's goes unsaid."""
        return self.path.name if self.sheet is None else sheet_name(self.sheet)

    @property
    def header_line(self) -> int | None:
        """Number of the line that holds the header; a Parquet file has none."""
        return None if self.path.suffix == ".parquet" else 1


@dataclass(frozen=True)
class Parts:
    """The files of one delivery, by what they are for; `unnamed` are left unread."""

    export: Part
    protocol: Part | None
    cannulas: Part | None
    tables: dict[str, Part]
    unnamed: list[str]

    @property
    def all(self) -> list[Part]:
        """Every file that is read, in a fixed order."""
        settings = [self.export, self.protocol, self.cannulas]
        return [part for part in settings if part] + list(self.tables.values())

    def close(self) -> None:
        """Close the workbook that holds tables, if one does."""
        for content in self.tables.values():
            if content.book is not None:
                content.book.close()

    @property
    def content_hash(self) -> str:
        """SHA-256 over role and hash of every file that is read."""
        roles = {EXPORT: self.export, PROTOCOL: self.protocol, CANNULAS: self.cannulas}
        lines = [f"{role} {part.sha256}" for role, part in roles.items() if part]
        lines += [f"{part.name} {part.sha256}" for part in self.tables.values()]
        return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()


def find_parts(
    directory: Path, protocol: Path | None, cannulas: Path | None, findings: Findings
) -> Parts:
    """List and hash the delivery in `directory`; Refused where there is none."""
    names = _names(directory)
    if EXPORT not in names:
        raise _not_a_delivery(directory, f"this folder is not a delivery: it has no {EXPORT}")
    tables = _tables(directory, names, findings)
    sheets = _sheets(directory, names, tables, findings)
    export = read_part(directory / EXPORT, findings, most=LARGEST_SETTINGS)
    chosen = [
        _chosen(role, given, directory / role if role in names else None, findings)
        for role, given in ((PROTOCOL, protocol), (CANNULAS, cannulas))
    ]
    if export is None:
        raise Refused(findings.refusals)
    read = [content.path.name for content in (*tables.values(), *sheets.values())]
    used = {EXPORT, PROTOCOL, CANNULAS, *read}
    both = {table: (tables | sheets)[table] for table in TABLES if table in tables | sheets}
    return Parts(export, chosen[0], chosen[1], both, sorted(set(names) - used))


def _tables(directory: Path, names: list[str], findings: Findings) -> dict[str, Part]:
    tables = {}
    for table in TABLES:
        present = [f"{table}.{kind}" for kind in ("csv", "parquet") if f"{table}.{kind}" in names]
        if len(present) > 1:
            findings.add("table-twice", present[1], f"{table} is also there as {present[0]}")
        if present and (content := read_part(directory / present[0], findings)):
            tables[table] = content
    return tables


def _sheets(
    directory: Path, names: list[str], tables: dict[str, Part], findings: Findings
) -> dict[str, Part]:
    """The tables that are sheets of a workbook; one is opened only where a table has no file."""
    from pipeline.files.workbook import Workbook
    from pipeline.ingest.workbook import tables_in

    books = [name for name in names if name.lower().endswith(".xlsx")]
    if not books or set(TABLES) - set(MAY_BE_ABSENT) <= set(tables):
        return {}
    if len(books) > 1:
        what = f"there are {len(books)} workbooks, and the tables of a delivery are sheets of one"
        findings.add("several-workbooks", books[1], what)
        return {}
    content = read_part(directory / books[0], findings)
    if content is None:
        return {}
    try:
        book = Workbook(content.path)
    except Unreadable as error:
        findings.unreadable(content.path.name, error)
        return {}
    sheets = {}
    for table in tables_in(book, findings):
        if table in tables:
            what = f"{table} is also there as {tables[table].name}"
            findings.add("table-twice", sheet_name(table), what)
        else:
            sheets[table] = replace(content, sheet=table, book=book)
    return sheets


def _chosen(role: str, given: Path | None, inside: Path | None, findings: Findings) -> Part | None:
    """The protocol or catalogue in use: the one that was named, else the delivery's own."""
    path = given or inside
    if path is not None:
        return read_part(path, findings, most=LARGEST_SETTINGS)
    findings.add(
        "not-found",
        role,
        "the file is not in the delivery, and none was named",
        remedy=f"Add it, or name one with --{Path(role).stem}",
    )
    return None


def _not_a_delivery(directory: Path, what: str) -> Refused:
    return refused("not-a-delivery", str(directory), what)


def read_part(path: Path, findings: Findings, *, most: int | None = None) -> Part | None:
    """Hash one file, which may have `most` bytes; None, and a finding, if it cannot be read."""
    try:
        content = read_content(path, most=most)
    except Unreadable as error:
        remedy = "Ask for permission to read it" if error.code == "no-permission" else None
        findings.unreadable(path.name if error.line else str(path), error, remedy)
        return None
    return Part(content.path, content.sha256, content.text)


def _names(directory: Path) -> list[str]:
    try:
        return sorted(entry.name for entry in directory.iterdir())
    except OSError as error:
        what = {
            FileNotFoundError: "there is no such folder",
            NotADirectoryError: "this is a file, not the folder of a delivery",
            PermissionError: "the folder may not be read",
        }.get(type(error), "the folder cannot be read")
        raise _not_a_delivery(directory, what) from None
