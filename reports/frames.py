"""From data frames to plain rows, at the edge of the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]


def records(frame: pd.DataFrame) -> list[Row]:
    """The frame as plain rows; every missing value (NaN, NA, NaT) becomes None."""
    clean = frame.astype(object).where(frame.notna(), None)
    return [{str(k): _plain(v) for k, v in row.items()} for row in clean.to_dict("records")]


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


def text(value: Any) -> str:
    """The value as text; an empty string where missing."""
    return "" if value is None else str(value)
