"""A long text in pieces of whole lines, each a file under the text's own header.

What is made of a piece before the next is read bounds the memory that a file takes, however long.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from tempfile import NamedTemporaryFile

from pipeline.files.content import CHUNK, Text
from schemas.record import dataclass

PIECE, MOST_PIECES = 16 << 20, 16
"""A piece has at least about so many bytes, and more where there would be more pieces than this.

They are a power of two, so that processors have the same to do."""


@dataclass(frozen=True)
class Piece:
    """Some lines of a text, right behind the header or another piece.

    `begins` and `ends` count bytes, `ends` being None where the text ends; `before` and `upto`
    count lines of the text: those in front of the piece, and those in front of what follows it.
    """

    begins: int
    ends: int | None
    before: int
    upto: int


def pieces(text: Text) -> list[Piece]:
    """How to cut a text whose first line is its header; nothing where it is read whole.

    Only texts with one kind of line end are cut, and a cell may have been cut in two that holds
    one: whoever reads a piece has to see that it has the rows that its lines promise.
    """
    cuts = _cuts(text)
    if not cuts:
        return []
    with text.path.open("rb") as file:
        starts = [(len(file.readline()), 1), *cuts]
    ends: list[tuple[int | None, int]] = [*cuts, (None, text.newlines)]
    return [
        Piece(begins, end, before, upto)
        for (begins, before), (end, upto) in zip(starts, ends, strict=True)
    ]


@contextmanager
def as_file(text: Text, piece: Piece) -> Iterator[Text]:
    """A piece as a text of its own under the text's header, for as long as it is needed."""
    with text.path.open("rb") as file, NamedTemporaryFile("wb", prefix="tailrace-") as copy:
        copy.write(file.readline())
        file.seek(piece.begins)
        left = None if piece.ends is None else piece.ends - piece.begins
        while chunk := file.read(CHUNK if left is None else min(CHUNK, left)):
            copy.write(chunk)
            left = left if left is None else left - len(chunk)
        copy.flush()
        newlines = 1 + piece.upto - piece.before
        own = replace(
            text, path=type(text.path)(copy.name), newlines=newlines,
            returns=newlines if text.returns else 0,
        )  # fmt: skip
        yield own if piece.ends is None else replace(own, ends_in_newline=True, blank_at_end=0)


def _cuts(text: Text) -> list[tuple[int, int]]:
    """After how many bytes to cut, and how many lines come before; nothing where not at all."""
    if text.line_end is None or text.loose_quotes or not text.line_ends:
        return []
    ends = text.line_ends[-1][0]
    parts = min(MOST_PIECES, 1 << (ends // PIECE).bit_length() - 1 if ends >= PIECE else 1)
    cuts, part = [], 1
    for at, lines in text.line_ends:
        if part < parts and at * parts >= ends * part:
            cuts.append((at, lines))
            part = at * parts // ends + 1
    return cuts
