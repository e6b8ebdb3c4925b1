"""A rule's parameters as its SQL writes them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Literal, get_origin

from pipeline.store.sql import literal
from schemas.rule_parameters import AtLimit, Parameters

TRIED = "tried"
"""The table whose columns stand for the values of several protocols asked at once."""


class SqlParameters:
    """One protocol's parameters of a rule: `p.limit_min` is SQL for its value.

    A parameter `x_min` is there in seconds, too, as `p.x_s`. One that is a choice between words, as
    `at_limit` is, is the word itself: it says which SQL is written, not what is compared in it.
    Those named in `columns` are columns of the table `tried`, one value a row. AttributeError for a
    parameter that the rule does not have.
    """

    at_limit: AtLimit

    def __init__(self, parameters: Parameters, columns: Collection[str] = ()) -> None:
        self._parameters, self._columns = parameters, columns

    def __getattr__(self, name: str) -> str:
        fields = type(self._parameters).model_fields
        minutes = f"{name.removesuffix('_s')}_min"
        if name not in fields and name.endswith("_s") and minutes in fields:
            return f"({getattr(self, minutes)} * 60)"
        if name not in fields:
            raise AttributeError(f"{type(self._parameters).__name__} has no {name}")
        value = getattr(self._parameters, name)
        if chooses_words(type(self._parameters), name):
            return str(value)
        if name in self._columns:
            return f"{TRIED}.{name}"
        return as_sql(float(value) if fields[name].annotation is float else value)


def chooses_words(parameters: type[Parameters], name: str) -> bool:
    """Whether a parameter is a choice between words of SQL rather than a value in it."""
    return get_origin(parameters.model_fields[name].annotation) is Literal


def as_sql(value: Any) -> str:
    """A value as a literal of SQL; every digit of a float is kept, which a decimal may not."""
    if value is None:
        return "NULL"
    if isinstance(value, bool | int):
        return str(value).upper()
    if isinstance(value, float):
        return f"'{value!r}'::DOUBLE"
    if isinstance(value, list):
        return f"[{', '.join(as_sql(entry) for entry in value)}]"
    return literal(str(value))
