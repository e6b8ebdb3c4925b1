"""Frames of the program as pandas has them, for tests that reckon with pandas, and back."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import pandas as pd

from schemas.frame import Frame


def to_pandas(found: Any) -> Any:
    """A frame as pandas has it; likewise those of a tuple, a dict or a record."""
    if isinstance(found, tuple):
        return tuple(map(to_pandas, found))
    if isinstance(found, dict):
        return {name: to_pandas(value) for name, value in found.items()}
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        return dataclasses.replace(
            found, **{f.name: to_pandas(getattr(found, f.name)) for f in dataclasses.fields(found)}
        )
    if not isinstance(found, Frame):
        return found
    return pd.DataFrame(found.for_database())


def from_pandas(given: Any) -> Any:
    """What pandas has as a frame of the program; likewise those of a dict."""
    if isinstance(given, dict):
        return {name: from_pandas(value) for name, value in given.items()}
    if not isinstance(given, pd.DataFrame):
        return given
    return Frame({
        str(name): column.astype(object).where(column.notna(), None).tolist()
        if column.dtype.kind not in "iuf" or (column.isna().any() and column.dtype.kind in "iu")
        else column.to_numpy()
        for name, column in given.items()
    })  # fmt: skip


def frame_of(rows: list[dict[str, Any]]) -> Frame:
    """A frame of rows that have the same columns."""
    return Frame.of_rows(rows, rows[0] if rows else ())


def in_pandas(asked: Callable[..., Any]) -> Callable[..., Any]:
    """A function of the program that takes and gives its frames as pandas has them."""

    def answer(*given: Any, **named: Any) -> Any:
        return to_pandas(
            asked(*map(from_pandas, given), **{n: from_pandas(v) for n, v in named.items()})
        )

    return answer
