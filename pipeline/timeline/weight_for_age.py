"""Weights that growth references hold to be implausible for a child's age.

The LMS method gives the weight at any z-score of an age and sex (Cole and Green 1992). WHO flags
weights for age with z below -6 or above +5, and beyond 3 standard deviations counts in steps of
the last one, because the few children out there do not carry the fitted power (WHO Child Growth
Standards: methods and development, 2006, chapter 7).
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import NamedTuple

LIMITS_FILE = "who_weight_for_age_limits.csv"


class Limits(NamedTuple):
    """Lowest and highest plausible weight in kg, of either sex, for an age in whole months."""

    age_months: int
    lowest_kg: float
    highest_kg: float


@cache
def weight_limits() -> tuple[Limits, ...]:
    """The table of limits, one row for each month of age from 0 to 119, in order."""
    text = (files("pipeline.timeline") / LIMITS_FILE).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    cells = [line.split(",") for line in lines[1:]]
    return tuple(Limits(int(age), float(low), float(high)) for age, low, high in cells)


def weight_limit_rows() -> str:
    """The table as the VALUES of an SQL statement: age_months, lowest_kg, highest_kg."""
    return "VALUES " + ", ".join(
        f"({row.age_months}, {row.lowest_kg}::DOUBLE, {row.highest_kg}::DOUBLE)"
        for row in weight_limits()
    )
