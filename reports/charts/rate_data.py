"""Occlusion rates as page data: one row a cannula size or a share of its flow range."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.estimates import few_words, rate_bound
from reports.text.measure_table import RATE, MeasureTable, named_sizes
from reports.text.plain_rows import Row, text
from reports.text.rates import RateCell, RateRow, Rates

if TYPE_CHECKING:
    from collections.abc import Iterable

    from schemas.month_review import MonthReview


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
    """Everything the page says and draws of occlusion rates.

    Sizes are in catalogue order, shares of the flow range in that of the numbers in their name.
    """
    table = MeasureTable(review, (RATE,))

    def row(by: str, value: str, label: str) -> RateRow:
        months = (table.to_month, table.month)
        whole, now = (rate_cell(table.rows.get((RATE, m, by, value))) for m in months)
        return RateRow(value, label, whole, now)

    service = row("service", "all", "whole service")
    named = named_sizes(review, table.groups(RATE, "cannula"))
    sizes = [row("cannula", key, label) for key, label in named.items()]
    shares = sorted(table.groups(RATE, "flow_share"), key=share_order)
    return Rates(
        unit=next((text(r["unit"]) for r in table.rows.values()), "events per 100 h"),
        service=service,
        sizes=sizes,
        shares=[row("flow_share", share, share) for share in shares],
        methods=methods_of([service, *sizes]),
        any_hours=any(words.some(r["denominator"]) for r in table.rows.values()),
    )
