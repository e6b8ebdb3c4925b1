"""What the rows of a frame are made of, at the edge of the pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

Row = dict[str, Any]
R = TypeVar("R")
K = TypeVar("K")


def text(value: Any) -> str:
    """The value as text; an empty string where missing."""
    return "" if value is None else str(value)


def chart_key(row: Row) -> tuple[str, str, str]:
    """The chart that a row is of: measure, group_by and group_value."""
    return text(row["measure"]), text(row["group_by"]), text(row["group_value"])


def grouped(rows: Iterable[R], key: Callable[[R], K]) -> dict[K, list[R]]:
    """The rows of each key in their order, the keys as they first come."""
    found: dict[K, list[R]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found
