"""Occlusion rates as records: a cell, a group's row, and all that a page has of them."""

from __future__ import annotations

from typing import NamedTuple


class RateCell(NamedTuple):
    """One rate with what it was made from, as numbers and in words; None is not known.

    `few`: fewer than ten trips, so that there is an upper bound alone.
    """

    estimate: float | None
    low: float | None
    high: float | None
    events: float | None
    hours: float | None
    trips: float | None
    few: bool
    made_from: str
    trips_text: str
    rate_text: str
    range_text: str
    method: str = ""


class RateRow(NamedTuple):
    """A group's rate over all months and in the month under review.

    `adjusted` and the trips with an event are those of the table of sizes, None where it has none.
    """

    key: str
    label: str
    all: RateCell
    month: RateCell
    adjusted: RateCell | None = None
    with_event: float | None = None


class Rates(NamedTuple):
    """What a page says and draws of occlusion rates; `methods`: of the intervals of sizes."""

    unit: str
    service: RateRow
    sizes: list[RateRow]
    shares: list[RateRow]
    methods: str
    any_hours: bool
