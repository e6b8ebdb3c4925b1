"""The measures of a review, found by measure, month and group, each as one estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text.estimates import Estimate, estimate
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from schemas.month_review import MonthReview

RATE = "occlusion-rate"
ALL_RULES = "all-rules-share"
RECORD = "incomplete-log-share"
VARIANCE = "deviation-share"
MONTHS_MOST = 24


@dataclass(frozen=True)
class MonthEstimate:
    """A figure of one month."""

    month: str
    estimate: Estimate


class MeasureTable:
    """Rows of the measures named, by month and group."""

    def __init__(self, review: MonthReview, measures: Iterable[str]) -> None:
        frame = review.measures
        chosen = frame.rows(frame.isin("measure", tuple(measures)))
        self.month = review.month
        self.to_month = f"to {review.month}"
        self.months = tuple(m for m in review.months if m <= review.month)[-MONTHS_MOST:]
        self.rows: dict[tuple[str, str, str, str], Row] = {
            (text(r["measure"]), text(r["month"]), text(r["group_by"]), text(r["group_value"])): r
            for r in chosen.records()
        }

    def at(self, measure: str, month: str, by: str = "service", value: str = "all") -> Estimate:
        """One figure; without a row nothing is known of 0 of 0."""
        unit = Unit.RATE if measure == RATE else Unit.SHARE
        return estimate(self.rows.get((measure, month, by, value)), unit)

    def now(self, measure: str, by: str = "service", value: str = "all") -> Estimate:
        """The month under review."""
        return self.at(measure, self.month, by, value)

    def by_month(self, measure: str) -> tuple[MonthEstimate, ...]:
        """The service's months up to the one under review, from the first that has a figure."""
        found = [MonthEstimate(m, self.at(measure, m)) for m in self.months]
        first = next((i for i, m in enumerate(found) if m.estimate.denominator), len(found) - 1)
        return tuple(found[max(first, 0) :])

    def groups(self, measure: str, by: str) -> list[str]:
        """The groups that have a row in any month, sorted by their text."""
        return sorted({v for m, _, group_by, v in self.rows if (m, group_by) == (measure, by)})

    def left_out(self, measure: str) -> int:
        """Trips of the month that could not be counted."""
        row = self.rows.get((measure, self.month, "service", "all"))
        return int(row["left_out"] or 0) if row else 0


def named_sizes(review: MonthReview, measured: Collection[str]) -> dict[str, str]:
    """The label of each cannula size by its id, in catalogue order; then those it does not have.

    A size that is not carried and was never used is not among them.
    """
    catalogue = sorted(
        review.cannulas.records(), key=lambda c: (text(c["family"]), c["size_rank"], text(c["id"]))
    )
    labels = [text(c["label"]) for c in catalogue]
    named = {}
    for entry in catalogue:
        key, label = text(entry["id"]), text(entry["label"]) or text(entry["id"])
        if key in measured or entry.get("carried", True):
            named[key] = f"{label}, {key}" if labels.count(label) > 1 else label
    return named | {key: key for key in measured if key not in named}
