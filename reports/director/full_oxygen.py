"""Full oxygen by source as page data: wall and cylinder, and beside them the ventilator at 1.0."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text.plain_rows import Row, text
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

ALWAYS = ("wall", "ventilator")
NAMES = {
    "wall": "wall outlet",
    "cylinder": "cylinder",
    "ventilator": "ventilator at FiO2 1.0",
    "blender": "blender at FiO2 1.0",
    "other": "other source at FiO2 1.0",
}


@dataclass(frozen=True)
class SourceMinutes:
    """Full oxygen from a source: trips with any, minutes, and those above SpO2 97 % of observed."""

    trips: int
    minutes: float
    above: float
    observed: float


@dataclass(frozen=True)
class SourceRow:
    """A source, in the month and in all months."""

    name: str
    month: SourceMinutes
    all: SourceMinutes


def full_oxygen_data(review: MonthReview) -> tuple[SourceRow, ...]:
    """Minutes of full oxygen by source, and with an SpO2 above 97 %: the month and all months."""
    frame = review.measures
    rows = frame.rows(frame["group_by"] == "source").records()
    own, every = _by_source(rows, review.month), _by_source(rows, f"to {review.month}")
    if not every:
        return ()
    nothing = SourceMinutes(0, 0.0, 0.0, 0.0)
    sources = [s for s in NAMES if s in own or s in every or s in ALWAYS]
    return tuple(SourceRow(NAMES[s], own.get(s, nothing), every.get(s, nothing)) for s in sources)


def _by_source(rows: list[Row], month: str) -> dict[str, SourceMinutes]:
    spent: dict[str, Row] = {}
    watched: dict[str, Row] = {}
    for row in rows:
        if text(row["month"]) == month:
            full = text(row["measure"]) == "full-oxygen"
            (spent if full else watched)[text(row["group_value"])] = row
    return {
        source: SourceMinutes(
            int(row["trips"]), float(row["numerator"]),
            float(watched[source]["numerator"]) if source in watched else 0.0,
            60 * float(watched[source]["denominator"]) if source in watched else 0.0,
        )
        for source, row in spent.items()
    }  # fmt: skip
