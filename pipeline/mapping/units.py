"""Factors between a service's units and the contract's, by pint."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from schemas.contract import TABLES
from schemas.mapping import CLOCK_UNIT

CONTRACT_UNITS = {
    "s": "second",
    "min": "minute",
    "months": "month",
    "kg": "kilogram",
    "L/min": "liter/minute",
    "1": "dimensionless",
    "%": "percent",
    "cmH2O": "cmH2O",
    "1/min": "1/minute",
}
"""The contract's units as pint names them."""


class UnknownUnitError(ValueError):
    """A unit that pint does not know, or of another kind of quantity; its text is a sentence."""


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    return pint.UnitRegistry(cache_folder=None)


def contract_unit(table: str, column: str) -> str | None:
    """Unit the contract gives a column, None where it has none."""
    field = TABLES[table].to_schema().columns[column]
    unit = (field.metadata or {}).get("unit")
    return str(unit) if unit else None


def factor(theirs: str, ours: str) -> float:
    """What to multiply a number in `theirs` by to have it in the contract's unit `ours`.

    `h:mm` counts as seconds. UnknownUnitError, with a sentence, where that cannot be done.
    """
    if theirs == ours:  # without the registry, which takes most of a second to build
        return 1.0
    import pint

    registry = _registry()
    target = CONTRACT_UNITS[ours]
    try:
        one = registry.Quantity(1.0, "second" if theirs == CLOCK_UNIT else theirs)
        return float(one.to(target).magnitude)
    except pint.UndefinedUnitError:
        raise UnknownUnitError(
            f'"{theirs}" is not a unit that is known; the contract counts in {ours}'
        ) from None
    except pint.DimensionalityError:
        raise UnknownUnitError(
            f'"{theirs}" measures something else than {ours}, in which the contract counts'
        ) from None
    except Exception:  # pint raises many kinds for texts that are no unit
        raise UnknownUnitError(f'"{theirs}" cannot be read as a unit') from None
