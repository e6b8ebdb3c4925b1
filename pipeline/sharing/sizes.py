"""The shared edition's occlusion rates by cannula size, made of one period's counts alone.

Events, trips and hours are withheld alike: a size of which one is small tells none of the three.
The whole service is told only where what it leaves for the sizes withheld tells nothing of any of
them, nor of a few trips.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.sharing.suppression import blurred, small

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]

PER_HOURS = 100

CLUSTERING = 2.0
"""By how much occlusions cluster within trips: 1/k of a negative binomial number a trip, so that
the variance of the log rate is 1/events + 2/trips. Assumed, and the same everywhere: how they do
cluster would tell on how few trips they happened."""

METHOD = "log-normal; clustering within trips assumed, as of a negative binomial with shape 0.5"


class Counts(NamedTuple):
    """What a rate is made of; `trips` counts a trip once for each size it used."""

    events: int
    trips: int
    hours: float


def size_rows(period: str, ventilator: pd.DataFrame, *, complementary: bool = True) -> list[Row]:
    """Rows of `SharedSizes`; `ventilator` are the period's rows of `SharedCounts.ventilator`.

    `complementary` turned off tells the service wherever its own counts are not small, and is there
    to be tested.
    """
    used = ventilator[ventilator["hours"] > 0]
    found = _counts(used)
    disclosed = {size: counts for size, counts in found.items() if not any(map(small, counts))}
    rows = [_size_row(period, size, disclosed.get(size)) for size in found]
    each = found.values()
    service = Counts(sum(n.events for n in each), sum(n.trips for n in each),
                     sum(n.hours for n in each))  # fmt: skip
    safe = bool(found) and not any(map(small, service))
    if complementary:
        safe = safe and _tells_nothing(used[~used["cannula"].isin(disclosed)])
    return [*rows, _size_row(period, "all", service if safe else None)]


def given_away(rows: Sequence[Row], ventilator: pd.DataFrame) -> tuple[str, ...]:
    """Sizes of which a period's rows, as they were once told, tell what was to be withheld.

    They are those withheld beside a service that is told, where what it leaves for them tells of a
    few trips: version 0.1.0 looked at events alone. How many trips they have is taken from
    `ventilator`, the period's rows as the store has them now.
    """
    withheld = {str(row["cannula"]) for row in rows if row["events"] is None}
    used = ventilator[(ventilator["hours"] > 0) & ventilator["cannula"].isin(withheld)]
    if not withheld or "all" in withheld or _tells_nothing(used):
        return ()
    return tuple(sorted(withheld))


def _counts(used: pd.DataFrame) -> dict[str, Counts]:
    return {
        str(size): Counts(int(part["events"].sum()), len(part), float(part["hours"].sum()))
        for size, part in used.groupby("cannula", sort=True)
    }


def _tells_nothing(hidden: pd.DataFrame) -> bool:
    """Whether the sums over the sizes withheld may be known: of no size, and of no few trips."""
    columns = zip(*_counts(hidden).values(), strict=True)
    return all(map(blurred, columns)) and not small(hidden["trip"].nunique())


def _size_row(period: str, size: str, counts: Counts | None) -> Row:
    """One row; empty without counts. The service's trips are not told: some used two sizes."""
    if counts is None or not round(counts.hours, 1):
        nothing = ("events", "hours", "trips", "rate", "low", "high", "method")
        return {"period": period, "cannula": size, **dict.fromkeys(nothing)}
    hours = round(counts.hours, 1)
    low, high, method = _bounds(counts.events, counts.trips, hours)
    return {"period": period, "cannula": size, "events": counts.events, "hours": hours,
            "trips": None if size == "all" else counts.trips,
            "rate": counts.events / hours * PER_HOURS, "low": low, "high": high,
            "method": method}  # fmt: skip


def _bounds(events: int, trips: int, hours: float) -> tuple[float, float, str]:
    """An interval from events, trips and hours alone; the exact Poisson one without an event."""
    from pipeline.statistics import special
    from pipeline.statistics.intervals import poisson_exact

    if not events:
        exact = poisson_exact(0, hours, per=PER_HOURS)
        return float(exact.lower), float(exact.upper), exact.method
    half = math.exp(float(special.ndtri(0.975)) * math.sqrt(1 / events + CLUSTERING / trips))
    rate = events / hours * PER_HOURS
    return rate / half, rate * half, METHOD
