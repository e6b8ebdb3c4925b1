"""A file's bytes in one pass: what they hash to, and whether each line of text is one row."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path

from pipeline.files import Unreadable
from schemas.record import dataclass

CHUNK, TAIL = 1 << 20, 256
LOOSE_QUOTES = (b' "', b'" ', b'\t"', b'"\t')
LONGEST_LINE = 8 << 20
"""No row of a table comes near; a file without line ends does, and must not fill the memory."""

NOT_TEXT = (".parquet", ".xlsx", ".xlsm")


@dataclass(frozen=True)
class Text:
    """A file of UTF-8 text, and what tells whether each of its lines is one row.

    `loose_quotes`: a quotation mark stands beside a space, which readers take in different ways.
    `line_ends`: some places right behind a line end, in bytes, and how many lines come before each.
    """

    path: Path
    newlines: int
    returns: int
    ends_in_newline: bool
    blank_at_end: int
    loose_quotes: bool
    line_ends: tuple[tuple[int, int], ...] = ()

    @property
    def lines(self) -> int:
        """How many lines there are; blank ones at the end are not counted."""
        return self.newlines + (not self.ends_in_newline) - self.blank_at_end

    @property
    def line_end(self) -> str | None:
        """What every line ends with, as SQL spells it; None where line ends differ."""
        if self.returns not in (0, self.newlines):
            return None
        return r"\r\n" if self.returns else r"\n"


@dataclass(frozen=True)
class Content:
    """One file: its hash, and its text unless it is a workbook or Parquet."""

    path: Path
    sha256: str
    text: Text | None


class Scan:
    """Counts the line ends of a text chunk by chunk; Unreadable at a line too long to be one."""

    def __init__(self) -> None:
        self.newlines = self.returns = self.run = self.fed = 0
        self.line_ends: list[tuple[int, int]] = []
        self.tail = b""
        self.loose = False

    def feed(self, data: bytes) -> None:
        """Go on by one chunk."""
        first = min((at for end in (b"\n", b"\r") if (at := data.find(end)) >= 0), default=-1)
        longest = self.run + (first if first >= 0 else len(data))
        if longest > LONGEST_LINE:
            what = f"the line is longer than {LONGEST_LINE >> 20} megabytes"
            raise Unreadable("line-too-long", what, line=1 + self.newlines)
        last = max(data.rfind(b"\n"), data.rfind(b"\r"))
        self.run = len(data) - last - 1 if last >= 0 else longest
        self.newlines += data.count(b"\n")
        # to look for a byte is far quicker than to count it, and most files have none of these
        self.returns += data.count(b"\r") if b"\r" in data else 0
        if (end := data.rfind(b"\n")) >= 0:
            self.line_ends.append((self.fed + end + 1, self.newlines))
        self.fed += len(data)
        self.loose = (
            self.loose or _has_loose_quotes(self.tail[-1:] + data[:1]) or _has_loose_quotes(data)
        )
        self.tail = data[-TAIL:] if len(data) >= TAIL else (self.tail + data)[-TAIL:]

    def text(self, path: Path) -> Text:
        """What was fed, as it stands in `path`."""
        blank = (len(self.tail) - len(self.tail.rstrip(b"\r\n"))) // (2 if self.returns else 1)
        ends = self.tail.endswith(b"\n")
        blank_at_end, line_ends = max(0, blank - 1), tuple(self.line_ends)
        return Text(path, self.newlines, self.returns, ends, blank_at_end, self.loose, line_ends)


def _has_loose_quotes(chunk: bytes) -> bool:
    return b'"' in chunk and any(pair in chunk for pair in LOOSE_QUOTES)


def read_content(path: Path, *, most: int | None = None) -> Content:
    """Hash one file, which may have `most` bytes, and count its line ends.

    Only ordinary files are opened: to open a named pipe would wait for ever.
    """
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            what = "a folder" if stat.S_ISDIR(status.st_mode) else "a device, pipe or socket"
            raise Unreadable("not-a-file", f"this is {what}, not a file")
        if most is not None and status.st_size > most:
            raise Unreadable("too-large", f"it is larger than {most >> 20} megabytes")
        scan = None if path.suffix.lower() in NOT_TEXT else Scan()
        sha256 = _read(path, scan)
        return Content(path, sha256, scan.text(path) if scan else None)
    except FileNotFoundError:
        raise Unreadable("not-found", "there is no such file") from None
    except PermissionError:
        raise Unreadable("no-permission", "the file may not be read") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no such name"
        raise Unreadable("not-found", f"the file cannot be opened or read ({why})") from None


def _read(path: Path, scan: Scan | None) -> str:
    """Read a file through; returns what it hashes to."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(CHUNK):
            digest.update(chunk)
            if scan:
                scan.feed(chunk)
    return digest.hexdigest()
