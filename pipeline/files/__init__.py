"""A file -> rows of text, each with its line: the only reader, within limits.

What the rows mean is said by those who ask for them: `ingest` for a delivery, `mapping` for a
service's own files, `followup` for a filled sheet.
"""

from __future__ import annotations


class Unreadable(Exception):  # noqa: N818 - it is shown to users as a refusal
    """A file that cannot be read: the code of the refusal, what is wrong, and where.

    The file's name is added by those who asked for it, and what to do about it unless its remedy
    is known here.
    """

    def __init__(
        self,
        code: str,
        what: str,
        *,
        line: int | None = None,
        column: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.code, self.what, self.line, self.column = code, what, line, column
        self.remedy = remedy
        super().__init__(what)
