"""Periods that months are pooled to. They never overlap, so that no two of them have a difference.

A rolling window would be published again a month later, one month further: the difference of the
two is the difference of two single months, and over a year every small month could be worked out.
Here each month belongs to one period for good. Which one depends on volumes alone: from January
(or from July, where the records begin in the second half) the shortest of 1, 3, 6 or 12 calendar
months that holds enough trips for its length, then the next such period.
"""

from __future__ import annotations

from collections.abc import Mapping

from schemas.months import month_number, month_of
from schemas.record import dataclass

ENOUGH_TRIPS = {1: 1000, 3: 600, 6: 300, 12: 0}
"""Trips that make a period, by its length in months: a service that loses little by waiting pools
more. With 300 trips a rule broken on 1 trip in 25 shows. Assumed."""


@dataclass(frozen=True)
class Period:
    """Months from `first` to `last`, both YYYY-MM and both included."""

    first: str
    last: str

    @property
    def name(self) -> str:
        """As it is written in tables."""
        return self.first if self.first == self.last else f"{self.first} to {self.last}"

    def holds(self, month: str) -> bool:
        """Whether the month is part of it."""
        return self.first <= month <= self.last

    def months(self) -> list[str]:
        """Every month of it, in order."""
        return [month_of(n) for n in range(month_number(self.first), month_number(self.last) + 1)]


def complete_periods(
    trips: Mapping[str, int], until: str, fixed: tuple[Period, ...] = ()
) -> tuple[tuple[Period, ...], str]:
    """The periods complete by the end of `until`, oldest first, and the month the next one ends in.

    `trips` by month (YYYY-MM). `fixed` are those shared before, which stay as they are; months
    before the first of them are not pooled any more. Which months make a period depends on no
    month after its end; the next one may end later than said where it holds too few trips.
    """
    shared = sorted(fixed, key=lambda p: p.first)
    found = [p for p in shared if p.last <= until]
    known = [m for m, n in trips.items() if n]
    if not known and not shared:
        return (), until
    first = shared[0].first if shared else min(known)
    at = month_number(found[-1].last) + 1 if found else _start(first)
    while True:
        period, complete = _next(trips, at, until)
        if not complete:
            return tuple(found), max(period.last, until)
        if len(found) < len(shared):
            # the next one was shared with other trips behind it, and ends later
            return tuple(found), shared[len(found)].last
        found.append(period)
        at = month_number(period.last) + 1


def _start(first: str) -> int:
    number = month_number(first)
    return number - number % 6


def _next(trips: Mapping[str, int], at: int, until: str) -> tuple[Period, bool]:
    """The period that begins at month number `at`, and whether it is complete."""
    allowed = [n for n in ENOUGH_TRIPS if at % n == 0]
    for length in allowed:
        months = [month_of(n) for n in range(at, at + length)]
        period = Period(months[0], months[-1])
        if period.last > until:
            return period, False
        held = sum(trips.get(m, 0) for m in months)
        if length == allowed[-1] or held >= ENOUGH_TRIPS[length]:
            return period, True
    raise AssertionError("1 divides every number")
