"""Dataclasses whose methods are not compiled for each class.

    from schemas.record import dataclass

    @dataclass(frozen=True)
    class Unit: ...

The library writes and compiles up to six methods for every class it makes. There are some three
hundred of them, so that took a twentieth of a month's review. Here all classes share one text of
each method; what they say of themselves (`dataclasses.fields`, `replace`, `asdict`) is the same.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(cls: type | None = None, /, *, frozen: bool = False) -> Any:
        """As `dataclasses.dataclass`; `frozen`: it has a hash, and no field can be set."""
        if cls is None:
            return lambda decorated: dataclass(decorated, frozen=frozen)
        # without a text the library writes one, from a signature that is slow to tell
        cls.__doc__ = cls.__doc__ or cls.__name__
        made = dataclasses.dataclass(init=False, repr=False, eq=False)(cls)
        shared = {"__init__": _init(made), "__eq__": _eq, "__repr__": _repr, "__hash__": None}
        if frozen:
            shared |= {"__hash__": _hash, "__setattr__": _refuse, "__delattr__": _refuse}
        own = vars(made)
        for name, method in shared.items():
            if own.get(name) is None:
                setattr(made, name, method)
        return made


def _init(cls: type) -> Callable[..., None]:
    """An `__init__` for the fields of `cls`."""
    fields = dataclasses.fields(cls)
    names = tuple(field.name for field in fields)
    defaults = {f.name: _default(f) for f in fields}
    follows = getattr(cls, "__post_init__", None)

    def init(self: Any, /, *given: Any, **named: Any) -> None:
        values = self.__dict__
        values.update(zip(names, given, strict=False))
        twice = len(values) + len(named)
        values.update(named)
        twice -= len(values)
        if len(values) < len(names):
            for name, default in defaults.items():
                if default and name not in values:
                    values[name] = default()
        if twice or len(values) != len(names) or len(given) > len(names):
            raise TypeError(f"{cls.__name__} takes {names}, not {given} and {named}")
        if follows:
            follows(self)

    return init


def _default(field: dataclasses.Field[Any]) -> Callable[[], Any] | None:
    """What gives the field's value where none is given; None where one must be."""
    if field.default is not dataclasses.MISSING:
        return lambda: field.default
    return None if field.default_factory is dataclasses.MISSING else field.default_factory


def _values(record: Any, hashed: bool = False) -> tuple[Any, ...]:
    return tuple(getattr(record, f.name) for f in dataclasses.fields(record) if f.compare)


def _eq(self: Any, other: object) -> Any:
    return _values(self) == _values(other) if type(other) is type(self) else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))


def _repr(self: Any) -> str:
    told = (f"{f.name}={getattr(self, f.name)!r}" for f in dataclasses.fields(self) if f.repr)
    return f"{type(self).__qualname__}({', '.join(told)})"


def _refuse(self: Any, name: str, *value: Any) -> None:
    raise dataclasses.FrozenInstanceError(f"{type(self).__name__}.{name} cannot be set")
