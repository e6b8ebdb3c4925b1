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

LOWEST_Z = -6.0
HIGHEST_Z = 5.0
LIMITS_FILE = "who_weight_for_age_limits.csv"


class Limits(NamedTuple):
    """Lowest and highest plausible weight in kg, of either sex, for an age in whole months."""

    age_months: int
    lowest_kg: float
    highest_kg: float


def weight_at(z: float, power: float, median: float, variation: float) -> float:
    """Weight in kg at a z-score, from L (`power`, not 0), M (`median`, kg) and S (`variation`).

    Beyond 3 on either side each further unit is as long as the one between 2 and 3.
    """

    def by_lms(at: float) -> float:
        # mypy: a float to a float power may be complex; WHO's L and S keep the base positive
        return median * float((1 + power * variation * at) ** (1 / power))

    if abs(z) <= 3:
        return by_lms(z)
    side = 1 if z > 0 else -1
    step = by_lms(3 * side) - by_lms(2 * side)
    return by_lms(3 * side) + (abs(z) - 3) * step


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
