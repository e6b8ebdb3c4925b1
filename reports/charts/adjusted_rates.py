"""Occlusion rate by cannula size, crude and adjusted, as page data: from the `sizes` frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.rate_data import methods_of
from reports.text import words
from reports.text.estimates import few_words, rate_bound
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview

TOO_WIDE = 50.0
"""An adjusted interval whose ends differ by more than this factor says nothing."""
RATIOS = ("ratio", "adjusted_ratio")


class SizeTable:
    """The rows of the sizes frame by cannula; empty without figures."""

    def __init__(self, figures: MeasureFigures | None) -> None:
        rows = records(figures.sizes) if figures is not None else []
        self.rows = {text(r["cannula"]): r for r in rows}
        first = rows[0] if rows else {}
        self.reference = text(first.get("reference"))
        self.method = text(first.get("method"))

    def joined(self, row: Row) -> Row:
        """A row of `rate_data` with clustered intervals, the adjusted rate and both ratios.

        The rate over all months stays; its interval is the one that allows for trips as
        clusters, and `naive` has the other. A size the frame does not have keeps what it has.
        """
        found = self.rows.get(row["key"])
        if found is None:
            return {
                **row,
                "naive": row["all"],
                "adjusted": _no_cell(""),
                "reason": "",
                "dispersion": None,
                "trips_with_event": None,
                **{name: _ratio({}, name) for name in RATIOS},
            }
        whole = {**row["all"], **_bounds(found, "crude")}
        return {
            **row,
            "all": whole,
            "naive": {**row["all"], **_bounds(found, "naive")},
            "adjusted": _cell(found),
            "reason": text(found["reason"]),
            "dispersion": words.some(found["dispersion"]),
            "trips_with_event": words.some(found["trips_with_event"]),
            **{name: _ratio(found, name) for name in RATIOS},
        }


def _bounds(found: Row, name: str) -> Row:
    low, high = words.some(found[f"{name}_low"]), words.some(found[f"{name}_high"])
    if low is None and high is not None:
        return {"low": low, "high": rate_bound(high), "range_text": few_words(high)}
    return {"low": low, "high": high, "range_text": words.between(low, rate_bound(high))}


def _cell(found: Row) -> Row:
    low, high = words.some(found["adjusted_low"]), words.some(found["adjusted_high"])
    estimate = words.some(found["adjusted"])
    if estimate is None or low is None or high is None or high > TOO_WIDE * low:
        return _no_cell("too few to say")
    return {
        "estimate": estimate,
        "low": low,
        "high": high,
        "hours": None,
        "trips": words.some(found["trips"]),
        "made_from": "adjusted",
        "note": "adjusted",
        "rate_text": words.rate(estimate),
        "range_text": words.between(low, high),
    }


def _no_cell(note: str) -> Row:
    cell: Row = dict.fromkeys(("estimate", "low", "high", "hours", "trips"))
    return {**cell, "made_from": "", "note": note, "rate_text": words.DASH, "range_text": ""}


def _ratio(found: Row, name: str) -> Row:
    value, low, high = (words.some(found.get(k)) for k in (name, f"{name}_low", f"{name}_high"))
    shown = words.DASH
    if value is not None:
        shown = f"{value:.2f} ({_two(low)}{words.DASH}{_two(high)})"
    return {"estimate": value, "low": low, "high": high, "text": shown}


def _two(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def with_adjusted(review: MonthReview, rates: Row) -> Row:
    """The rates of a page, its sizes joined with the sizes frame where there is one."""
    if review.figures is None:
        return rates
    table = SizeTable(review.figures)
    if not table.rows:
        return rates
    sizes = [table.joined(row) for row in rates["sizes"]]
    return {**rates, "sizes": sizes, "size_methods": methods_of([rates["service"], *sizes])}
