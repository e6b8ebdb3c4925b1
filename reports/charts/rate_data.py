"""Occlusion rates as page data: one row a cannula size or a share of its flow range."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.estimates import few_words, rate_bound
from reports.text.plain_rows import Row, text
from reports.text.rates import RateCell, RateRow, Rates

if TYPE_CHECKING:
    from collections.abc import Iterable

    from schemas.month_review import MonthReview

RATE = "occlusion-rate"


def rate_cell(row: Row | None) -> RateCell:
    """One rate with what it was made from, as numbers and as words; all None without a row."""
    row = row or {}
    low, high = words.some(row.get("low")), words.some(row.get("high"))
    few = low is None and high is not None
    high = rate_bound(high) if few else high
    events, hours = words.some(row.get("numerator")), words.some(row.get("denominator"))
    estimate, trips = words.some(row.get("estimate")), words.some(row.get("trips"))
    return RateCell(
        estimate=estimate,
        low=low,
        high=high,
        events=events,
        hours=hours,
        trips=trips,
        few=few,
        made_from=f"{words.whole(events)} / {words.hours(hours)}{words.NBSP}h" if hours else "0 h",
        trips_text=words.whole(trips or 0),
        rate_text=words.rate(estimate),
        range_text=few_words(high) if few else words.between(low, rate_bound(high)),
        method=text(row.get("method")) if few or high is not None else "",
    )


class RateTable:
    """The occlusion-rate rows of a review, found by month and group."""

    def __init__(self, review: MonthReview) -> None:
        self.month = review.month
        self.to_month = f"to {review.month}"
        frame = review.measures
        self.rows = {
            (text(r["month"]), text(r["group_by"]), text(r["group_value"])): r
            for r in frame.rows(frame["measure"] == RATE).records()
        }
        self.unit = next((text(r["unit"]) for r in self.rows.values()), "events per 100 h")

    def cell(self, month: str, group_by: str, value: str) -> RateCell:
        """One rate; all None where the measures have no such row."""
        return rate_cell(self.rows.get((month, group_by, value)))

    def group_values(self, group_by: str) -> list[str]:
        """The groups that have a row in any month, sorted by their text."""
        return sorted({value for _, by, value in self.rows if by == group_by})

    def row(self, group_by: str, value: str, label: str) -> RateRow:
        """A group's rate over all months, and in the month itself."""
        whole, now = (self.cell(m, group_by, value) for m in (self.to_month, self.month))
        return RateRow(value, label, whole, now)


def size_rows(review: MonthReview, table: RateTable) -> list[RateRow]:
    """One row a cannula size in catalogue order, then sizes the catalogue does not have."""
    measured = set(table.group_values("cannula"))
    catalogue = sorted(
        review.cannulas.records(), key=lambda c: (text(c["family"]), c["size_rank"], text(c["id"]))
    )
    labels = [text(c["label"]) for c in catalogue]
    rows = []
    for entry in catalogue:
        key = text(entry["id"])
        if key not in measured and not entry.get("carried", True):
            continue
        label = text(entry["label"]) or key
        if labels.count(label) > 1:
            label = f"{label}, {key}"
        rows.append(table.row("cannula", key, label))
    known = {text(c["id"]) for c in catalogue}
    return [*rows, *(table.row("cannula", key, key) for key in sorted(measured - known))]


def share_rows(table: RateTable) -> list[RateRow]:
    """One row a share of the cannula's flow range, in the order of the numbers in its name."""
    values = sorted(table.group_values("flow_share"), key=share_order)
    return [table.row("flow_share", value, value) for value in values]


def share_order(value: str) -> tuple[int, float, str]:
    """Where a share such as 'below range', '25-50 %' or 'above 2/3' stands on the scale."""
    found = re.search(r"(\d+(?:\.\d+)?)(?:/(\d+))?", value)
    start = re.match(r"(below|under)|(above|over)|", value.lower())
    below, above = (bool(start and start[n]) for n in (1, 2))
    if not found:
        return (-1 if below else 1 if above else 2), 0.0, value
    # 'below 1/3' lies before '1/3 to 2/3', 'above 2/3' after it
    nudge = -0.001 if below else 0.001 if above else 0.0
    return 0, float(found[1]) / float(found[2] or 1) + nudge, value


def methods_of(rows: Iterable[RateRow]) -> str:
    """How the intervals of these rows were made, each method once; empty without an interval."""
    return "; ".join(sorted({c.method for r in rows for c in (r.all, r.month)} - {""}))


def rates_data(review: MonthReview) -> Rates:
    """Everything the page says and draws of occlusion rates."""
    table = RateTable(review)
    service, sizes = table.row("service", "all", "whole service"), size_rows(review, table)
    return Rates(
        unit=table.unit,
        service=service,
        sizes=sizes,
        shares=share_rows(table),
        methods=methods_of([service, *sizes]),
        any_hours=any(words.some(r["denominator"]) for r in table.rows.values()),
    )
