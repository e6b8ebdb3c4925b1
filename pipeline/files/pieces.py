"""A long text in pieces of whole lines, each a file under the text's own header.

What is made of a piece before the next is read bounds the memory that a file takes, however long.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from tempfile import NamedTemporaryFile

from pipeline.files.content import CHUNK, Text
from schemas.record import dataclass

PIECE, MOST_PIECES = 32 << 20, 16
"""A piece has at least so many bytes, and more where there would be more pieces than this."""


@dataclass(frozen=True)
class Piece:
    """Some lines of a text: `before` is what a line's number in the piece lacks."""

    text: Text
    before: int


def pieces(text: Text) -> Iterator[Piece]:
    """Yield a text whose first line is its header in pieces; whole where it is short.

    A piece is gone when the next is asked for. Only texts with one kind of line end are cut, and
    a cell may have been cut in two that holds one: whoever reads a piece has to see that it has
    the rows that its lines promise.
    """
    cuts = _cuts(text)
    if not cuts:
        yield Piece(text, 0)
        return
    with text.path.open("rb") as file:
        header = file.readline()
        begins, lines = len(header), 1
        for ends, lines_then in [*cuts, (None, text.newlines)]:
            with NamedTemporaryFile("wb", prefix="tailrace-") as piece:
                piece.write(header)
                file.seek(begins)
                left = ends - begins if ends else None
                while chunk := file.read(CHUNK if left is None else min(CHUNK, left)):
                    piece.write(chunk)
                    left = left if left is None else left - len(chunk)
                piece.flush()
                newlines = 1 + lines_then - lines
                own = replace(
                    text, path=type(text.path)(piece.name), newlines=newlines,
                    returns=newlines if text.returns else 0,
                )  # fmt: skip
                if ends:
                    own = replace(own, ends_in_newline=True, blank_at_end=0)
                yield Piece(own, lines - 1)
            begins, lines = ends or 0, lines_then


def _cuts(text: Text) -> list[tuple[int, int]]:
    """After how many bytes to cut, and how many lines come before; nothing where not at all."""
    if text.line_end is None or text.loose_quotes or not text.line_ends:
        return []
    most = max(PIECE, text.line_ends[-1][0] // MOST_PIECES)
    cuts, last = [], 0
    # what is left for the last piece is no less than the others
    for at, lines in text.line_ends:
        if at - last >= most and text.line_ends[-1][0] - at >= most:
            cuts.append((at, lines))
            last = at
    return cuts
