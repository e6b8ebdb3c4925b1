"""Occlusion rates as page data: one row a cannula size or flow share, and their months."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from reports.text import words
from reports.text.estimates import few_words, rate_bound
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

RATE = "occlusion-rate"
MONTHS_MOST = 24


def rate_cell(row: Row | None) -> Row:
    """One rate with what it was made from, as numbers and as words; all null without a row."""
    row = row or {}
    low, high = words.some(row.get("low")), words.some(row.get("high"))
    estimate = words.some(row.get("estimate"))
    few = low is None and high is not None
    high = rate_bound(high) if few else high
    events, hours = words.some(row.get("numerator")), words.some(row.get("denominator"))
    trips, left_out = words.some(row.get("trips")), words.some(row.get("left_out"))
    return {
        "estimate": estimate,
        "low": low,
        "high": high,
        "events": events,
        "hours": hours,
        "trips": trips,
        "left_out": left_out,
        "few": few,
        "made_from": f"{words.whole(events)} / {words.hours(hours)}{words.NBSP}h"
        if hours
        else "0 h",
        "trips_text": words.whole(trips or 0),
        "rate_text": words.rate(estimate),
        "range_text": few_words(high) if few else words.between(low, rate_bound(high)),
        "method": text(row.get("method")) if few or high is not None else "",
    }


class RateTable:
    """The occlusion-rate rows of a review, found by month and group."""

    def __init__(self, review: MonthReview) -> None:
        self.month = review.month
        self.to_month = f"to {review.month}"
        frame = review.measures
        self.rows = {
            (text(r["month"]), text(r["group_by"]), text(r["group_value"])): r
            for r in records(frame[frame["measure"] == RATE])
        }
        self.unit = next((text(r["unit"]) for r in self.rows.values()), "events per 100 h")
        self.months = [m for m in review.months if m <= review.month][-MONTHS_MOST:]

    def cell(self, month: str, group_by: str, value: str) -> Row:
        """One rate; all null where the measures have no such row."""
        return rate_cell(self.rows.get((month, group_by, value)))

    def group_values(self, group_by: str) -> list[str]:
        """The groups that have a row in any month, sorted by their text."""
        return sorted({value for _, by, value in self.rows if by == group_by})

    def row(self, group_by: str, value: str, label: str, note: str = "") -> Row:
        """A group's rate over all months, in the month itself, and month by month."""
        return {
            "key": value,
            "label": label,
            "note": note,
            "all": self.cell(self.to_month, group_by, value),
            "month": self.cell(self.month, group_by, value),
            "months": [
                {"month": m, "name": words.month_name(m), **self.cell(m, group_by, value)}
                for m in self.months
            ],
        }

    def service(self) -> Row:
        """The whole service's row, with the unit of all rates."""
        return {**self.row("service", "all", "whole service"), "unit": self.unit}


def size_rows(review: MonthReview, table: RateTable) -> list[Row]:
    """One row a cannula size in catalogue order, then sizes the catalogue does not have."""
    measured = set(table.group_values("cannula"))
    catalogue = sorted(
        records(review.cannulas), key=lambda c: (text(c["family"]), c["size_rank"], text(c["id"]))
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
        rows.append(table.row("cannula", key, label, _flow_range(entry)))
    known = {text(c["id"]) for c in catalogue}
    rows += [
        table.row("cannula", key, key, "not in the catalogue") for key in sorted(measured - known)
    ]
    return rows


def _flow_range(entry: Row) -> str:
    low, high = words.some(entry.get("flow_min_lpm")), words.some(entry.get("flow_max_lpm"))
    if low is None or high is None:
        return ""
    return f"{low:g}{words.DASH}{high:g} L/min"


def share_rows(table: RateTable) -> list[Row]:
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


def methods_of(rows: list[Row], *, by_month: bool = False) -> str:
    """How the intervals of these rows were made, each method once; empty without an interval."""
    cells = [c for r in rows for c in (r["months"] if by_month else (r["all"], r["month"]))]
    return "; ".join(sorted({c["method"] for c in cells} - {""}))


def rates_data(review: MonthReview) -> dict[str, Any]:
    """Everything the page says and draws of occlusion rates."""
    table = RateTable(review)
    service, sizes, shares = table.service(), size_rows(review, table), share_rows(table)
    return {
        "unit": table.unit,
        "months": table.months,
        "month_cells": [{"cell": c} for r in (service, *sizes) for c in r["months"]],
        "service": service,
        "sizes": sizes,
        "shares": shares,
        "size_methods": methods_of([service, *sizes]),
        "share_methods": methods_of([service, *shares]),
        "month_methods": methods_of([service, *sizes], by_month=True),
        "any_hours": any(words.some(r["denominator"]) for r in table.rows.values()),
        "left_out": words.some(table.cell(table.month, "service", "all")["left_out"]) or 0,
        "earlier_hidden": len([m for m in review.months if m <= review.month]) - len(table.months),
    }
