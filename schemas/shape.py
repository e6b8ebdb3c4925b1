"""What a table is: its columns with type, codes, range and words, told without any library.

A model is written as a pandera model is, and has as much of its interface as the program reads;
`to_pandera` makes the pandera schema of it. Importing pandera takes longer than reviewing a month
a second time, and only `pipeline.ingest.make_checks` needs it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Any, ClassVar, get_type_hints

from schemas import kinds
from schemas.kinds import Kind
from schemas.record import dataclass

CHECKS = {
    "gt": ("greater_than", "min_value"),
    "ge": ("greater_than_or_equal_to", "min_value"),
    "le": ("less_than_or_equal_to", "max_value"),
    "isin": ("isin", "allowed_values"),
    "str_matches": ("str_matches", "pattern"),
}
"""How a field asks for a check, what pandera calls it, and under what it keeps what was asked."""


@dataclass(frozen=True)
class Check:
    """One check of a column's cells: pandera's name of it, and its arguments by name."""

    name: str
    statistics: dict[str, Any]


@dataclass
class Column:
    """One column: `dtype` (None: not checked), `checks`, `nullable`, `description`, `metadata`."""

    dtype: Kind | None
    checks: list[Check] = field(default_factory=list)
    nullable: bool = False
    description: str = ""
    metadata: dict[str, Any] | None = None
    name: str = ""


@dataclass(frozen=True)
class DataFrameSchema:
    """A table: its columns by name, in order; with `strict` it has no others."""

    columns: dict[str, Column]
    strict: bool = False
    description: str = ""

    def __post_init__(self) -> None:
        named = {name: replace(column, name=name) for name, column in self.columns.items()}
        object.__setattr__(self, "columns", named)


def Field(  # noqa: N802 (it is written as a pandera field is)
    *,
    nullable: bool = False,
    description: str = "",
    metadata: dict[str, Any] | None = None,
    **checks: Any,
) -> Any:
    """A column of a model, whose annotation says the type.

    `checks` are some of CHECKS, each with what is asked (None: nothing).
    """
    if unknown := set(checks) - set(CHECKS):
        raise TypeError(f"unknown check: {sorted(unknown)}")
    asked = {name: checks[name] for name in CHECKS if checks.get(name) is not None}
    made = [Check(CHECKS[name][0], {CHECKS[name][1]: asks}) for name, asks in asked.items()]
    return Column(None, made, nullable, description, metadata)


def text(description: str, *, nullable: bool = False) -> Any:
    """A column of texts."""
    return Column(kinds.string, nullable=nullable, description=description)


def code(codes: Sequence[str], description: str, *, nullable: bool = False) -> Any:
    """A column of texts that are one of some codes."""
    found: Column = Field(isin=list(codes), nullable=nullable, description=description)
    return replace(found, dtype=kinds.string)


def whole(description: str, *, nullable: bool = False) -> Any:
    """A column of whole numbers."""
    return Column(kinds.int32, nullable=nullable, description=description)


def number(description: str, *, nullable: bool = True) -> Any:
    """A column of numbers."""
    return Column(kinds.float64, nullable=nullable, description=description)


def flag(description: str, *, nullable: bool = False) -> Any:
    """A column of truths."""
    return Column(kinds.boolean, nullable=nullable, description=description)


def value(unit: str, description: str, *, nullable: bool = True) -> Any:
    """A column of a model that is counted in a unit."""
    return Field(nullable=nullable, description=description, metadata={"unit": unit})


def count(description: str, unit: str = "trips") -> Any:
    """A column of a model that counts something, and always can."""
    return value(unit, description, nullable=False)


def table(description: str, columns: dict[str, Any]) -> DataFrameSchema:
    """A table of these columns and no others."""
    return DataFrameSchema(columns, strict=True, description=description)


class DataFrameModel:
    """A table as a class: a field for each column, inherited ones first."""

    class Config:
        """`strict`: whether it has no other columns."""

        strict = False

    @classmethod
    def to_schema(cls) -> DataFrameSchema:
        """The table's columns."""
        if "_schema" not in cls.__dict__:
            cls._schema = _schema_of(cls)
        return cls._schema

    _schema: ClassVar[DataFrameSchema]


def _schema_of(model: type[DataFrameModel]) -> DataFrameSchema:
    columns = {}
    for name, kind in get_type_hints(model).items():
        if name == "_schema":
            continue
        columns[name] = replace(getattr(model, name), dtype=kind.kind)
    return DataFrameSchema(columns, model.Config.strict, model.__doc__ or "")


def to_pandera(schema: DataFrameSchema) -> Any:
    """The pandera schema (of its ibis kind) with the same columns and checks."""
    import pandera.ibis as pa

    return pa.DataFrameSchema(
        {
            name: pa.Column(
                column.dtype.type if column.dtype else None,
                [getattr(pa.Check, check.name)(**check.statistics) for check in column.checks],
                nullable=column.nullable,
                description=column.description,
                metadata=column.metadata,
            )
            for name, column in schema.columns.items()
        },
        strict=schema.strict,
        description=schema.description,
    )
