"""What the rows of a frame are made of, at the edge of the pages."""

from __future__ import annotations

from typing import Any

Row = dict[str, Any]


def text(value: Any) -> str:
    """The value as text; an empty string where missing."""
    return "" if value is None else str(value)
