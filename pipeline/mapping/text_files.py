"""Delimited and XML text of any encoding, packed or not, as plain UTF-8 with bounded lines.

One pass over the bytes finds what would hurt later: bytes that are not of the encoding, NULs,
endless lines, and archives that unpack to far more than they are.
"""

from __future__ import annotations

import codecs
import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

from pipeline.ingest.files import LONGEST_LINE, LineEnds
from pipeline.mapping.words import refused

CHUNK = 1 << 20
FREE_UNPACKED = 64 << 20
MOST_RATIO = 200
"""Text packs about tenfold; what is far beyond that was made to fill a disk."""

GZIP = b"\x1f\x8b"
MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Text:
    """A file as UTF-8: where it is, and how its lines end."""

    path: Path
    name: str
    newlines: int
    returns: int
    ends_in_newline: bool

    @property
    def lines(self) -> int:
        """How many lines there are; a last one without line end counts."""
        return self.newlines + (not self.ends_in_newline)


def unpacked(path: Path, name: str) -> Iterator[bytes]:
    """Yield a file's bytes, unpacked where it is gzip; Refused where it is damaged or a bomb."""
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
                        raise refused(
                            "too-large", name, f"it unpacks to more than {most >> 20} megabytes"
                        )
                    yield chunk
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise refused("not-gzip", name, "the packed file is damaged or cut short") from None


def as_utf8(path: Path, name: str, encoding: str, copy: Path) -> Text:
    """Check a file and return it as UTF-8: itself where it is that already, else `copy`.

    A byte order mark says what a file is and outweighs `encoding`.
    """
    with path.open("rb") as raw:
        packed = raw.read(2) == GZIP
    chunks = unpacked(path, name)
    first = next(chunks, b"")
    marked = next((kind for mark, kind in MARKS if first.startswith(mark)), None)
    lines = _Lines(name, marked or encoding)
    if not packed and lines.encoding == "utf-8":
        for chunk in chain([first], chunks):
            lines.feed(chunk)
        lines.feed(b"", final=True)
        return lines.text(path)
    with copy.open("wb") as target:
        for chunk in chain([first], chunks):
            target.write(lines.feed(chunk))
        target.write(lines.feed(b"", final=True))
    return lines.text(copy)


class _Lines:
    """Decodes chunk by chunk and counts lines."""

    def __init__(self, name: str, encoding: str) -> None:
        self.name = name
        self.encoding = encoding
        self.decoder = codecs.getincrementaldecoder(encoding)()
        self.ends = LineEnds()
        self.last = b""

    def feed(self, chunk: bytes, *, final: bool = False) -> bytes:
        """Return the chunk as UTF-8; Refused where it is not of the encoding."""
        try:
            text = self.decoder.decode(chunk, final)
        except UnicodeDecodeError as error:
            line = 1 + self.ends.newlines + error.object[: error.start].count(b"\n")
            code = "not-utf8" if self.encoding == "utf-8" else "wrong-encoding"
            what = f"the line is not encoded in {self.encoding}"
            raise refused(code, self.name, what, line=line) from None
        except UnicodeError:
            what = "there is no byte order mark, so it is not clear which kind of UTF-16 it is"
            raise refused("wrong-encoding", self.name, what) from None
        data = text.encode()
        if not self.last:
            data = data.removeprefix(codecs.BOM_UTF8)
        self._count(data)
        return data

    def _count(self, data: bytes) -> None:
        if not data:
            return
        before = self.ends.newlines
        self.ends.feed(data)
        if self.ends.too_long is not None:
            what = f"the line is longer than {LONGEST_LINE >> 20} megabytes"
            raise refused("line-too-long", self.name, what, line=self.ends.too_long)
        if (at := data.find(b"\x00")) >= 0:
            line = 1 + before + data[:at].count(b"\n")
            raise refused("nul-bytes", self.name, "the line holds a NUL byte", line=line)
        self.last = data[-1:]

    def text(self, path: Path) -> Text:
        """The file as a whole, as it stands in `path`."""
        return Text(path, self.name, self.ends.newlines, self.ends.returns, self.last == b"\n")
