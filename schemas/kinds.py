"""The types a column of a table may have, by the names that ibis gives them."""

from __future__ import annotations

from typing import Any

from schemas.record import dataclass


@dataclass(frozen=True)
class Kind:
    """A type: its name (`str()` of it, too) and what DuckDB calls it."""

    name: str
    sql: str

    def __str__(self) -> str:
        return self.name

    @property
    def type(self) -> Any:
        """The type as ibis has it."""
        import ibis.expr.datatypes as dt

        return dt.dtype(self.name)


boolean = Kind("boolean", "BOOLEAN")
binary = Kind("binary", "BLOB")
float64 = Kind("float64", "DOUBLE")
int16 = Kind("int16", "SMALLINT")
int32 = Kind("int32", "INT")
string = Kind("string", "TEXT")


class Boolean:
    """True or false, in a model."""

    kind = boolean


class Float64:
    """A number, in a model."""

    kind = float64


class Int32:
    """A whole number, in a model."""

    kind = int32


class String:
    """A text, in a model."""

    kind = string
