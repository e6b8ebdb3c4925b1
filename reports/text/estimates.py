"""One estimate: a number with its interval and what it was made from, that writes itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.text import words
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from collections.abc import Mapping

TOO_WIDE = 0.4
"""A share's interval wider than this leaves open whether it is rare or common; assumed."""

MOST_MEANT = 500.0
"""Events per 100 h: an upper bound above five an hour says nothing that anybody asks; assumed.

A page leaves it open; the data files keep it.
"""

UNSAID = "cannot be said"


def rate_bound(high: float | None) -> float | None:
    """An upper bound of a rate per 100 h as a page says it: None where it says nothing."""
    return None if high is None or high > MOST_MEANT else high


def few_words(high: float | None) -> str:
    """What fewer than ten trips bear: an upper bound, or not even that."""
    bound = rate_bound(high)
    return "too few to say" + ("" if bound is None else f": at most {words.rate(bound)}")


@dataclass(frozen=True)
class Estimate:
    """A number, its 95 % bounds and what it was made from; None is not known, never zero.

    Shares are fractions of 1. `numerator` is in events, trips or minutes, `denominator` in hours or
    trips, as the unit says. `few`: too few to compare; then a rate has an upper bound alone, and
    what is written is what it was made from.
    """

    number: float | None
    low: float | None
    high: float | None
    numerator: float
    denominator: float
    unit: Unit
    method: str = ""
    trips: int | None = None
    few: bool = False

    @property
    def known(self) -> bool:
        """Whether there is a number at all."""
        return self.number is not None

    @property
    def of(self) -> str:
        """'5 of 38' for prose; of a rate '5 in 38 h'."""
        joined = "in" if self.unit is Unit.RATE else "of"
        return f"{words.whole(self.numerator)} {joined} {self._made_of()}"

    @property
    def cell(self) -> str:
        """'5/38' for cells and beside dots; the column says of what."""
        below = words.hours if self.unit is Unit.RATE else words.whole
        return f"{words.whole(self.numerator)}/{below(self.denominator)}"

    @property
    def value(self) -> str:
        """'13 %', '4.1', a dash where there is no number."""
        written = words.percent if self.unit is Unit.SHARE else words.rate
        return written(self.number)

    @property
    def span(self) -> str:
        """'6-27 %', '1.1-2.3' with a dash; '1.1 or more' where the upper bound says nothing.

        Where few 'at most 12' or 'cannot be said'; empty where there is no interval at all.
        """
        if self.low is None and self.high is None:
            return UNSAID if self.few and self.unit is Unit.RATE else ""
        if self.unit is Unit.SHARE:
            return words.percent_range(self.low, self.high)
        return words.between(self.low, self.high)

    @property
    def bare_span(self) -> str:
        """The same without its unit: it stands in brackets behind the value."""
        return self.span.removesuffix(f"{words.NBSP}%")

    def __str__(self) -> str:
        """'13 % (6-27)'; where too few to compare '2 of 4' alone."""
        if self.few or not self.known:
            return self.of
        return f"{self.value} ({self.bare_span})" if self.span else self.value

    @property
    def with_counts(self) -> str:
        """'5 of 38, 13 % (6-27)'; where too few to compare '2 of 4' alone."""
        return self.of if str(self) == self.of else f"{self.of}, {self}"

    def _made_of(self) -> str:
        if self.unit is Unit.RATE:
            return f"{words.hours(self.denominator)}{words.NBSP}h"
        return words.whole(self.denominator)


def estimate(row: Mapping[str, Any] | None, unit: Unit, **names: str) -> Estimate:
    """The estimate of a row of the measures, or of another whose columns `names` gives.

    Without a row, or without anything below the line, nothing is known of 0 of 0.
    """

    def some(name: str) -> float | None:
        return None if row is None else words.some(row.get(names.get(name, name)))

    low, high = some("low"), some("high")
    few = low is None and high is not None
    if unit is Unit.SHARE:
        few = low is None or high is None or high - low > TOO_WIDE
    elif unit is Unit.RATE:
        high = rate_bound(high)
    trips = some("trips")
    return Estimate(
        number=some("estimate"),
        low=low,
        high=high,
        numerator=some("numerator") or 0.0,
        denominator=some("denominator") or 0.0,
        unit=unit,
        method=str((row or {}).get("method") or ""),
        trips=None if trips is None else int(trips),
        few=few,
    )


def year_estimate(row: Mapping[str, Any], side: str, unit: Unit) -> Estimate:
    """The figure of `now` or `before` of a row of the years."""
    names = {name: f"{side}_{name}" for name in ("numerator", "denominator", "low", "high")}
    return estimate(row, unit, estimate=side, **names)


Ratio = tuple[float | None, float | None, float | None]
"""A ratio with its bounds."""


def ratio_of(row: Mapping[str, Any], name: str = "ratio") -> Ratio:
    """The ratio in a column, with its bounds in those named after it."""
    value, low, high = (words.some(row[k]) for k in (name, f"{name}_low", f"{name}_high"))
    return value, low, high
