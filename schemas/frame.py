"""Rows kept by column, as statistics reckon with them and the database gives and takes them.

A library of data frames takes a twentieth of a month's review to import, and longer for a small
frame than the database takes for the rows. What is here is what is needed of one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

    Column = NDArray[Any]

Row = dict[str, Any]


class Frame:
    """Columns of one length, by name.

    What is missing is NaN among numbers, None among texts; whole numbers and truths are masked
    arrays where any of them is.
    """

    __slots__ = ("columns",)

    def __init__(self, columns: Mapping[str, Any]) -> None:
        """Of arrays, lists, and single values that hold for every row."""
        lengths = {len(values) for values in columns.values() if _is_column(values)}
        (length,) = lengths or {0}
        self.columns: dict[str, Column] = {
            name: _column(values if _is_column(values) else [values] * length)
            for name, values in columns.items()
        }

    @classmethod
    def read(cls, found: duckdb.DuckDBPyConnection) -> Frame:
        """What the database answered."""
        return cls(found.fetchnumpy())

    @classmethod
    def of_rows(cls, rows: Iterable[Mapping[str, Any]], names: Iterable[str]) -> Frame:
        """Of rows, some of which may not have every column."""
        rows = list(rows)
        return cls({name: [row.get(name) for row in rows] for name in names})

    @classmethod
    def declared(cls, rows: Sequence[Mapping[str, Any]], columns: Mapping[str, Any]) -> Frame:
        """Of rows and the columns of a table's schema: numbers are such where all are missing."""
        kinds = {"int32": whole_numbers, "float64": _numbers}
        found = {name: [row.get(name) for row in rows] for name in columns}
        return cls({n: kinds.get(str(columns[n].dtype), list)(v) for n, v in found.items()})

    def __len__(self) -> int:
        return next((len(column) for column in self.columns.values()), 0)

    def __getitem__(self, name: str) -> Column:
        return self.columns[name]

    def rows(self, which: Any) -> Frame:
        """Those that a mask, an array of places or a slice chooses."""
        return Frame({name: column[which] for name, column in self.columns.items()})

    def only(self, names: Iterable[str]) -> Frame:
        """These columns in this order; one that is not there has nothing but missing numbers."""
        none = np.full(len(self), np.nan)
        return Frame({name: self.columns.get(name, none) for name in names})

    def assign(self, **columns: Any) -> Frame:
        """With further columns, or others in the place of those of their names."""
        length = len(self)
        given = {n: v if _is_column(v) else [v] * length for n, v in columns.items()}
        return Frame({**self.columns, **given})

    def sorted_by(self, *names: str) -> Frame:
        """By some columns; rows alike in them stay in their order."""
        keys = self.keys(*names)
        return self.rows(np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.intp))

    def keys(self, *names: str) -> list[tuple[Any, ...]]:
        """Of each row the values of some columns."""
        return list(zip(*(self.columns[name].tolist() for name in names), strict=True))

    def groups(self, *names: str) -> dict[tuple[Any, ...], NDArray[np.intp]]:
        """The places of the rows that are alike in some columns, by what they have there."""
        found: dict[tuple[Any, ...], list[int]] = {}
        for place, key in enumerate(self.keys(*names)):
            found.setdefault(key, []).append(place)
        return {key: np.array(found[key], dtype=np.intp) for key in sorted(found)}

    def sums(self, by: Sequence[str], names: Sequence[str]) -> dict[tuple[Any, ...], list[Any]]:
        """Of the rows alike in some columns the sums of others, without what is missing."""
        values = [self.columns[name] for name in names]
        return {
            key: [_sum(column[places]) for column in values]
            for key, places in self.groups(*by).items()
        }

    def known(self, name: str) -> NDArray[np.bool_]:
        """Which rows have a value in a column."""
        return np.array([value is not None for value in _plain(self.columns[name])], dtype=bool)

    def isin(self, name: str, values: Collection[Any]) -> NDArray[np.bool_]:
        """Which rows have one of some values in a column."""
        among = set(values)
        return np.array([value in among for value in self.columns[name].tolist()], dtype=bool)

    def plain(self) -> dict[str, list[Any]]:
        """The columns as lists of plain values, None for each that is missing."""
        return {name: _plain(column) for name, column in self.columns.items()}

    def records(self) -> list[Row]:
        """The rows as plain values, None for each that is missing."""
        names, values = list(self.columns), self.plain().values()
        return [dict(zip(names, row, strict=True)) for row in zip(*values, strict=True)]

    def for_database(self) -> dict[str, Column]:
        """The columns as the database reads them under the name of a variable."""
        return {name: _unmasked(column) for name, column in self.columns.items()}


