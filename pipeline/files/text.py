"""Delimited and XML text of any encoding, packed or not, as plain UTF-8 with bounded lines.

One pass over the bytes finds what would hurt later: bytes that are not of the encoding, NULs,
endless lines, and archives that unpack to far more than they are.
"""

from __future__ import annotations

import codecs
import gzip
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import nullcontext
from itertools import chain
from pathlib import Path

from pipeline.files import Unreadable
from pipeline.files.content import Scan, Text

CHUNK = 1 << 20
FREE_UNPACKED = 64 << 20
MOST_RATIO = 200
"""Text packs about tenfold; what is far beyond that was made to fill a disk."""

GZIP = b"\x1f\x8b"
KINDS = (
    (b"SQLite format 3", "an SQLite database"),
    (b"\xd0\xcf\x11\xe0", "a workbook or document of an older kind, or one with a password"),
    (b"PAR1", "a Parquet file"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture"),
    (b"{\\rtf", "a text document (RTF)"),
)
"""How files begin that are no text, by their published formats."""

WORKBOOK, PACKED = "an XLSX workbook", "a packed folder or another ZIP file"
NOT_TEXT = {
    WORKBOOK: 'End its name in .xlsx, or state format = "xlsx".',
    PACKED: "Unpack it, and name the file that is inside.",
}
"""What to do about files whose names say that they are text."""

MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def kind_of(path: Path) -> str | None:
    """What a file is by its first bytes, where that is surely no table of text; else None."""
    with path.open("rb") as file:
        head = file.read(256)
    for begins, kind in KINDS:
        if head.startswith(begins):
            return kind
    if head.startswith(b"PK\x03\x04"):
        return WORKBOOK if _holds_sheets(path) else PACKED
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    return "a web page (HTML)" if text.startswith((b"<!doctype html", b"<html")) else None


def _holds_sheets(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            return "xl/workbook.xml" in archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return False


def unpacked(path: Path) -> Iterator[bytes]:
    """Yield a file's bytes, unpacked where it is gzip; Unreadable where it is damaged or a bomb."""
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP
        raw.seek(0)
        if not packed:
            while chunk := raw.read(CHUNK):
                yield chunk
            return
        most = max(FREE_UNPACKED, MOST_RATIO * path.stat().st_size)
        size = 0
        try:
            with gzip.GzipFile(fileobj=raw) as file:
                while chunk := file.read(CHUNK):
                    size += len(chunk)
                    if size > most:
                        what = f"it unpacks to more than {most >> 20} megabytes"
                        raise Unreadable("too-large", what)
                    yield chunk
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise Unreadable("not-gzip", "the packed file is damaged or cut short") from None


def as_utf8(path: Path, encoding: str, copy: Path) -> Text:
    """Check a file and return it as UTF-8: itself where it is that already, else `copy`.

    A byte order mark says what a file is and outweighs `encoding`.
    """
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP
    chunks = unpacked(path)
    first = next(chunks, b"")
    encoding = next((kind for mark, kind in MARKS if first.startswith(mark)), encoding)
    place = path if encoding == "utf-8" and not packed else copy
    scan = Scan()
    with nullcontext() if place is path else copy.open("wb") as target:
        for data in _decoded(chain([first], chunks), encoding, scan):
            before = scan.newlines
            scan.feed(data)
            if (at := data.find(b"\x00")) >= 0:
                line = 1 + before + data[:at].count(b"\n")
                what = "the line holds NUL bytes, as text in UTF-16 does"
                raise Unreadable("nul-bytes", what, line=line)
            if target:
                target.write(data)
    return scan.text(place)


def _decoded(chunks: Iterable[bytes], encoding: str, scan: Scan) -> Iterator[bytes]:
    """Yield text as UTF-8, without a mark; `scan` knows how many lines were yielded."""
    decoder = codecs.getincrementaldecoder(encoding)()
    mark = codecs.BOM_UTF8
    try:
        for chunk, last in chain(((chunk, False) for chunk in chunks), [(b"", True)]):
            if data := decoder.decode(chunk, last).encode():
                yield data.removeprefix(mark)
                mark = b""
    except UnicodeDecodeError as error:
        line = 1 + scan.newlines + error.object[: error.start].count(b"\n")
        raise not_encoded(encoding, line) from None
    except UnicodeError:
        what = "there is no byte order mark, so it is not clear which kind of UTF-16 it is"
        raise Unreadable("wrong-encoding", what) from None


def not_encoded(encoding: str, line: int | None) -> Unreadable:
    """Why a text cannot be read that is not of the encoding it should be of."""
    if encoding == "utf-8":
        return Unreadable("not-utf8", "the line is not encoded in UTF-8", line=line)
    return Unreadable("wrong-encoding", f"the line is not encoded in {encoding}", line=line)
