"""Which files of a directory make up a delivery, and what their bytes hash to."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import Problem, Refused
from pipeline.ingest.problems import Findings
from schemas.contract import TABLES

EXPORT, PROTOCOL, CANNULAS = "export.toml", "protocol.toml", "cannulas.toml"
CHUNK, TAIL = 1 << 22, 256
LOOSE_QUOTES = (b' "', b'" ', b'\t"', b'"\t')


@dataclass(frozen=True)
class Content:
    """One file as bytes: its hash, and what tells whether each of its lines is one row.

    `loose_quotes`: a quotation mark stands beside a space, which readers take in different ways.
    """

    path: Path
    sha256: str
    newlines: int
    returns: int
    ends_in_newline: bool
    blank_at_end: int
    loose_quotes: bool

    @property
    def name(self) -> str:
        """Name of the file without its folder."""
        return self.path.name


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
    export = read_content(directory / EXPORT, findings)
    chosen = [
        _chosen(role, given, directory / role if role in names else None, findings)
        for role, given in ((PROTOCOL, protocol), (CANNULAS, cannulas))
    ]
    if export is None:
        raise Refused(findings.refusals)
    used = {EXPORT, PROTOCOL, CANNULAS, *(content.name for content in tables.values())}
    return Parts(export, chosen[0], chosen[1], tables, sorted(set(names) - used))


def _tables(directory: Path, names: list[str], findings: Findings) -> dict[str, Content]:
    tables = {}
    for table in TABLES:
        present = [f"{table}.{kind}" for kind in ("csv", "parquet") if f"{table}.{kind}" in names]
        if len(present) > 1:
            findings.add("table-twice", present[1], f"{table} is also there as {present[0]}")
        if present and (content := read_content(directory / present[0], findings)):
            tables[table] = content
    return tables


def _chosen(
    role: str, given: Path | None, inside: Path | None, findings: Findings
) -> Content | None:
    """The protocol or catalogue in use: the one that was named, else the delivery's own."""
    path = given or inside
    if path is not None:
        return read_content(path, findings)
    findings.add(
        "not-found",
        role,
        "the file is not in the delivery, and none was named",
        remedy=f"Add it, or name one with --{Path(role).stem}",
    )
    return None


def _not_a_delivery(directory: Path, what: str) -> Refused:
    remedy = f"Name the folder that holds {EXPORT} and one file for each table."
    return Refused(Problem(str(directory), None, None, "not-a-delivery", what, remedy))


def read_content(path: Path, findings: Findings) -> Content | None:
    """Hash one file and count its line ends; None, and a finding, if it cannot be read."""
    digest = hashlib.sha256()
    newlines = returns = 0
    tail = b""
    loose = False
    try:
        with path.open("rb") as file:
            while chunk := file.read(CHUNK):
                digest.update(chunk)
                newlines += chunk.count(b"\n")
                returns += chunk.count(b"\r")
                loose = loose or _loose(tail[-1:] + chunk[:1]) or _loose(chunk)
                tail = chunk[-TAIL:] if len(chunk) >= TAIL else (tail + chunk)[-TAIL:]
    except FileNotFoundError:
        findings.add("not-found", str(path), "there is no such file")
        return None
    except OSError:
        findings.add("no-permission", str(path), "the file cannot be read")
        return None
    return Content(
        path,
        digest.hexdigest(),
        newlines,
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
