"""Rates through time: one small picture a group, all on one rate axis."""

from __future__ import annotations

from typing import Any

from reports.charts import palette
from reports.charts.panels import (
    Grid,
    axis_title,
    beyond,
    in_lines,
    level_line,
    month_ticks,
    panel_axes,
    panel_ticks,
    panel_title,
    value_axis,
)
from reports.charts.parts import (
    Figure,
    arms,
    chart_text,
    dots,
    hover_text,
    rate_axis_top,
    runs_past,
)
from reports.text.rows import Row

PANEL_HEIGHT = 128
PANEL_GAP = 72


def months_figure(rows: list[Row], service: Row, unit: str, *, columns: int) -> Figure:
    """Small multiples by month: the whole service first, then one a row, on one y-axis.

    `rows` and `service` are rows of `rate_data`. The diamond is the month under review; the
    dashed line is the whole service over all months; what runs on past the axis ends in an arrow
    head.
    """
    panels = [service, *rows]
    cells = [c for p in panels for c in p["months"]]
    top = rate_axis_top(cells, [p["all"] for p in panels])
    grid = Grid(len(panels), columns, PANEL_HEIGHT, PANEL_GAP, 0.05 if columns > 2 else 0.06)
    figure = grid.figure({"l": 66, "r": 8, "t": 30, "b": 40})
    line = service["all"]["estimate"]
    traces: list[Figure] = []
    for index, panel in enumerate(panels):
        place = grid.place(index)
        traces += _panel_traces(panel, place["n"], top)
        figure.update(_panel_axes(panel, place, top, unit, columns))
        title = f"<b>{chart_text(panel['label'], 24 if columns > 2 else 16)}</b>"
        figure["annotations"].append(panel_title(title, place, 8))
        if line is not None and line <= top:
            figure["shapes"].append(level_line(place["n"], line))
    return {"data": traces, "layout": figure}


def _panel_traces(panel: Row, number: str, top: float) -> list[Figure]:
    """Earlier months, the month under review, each with trips enough and too few; arrow heads."""
    with_estimate = [(i, c) for i, c in enumerate(panel["months"]) if c["estimate"] is not None]
    last = len(panel["months"]) - 1
    cut = [i for i, c in with_estimate if runs_past(c, top)]
    traces = [
        *(
            _points(panel, [e for e in own if e[1]["few"] == none], top, now=now, none=none)
            for own, now in (
                ([e for e in with_estimate if e[0] < last], False),
                ([e for e in with_estimate if e[0] == last], True),
            )
            for none in (False, True)
        ),
        beyond(cut, top, 6),
    ]
    refs = {"xaxis": f"x{number}", "yaxis": f"y{number}", "cliponaxis": False}
    return [{"type": "scatter", "mode": "markers", **refs, **t} for t in traces if t["x"]]


def _points(
    panel: Row, with_estimate: list[tuple[int, Row]], top: float, *, now: bool, none: bool
) -> Figure:
    color, symbol, size = (palette.INK, "diamond", 9) if now else (palette.HISTORY, "circle", 7)
    symbol = "square-open" if none else symbol
    cells = [c for _, c in with_estimate]
    at, sizes = dots(cells, top, size)
    label = chart_text(panel["label"])
    return {
        "x": [i for i, _ in with_estimate],
        "y": at,
        "error_y": arms(cells, at, top, color, 1.4),
        "marker": {"color": color, "symbol": symbol, "size": sizes, "opacity": 1},
        "hoverinfo": "text",
        "hovertext": [f"{label}, {c['name']}<br>{hover_text(c)}" for c in cells],
    }


def _panel_axes(panel: Row, place: dict[str, Any], top: float, unit: str, columns: int) -> Figure:
    months = panel["months"]
    ticks = panel_ticks(len(months), columns)
    x = {
        "range": [-0.6, max(len(months), 1) - 0.4],
        "tickvals": ticks,
        "ticktext": month_ticks([months[i]["month"] for i in ticks]),
        "tickangle": 0,
    }
    y = {**value_axis(top), "showticklabels": place["first"]}
    if place["first"]:
        y["title"] = axis_title(in_lines(unit, 22), 6)
    return panel_axes(place, x, y)
