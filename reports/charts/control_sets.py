"""Sets of control charts that share an axis, and how the month stands on its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import (
    ChartTable,
    panel_notes,
    panels_finding,
    table_rows,
)
from reports.text import words
from reports.text.rows import Row

if TYPE_CHECKING:
    from schemas.month_review import MonthReview


def chart_set(series: list[Row], what: str) -> Row:
    """Series on one axis: those with enough behind them as panels, the others named."""
    panels = [s for s in series if not s["thin"]]
    thin = [s for s in series if s["thin"]]
    return {
        "panels": panels,
        "rows": table_rows(panels),
        "finding": panels_finding(panels, what),
        "notes": panel_notes(panels),
        "thin": thin_sentence(thin),
        "short": any(p["incomplete"] for s in panels for p in s["points"]),
        "provisional": any(s["provisional"] for s in panels),
        "signals": any(p["signal"] and not p["good"] for s in panels for p in s["points"]),
        "better": any(p["good"] for s in panels for p in s["points"]),
    }


def thin_sentence(thin: list[Row]) -> str:
    """Which series have too little a month to be charted; empty where none."""
    if not thin:
        return ""
    least = {f"{s['minimum']:g} {s['least']}" for s in thin}
    names = [s["inline"] for s in thin]
    when = "in all" if thin[0]["least"] == "gaps" else "in most months"
    return (
        f"Too few to say, and not charted (fewer than {words.listed(sorted(least))} {when}):"
        f" {words.listed(names)}."
    )


def rate_set(table: ChartTable) -> Row:
    """The occlusion rate of the whole service and of each size."""
    service = table.series("occlusion-rate", "service")
    first = [{**service, "label": "Whole service", "inline": "whole service"}] if service else []
    return chart_set([*first, *table.every("occlusion-rate", "cannula")], "occlusion rate")


def month_rate_set(review: MonthReview) -> Row | None:
    """The rate charts for the Month page; None without figures."""
    if review.figures is None:
        return None
    return rate_set(ChartTable(review, review.figures))
