"""From data frames to plain rows, at the edge of the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from schemas.frame import Frame

Row = dict[str, Any]


def records(frame: Frame) -> list[Row]:
    """The frame as plain rows; every missing value is None."""
    return frame.records()


def text(value: Any) -> str:
    """The value as text; an empty string where missing."""
    return "" if value is None else str(value)