def stacked(frames: Sequence[Frame]) -> Frame:
    """One frame below the other; those without rows are left out."""
    parts = [frame for frame in frames if len(frame)] or list(frames[:1])
    names = dict.fromkeys(name for part in parts for name in part.columns)
    return Frame({name: _joined([part.only([name])[name] for part in parts]) for name in names})


def whole_numbers(values: Sequence[int | None]) -> Column:
    """A column of whole numbers, whether or not any of them is missing."""
    gone = [value is None for value in values]
    found = np.array([0 if value is None else value for value in values], dtype=np.int32)
    return np.ma.masked_array(found, gone) if any(gone) else found


def _numbers(values: Sequence[float | None]) -> Column:
    return np.array(values, dtype=np.float64)


def _sum(column: Column) -> Any:
    known = np.array([value for value in _plain(column) if value is not None])
    # added in the order in which the sums of earlier months were
    return np.add.reduceat(known, [0])[0].item() if len(known) else 0


def _is_column(values: Any) -> bool:
    return isinstance(values, np.ndarray | list | tuple | range)


def _column(values: Any) -> Column:
    if isinstance(values, np.ma.MaskedArray):
        return _of_masked(values)
    if not isinstance(values, np.ndarray):
        return _of_values(list(values))
    # the database takes an array of short texts for a type of their own
    return values.astype(object) if values.dtype.kind == "U" else values


def _of_masked(values: np.ma.MaskedArray[Any, Any]) -> Column:
    mask = np.ma.getmaskarray(values)
    if not mask.any():
        return _column(values.data)
    if values.dtype.kind == "f":
        return values.filled(np.nan)
    return _unmasked(values) if values.dtype.kind == "O" else values


def _of_values(values: list[Any]) -> Column:
    known = [value for value in values if value is not None]
    kinds = {type(value) for value in known}
    if kinds and all(issubclass(k, float | int | np.number) and k is not bool for k in kinds):
        whole = len(known) == len(values) and all(issubclass(k, int | np.integer) for k in kinds)
        return np.array(values, dtype=np.int64 if whole else np.float64)
    if kinds and kinds <= {bool, np.bool_} and len(known) == len(values):
        return np.array(values, dtype=bool)
    found = np.empty(len(values), dtype=object)
    # a text that stands for one of several has a class of its own
    found[:] = [str(v) if isinstance(v, str) else None if v != v else v for v in values]  # noqa: PLR0124
    return found


def _joined(parts: Sequence[Column]) -> Column:
    if len({part.dtype.kind for part in parts} - {"i", "f"}) == 0:
        whole: Any = np.ma.concatenate if any(map(np.ma.isMA, parts)) else np.concatenate
        return whole(parts)  # type: ignore[no-any-return]
    if all(part.dtype.kind == "b" and not np.ma.isMA(part) for part in parts):
        return np.concatenate(parts)
    return _of_values([value for part in parts for value in _plain(part)])


def _unmasked(column: Column) -> Column:
    if not isinstance(column, np.ma.MaskedArray):
        return column
    found = column.data.astype(object)
    found[np.ma.getmaskarray(column)] = None
    return found


def _plain(column: Column) -> list[Any]:
    values: list[Any] = column.tolist()
    if column.dtype.kind == "f":
        return [None if value != value else value for value in values]  # noqa: PLR0124
    return [_scalar(value) for value in values] if column.dtype.kind == "O" else values


def _scalar(value: Any) -> Any:
    value = value.item() if isinstance(value, np.generic) else value
    return None if value != value else value  # noqa: PLR0124
