"""The twelve months to the month against the twelve before, as page data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import shown, shown_range
from reports.text import words
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview


def years_data(review: MonthReview, figures: MeasureFigures) -> list[Row]:
    """One row a figure that both years have; empty where there is no year before."""
    if figures.years is None:
        return []
    labels = {text(c["id"]): text(c["label"]) for c in records(review.cannulas)}
    units = {f.id: f.unit for f in figures.facts}
    names = {f.id: f.name for f in figures.facts}
    return [
        {
            "label": _label(row, labels, names),
            **{side: _side(row, side, units.get(text(row["measure"]), "")) for side in SIDES},
            "ratio": _ratio(row),
        }
        for row in records(figures.years)
    ]


SIDES = ("now", "before")


def _label(row: Row, labels: dict[str, str], names: dict[str, str]) -> str:
    by, value, measure = text(row["group_by"]), text(row["group_value"]), text(row["measure"])
    name = names.get(measure, measure)
    if by == "rule":
        return words.rule_title(value)
    return name if by == "service" else f"{name}, {labels.get(value) or value}"


def _side(row: Row, side: str, unit: str) -> str:
    """'84 in 348 h: 24.1 (18.5–31.6)'; '42 of 384 trips: 11 % (8–14 %)'."""
    top, below = (words.some(row[f"{side}_{part}"]) or 0.0 for part in ("numerator", "denominator"))
    rate = text(row["measure"]) == "occlusion-rate"
    of = f"{words.whole(top)} in {words.hours(below)}{words.NBSP}h"
    if not rate:
        of = f"{words.whole(top)} of {words.many(int(below), 'trip')}"
    low, high = words.some(row[f"{side}_low"]), words.some(row[f"{side}_high"])
    if low is None:
        return f"{of}: too few to say"
    return f"{of}: {shown(words.some(row[side]), unit)} ({shown_range(low, high, unit)})"


def _ratio(row: Row) -> str:
    value, low, high = (words.some(row[k]) for k in ("ratio", "ratio_low", "ratio_high"))
    if value is None or low is None or high is None:
        return words.DASH
    return f"{words.rate(value)} ({words.between(low, high)})"
