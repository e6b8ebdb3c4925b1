"""What control charts are drawn from: series, their points, and sets that share an axis."""

from __future__ import annotations

from typing import NamedTuple


class Point(NamedTuple):
    """A month of a series, or a gap that ended in it; `now`: in the month under review.

    Numbers are None where there is none. `signal` is its rule as the pages word it, `side` says
    that it lies on the better side; both empty otherwise.
    """

    numerator: float | None
    denominator: float | None
    value: float | None
    centre: float | None
    lower: float | None
    upper: float | None
    sigma_z: float
    month: str
    name: str
    order: int
    phase: int
    baseline: bool
    provisional: bool
    reason: str
    incomplete: bool
    signal: str
    side: str
    now: bool

    @property
    def good(self) -> bool:
        """Whether it signals on the better side."""
        return bool(self.side)

    def height(self, top: float) -> float:
        """Where it is drawn on an axis that ends at `top`; of a point with a value."""
        return min(self.value or 0.0, top)


class Change(NamedTuple):
    """Where a phase begins: place among the points drawn, and its words."""

    at: int
    label: str


class Run(NamedTuple):
    """The longest run and the crossings of a series, and what would still be ordinary."""

    longest: int
    longest_limit: int
    crossings: int
    crossings_limit: int
    signal: bool
    words: str


class Series(NamedTuple):
    """A chart. `now` is the month's point; `thin`: too little a month for limits to be drawn.

    `baseline` points set the limits; `missing` trips of the month were not received.
    """

    key: str
    label: str
    inline: str
    kind: str
    unit: str
    minimum: float
    least: str
    points: list[Point]
    now: Point | None
    thin: bool
    baseline: int
    changes: list[Change]
    run: Run | None
    missing: int

    @property
    def last(self) -> Point:
        """The latest point, which has the limits in force."""
        return self.points[-1]


class ChartRow(NamedTuple):
    """A series in the table under the charts, in words."""

    label: str
    made_from: str
    value: str
    centre: str
    limits: str
    standing: str
    run: str
    chart: str
    signals: str


class ChartSet(NamedTuple):
    """Series on one axis: those drawn, their table, and what is said of all of them.

    The last four say whether any point is short of trips, has provisional limits, signals, or
    signals on the better side.
    """

    panels: list[Series]
    rows: list[ChartRow]
    finding: str
    notes: list[str]
    thin: str
    short: bool
    provisional: bool
    signals: bool
    better: bool
