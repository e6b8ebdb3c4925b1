"""XML read piece by piece by expat: nothing is kept but what a handler keeps.

Declarations of document types are refused, and with them entities of every kind, so that nothing
can be fetched and nothing can swell. A single tag may not go on without end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any
from xml.parsers import expat

from pipeline.files import Unreadable

LONGEST_TAG = 8 << 20
SEPARATOR = "\x1f"
"""Stands between namespace and name in what a handler gets."""

Start = Callable[[str, dict[str, str]], None]
Text = Callable[[str], None]
End = Callable[[str], None]


class Stream:
    """A parser over the bytes of one document; `line` is where it stands."""

    def __init__(self) -> None:
        self.parser: Any = expat.ParserCreate(namespace_separator=SEPARATOR)
        self.parser.buffer_text = True
        self.parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype
        self.fed = 0

    @property
    def line(self) -> int:
        """Line of the tag that a handler is called for."""
        return int(self.parser.CurrentLineNumber)

    def run(self, chunks: Iterable[bytes]) -> None:
        """Parse to the end; Unreadable where it is not XML, or what is not read."""
        try:
            for chunk in chunks:
                self.parser.Parse(chunk, False)
                self.fed += len(chunk)
                if self.fed - max(self.parser.CurrentByteIndex, 0) > LONGEST_TAG:
                    what = f"a tag is longer than {LONGEST_TAG >> 20} megabytes"
                    raise Unreadable("line-too-long", what, line=self.line)
            self.parser.Parse(b"", True)
        except expat.ExpatError as error:
            what = f"the document is not well-formed XML ({expat.ErrorString(error.code)})"
            raise Unreadable("xml-syntax", what, line=error.lineno) from None
        except (ValueError, LookupError):
            what = "the document is in an encoding that is not read"
            raise Unreadable("xml-syntax", what, line=1) from None

    def _refuse_doctype(self, *_: object) -> None:
        what = "the document declares a type or entities of its own (DOCTYPE)"
        raise Unreadable("xml-dtd", what, line=self.line)


def local(name: str) -> str:
    """A name without its namespace."""
    return name.rpartition(SEPARATOR)[2]
