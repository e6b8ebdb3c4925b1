"""Which files of a directory make up a delivery, and what their bytes hash to."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused, refused
from pipeline.ingest.problems import Findings
from schemas.contract import TABLES, sheet_name

if TYPE_CHECKING:
    from pipeline.ingest.workbook import Workbook

EXPORT, PROTOCOL, CANNULAS = "export.toml", "protocol.toml", "cannulas.toml"
CHUNK, TAIL = 1 << 22, 256
LOOSE_QUOTES = (b' "', b'" ', b'\t"', b'"\t')
LONGEST_LINE = 8 << 20
"""No row of a table comes near; a file without line ends does, and must not fill the memory."""

LARGEST_SETTINGS = 4 << 20
OLD_BOOKS = (".xls", ".xlsm", ".xlsb", ".ods")


@dataclass
class LineEnds:
    """Counts line ends chunk by chunk, and finds the first line that is too long to be one."""

    newlines: int = 0
    returns: int = 0
    too_long: int | None = None
    run: int = 0

    def feed(self, data: bytes) -> None:
        """Go on by one chunk; `too_long` is then the number of a line without end, if one is."""
        first = min((at for end in (b"\n", b"\r") if (at := data.find(end)) >= 0), default=-1)
        longest = self.run + (first if first >= 0 else len(data))
        if longest > LONGEST_LINE and self.too_long is None:
            self.too_long = 1 + self.newlines
        last = max(data.rfind(b"\n"), data.rfind(b"\r"))
        self.run = len(data) - last - 1 if last >= 0 else longest
        self.newlines += data.count(b"\n")
        self.returns += data.count(b"\r")


@dataclass(frozen=True)
class Content:
    """One file as bytes: its hash, and what tells whether each of its lines is one row.

    `loose_quotes`: a quotation mark stands beside a space, which readers take in different ways.
    `book`: the workbook that the file is, if it holds a table as its sheet `sheet`.
    """

    path: Path
    sha256: str
    newlines: int
    returns: int
    ends_in_newline: bool
    blank_at_end: int
    loose_quotes: bool
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

    export: Content
    protocol: Content | None
    cannulas: Content | None
    tables: dict[str, Content]
    unnamed: list[str]

    @property
    def all(self) -> list[Content]:
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
    export = read_content(directory / EXPORT, findings, most=LARGEST_SETTINGS)
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


def _tables(directory: Path, names: list[str], findings: Findings) -> dict[str, Content]:
    tables = {}
    for table in TABLES:
        present = [f"{table}.{kind}" for kind in ("csv", "parquet") if f"{table}.{kind}" in names]
        if len(present) > 1:
            findings.add("table-twice", present[1], f"{table} is also there as {present[0]}")
        if present and (content := read_content(directory / present[0], findings)):
            tables[table] = content
    return tables


def _sheets(
    directory: Path, names: list[str], tables: dict[str, Content], findings: Findings
) -> dict[str, Content]:
    """The tables that are sheets of a workbook; one is opened only where a table has no file."""
    from pipeline.ingest.workbook import Workbook

    books = [name for name in names if name.lower().endswith(".xlsx")]
    if not books or len(tables) == len(TABLES):
        return {}
    if len(books) > 1:
        what = f"there are {len(books)} workbooks, and the tables of a delivery are sheets of one"
        findings.add("several-workbooks", books[1], what)
        return {}
    content = read_content(directory / books[0], findings)
    if content is None:
        return {}
    book = Workbook(content.path)
    sheets = {}
    for table in book.tables(findings):
        if table in tables:
            what = f"{table} is also there as {tables[table].name}"
            findings.add("table-twice", sheet_name(table), what)
        else:
            sheets[table] = replace(content, sheet=table, book=book)
    return sheets


def _chosen(
    role: str, given: Path | None, inside: Path | None, findings: Findings
) -> Content | None:
    """The protocol or catalogue in use: the one that was named, else the delivery's own."""
    path = given or inside
    if path is not None:
        return read_content(path, findings, most=LARGEST_SETTINGS)
    findings.add(
        "not-found",
        role,
        "the file is not in the delivery, and none was named",
        remedy=f"Add it, or name one with --{Path(role).stem}",
    )
    return None


def _not_a_delivery(directory: Path, what: str) -> Refused:
    return refused("not-a-delivery", str(directory), what)


def read_content(path: Path, findings: Findings, *, most: int | None = None) -> Content | None:
    """Hash one file and count its line ends; None, and a finding, if it cannot be read.

    `most`: how many bytes it may have. Only ordinary files are opened: to open a named pipe
    would wait for ever.
    """
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            what = "a folder" if stat.S_ISDIR(state.st_mode) else "a device, pipe or socket"
            findings.add("not-a-file", str(path), f"this is {what}, not a file")
            return None
        if most is not None and state.st_size > most:
            what = f"it is larger than {most >> 20} megabytes"
            findings.add("too-large", str(path), what)
            return None
        return _read(path, findings)
    except FileNotFoundError:
        findings.add("not-found", str(path), "there is no such file")
    except PermissionError:
        remedy = "Ask for permission to read it"
        findings.add("no-permission", str(path), "the file may not be read", remedy=remedy)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no such name"
        findings.add("not-found", str(path), f"the file cannot be opened or read ({why})")
    return None


def _read(path: Path, findings: Findings) -> Content | None:
    digest = hashlib.sha256()
    ends = LineEnds()
    is_text = path.suffix not in (".parquet", ".xlsx", ".XLSX")
    tail = b""
    loose = False
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            digest.update(chunk)
            ends.feed(chunk)
            if is_text and ends.too_long is not None:
                what = f"the line is longer than {LONGEST_LINE >> 20} megabytes"
                findings.add("line-too-long", path.name, what, line=ends.too_long)
                return None
            loose = loose or _loose(tail[-1:] + chunk[:1]) or _loose(chunk)
            tail = chunk[-TAIL:] if len(chunk) >= TAIL else (tail + chunk)[-TAIL:]
    returns = ends.returns
    return Content(
        path,
        digest.hexdigest(),
        ends.newlines,
        returns,
        ends_in_newline=tail.endswith(b"\n"),
        blank_at_end=max(0, (len(tail) - len(tail.rstrip(b"\r\n"))) // (2 if returns else 1) - 1),
        loose_quotes=loose,
    )


def _loose(chunk: bytes) -> bool:
    return b'"' in chunk and any(pair in chunk for pair in LOOSE_QUOTES)


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
