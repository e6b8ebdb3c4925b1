"""Occlusion rate by cannula size, crude and adjusted, as page data: from the `sizes` frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.rate_data import methods_of
from reports.text import words
from reports.text.estimates import few_words, rate_bound
from reports.text.plain_rows import Row, text
from reports.text.rates import RateCell, RateRow, Rates

if TYPE_CHECKING:
    from schemas.month_review import MonthReview


def with_adjusted(review: MonthReview, rates: Rates) -> Rates:
    """The rates of a page, its sizes joined with the sizes frame where there is one."""
    frame = None if review.figures is None else review.figures.sizes
    found = {} if frame is None else {text(r["cannula"]): r for r in frame.records()}
    if not found:
        return rates
    sizes = [_joined(row, found.get(row.key)) for row in rates.sizes]
    return rates._replace(sizes=sizes, methods=methods_of([rates.service, *sizes]))


def _joined(row: RateRow, found: Row | None) -> RateRow:
    """A row with clustered intervals and the adjusted rate.

    The rate over all months stays; its interval is the one that allows for trips as clusters. A
    size the frame does not have keeps what it has.
    """
    if found is None:
        return row._replace(adjusted=_no_cell(""))
    low, high = words.some(found["crude_low"]), words.some(found["crude_high"])
    few = low is None and high is not None
    shown = few_words(high) if few else words.between(low, rate_bound(high))
    high = rate_bound(high) if few else high
    return row._replace(
        all=row.all._replace(low=low, high=high, range_text=shown),
        adjusted=_cell(found),
        with_event=words.some(found["trips_with_event"]),
    )


def _cell(found: Row) -> RateCell:
    low, high = words.some(found["adjusted_low"]), words.some(found["adjusted_high"])
    estimate = words.some(found["adjusted"])
    if estimate is None or low is None or high is None:
        return _no_cell("too few to say")
    return _no_cell("adjusted")._replace(
        estimate=estimate,
        low=low,
        high=high,
        trips=words.some(found["trips"]),
        rate_text=words.rate(estimate),
        range_text=words.between(low, high),
    )


def _no_cell(note: str) -> RateCell:
    return RateCell(None, None, None, None, None, None, False, note, "", "", "")
