"""Sets of control charts that share an axis, and how the month stands on its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import (
    ChartTable,
    panel_notes,
    panels_finding,
    table_rows,
)
from reports.charts.control_records import ChartSet, Series
from reports.text import words

if TYPE_CHECKING:
    from schemas.month_review import MonthReview


def chart_set(series: list[Series], what: str) -> ChartSet:
    """Series on one axis: those with enough behind them as panels, the others named."""
    panels = [s for s in series if not s.thin]
    thin = [s for s in series if s.thin]
    points = [p for s in panels for p in s.points]
    return ChartSet(
        panels=panels,
        rows=table_rows(panels),
        finding=panels_finding(panels, what),
        notes=panel_notes(panels),
        thin=thin_sentence(thin),
        short=any(p.incomplete for p in points),
        provisional=any(s.last.provisional for s in panels),
        signals=any(p.signal and not p.good for p in points),
        better=any(p.good for p in points),
    )


def thin_sentence(thin: list[Series]) -> str:
    """Which series have too little a month to be charted; empty where none."""
    if not thin:
        return ""
    least = {f"{s.minimum:g} {s.least}" for s in thin}
    names = [s.inline for s in thin]
    when = "in all" if thin[0].least == "gaps" else "in most months"
    return (
        f"Too few to say, and not charted (fewer than {words.listed(sorted(least))} {when}):"
        f" {words.listed(names)}."
    )


def rate_set(table: ChartTable) -> ChartSet:
    """The occlusion rate of the whole service and of each size."""
    service = table.series("occlusion-rate", "service")
    first = [service._replace(label="Whole service", inline="whole service")] if service else []
    return chart_set([*first, *table.every("occlusion-rate", "cannula")], "occlusion rate")


def month_rate_set(review: MonthReview) -> ChartSet | None:
    """The rate charts for the Month page; None without figures."""
    if review.figures is None:
        return None
    return rate_set(ChartTable(review, review.figures))
