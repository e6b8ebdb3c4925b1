"""From data frames to plain rows, at the edge of the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]


def records(frame: pd.DataFrame) -> list[Row]:
    """The frame as plain rows; every missing value (NaN, NA, NaT) becomes None."""
    names = [str(name) for name in frame]
    columns = [plain_column(column) for _, column in frame.items()]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def plain_column(column: pd.Series) -> list[Any]:
    """The column's values; every missing one (NaN, NA, NaT) is None."""
    values: list[Any] = column.tolist()
    if column.dtype == float:
        return [None if value != value else value for value in values]  # noqa: PLR0124
    if column.dtype == object:
        values = [_plain(value) for value in values]
    # of the array, not of the Series, whose own answer takes several times as long
    missing = column.array.isna()
    if missing.any():
        return [None if gone else value for value, gone in zip(values, missing, strict=True)]
    return values


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


def text(value: Any) -> str:
    """The value as text; an empty string where missing."""
    return "" if value is None else str(value)
