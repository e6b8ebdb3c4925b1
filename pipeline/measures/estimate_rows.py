"""Rows of the measures table from counts: the estimate, its interval and its method."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.statistics.intervals import Interval
    from schemas.frame import Frame


def with_interval(counts: Frame, interval: Interval, unit: str) -> Frame:
    """Add unit, estimate, bounds and method to `counts`; missing bound columns become null.

    `counts` has measure, month, group_by, group_value, numerator, denominator, trips, left_out.
    """
    from schemas.outputs import Measures

    rows = counts.assign(
        unit=unit,
        estimate=interval.estimate,
        low=interval.lower,
        high=interval.upper,
        method=interval.method,
    )
    return rows.only(Measures.to_schema().columns)
