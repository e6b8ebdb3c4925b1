"""Rates through time: one small picture a group, all on one rate axis."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from reports import palette, words
from reports.chart_parts import (
    Figure,
    arms,
    axis,
    chart_text,
    dots,
    layout,
    rate_axis_top,
    runs_past,
    tick_step,
    told,
)
from reports.frames import Row

PANEL_HEIGHT = 128
PANEL_GAP = 72


def months_figure(rows: list[Row], service: Row, unit: str, *, columns: int) -> Figure:
    """Small multiples by month: the whole service first, then one a row, on one y-axis.

    `rows` and `service` are rows of `reports.rates`. The diamond is the month under review; the
    dashed line is the whole service over all months; what runs on past the axis ends in an arrow
    head.
    """
    panels = [service, *rows]
    cells = [c for p in panels for c in p["months"]]
    top = rate_axis_top(cells, [p["all"] for p in panels])
    lines = math.ceil(len(panels) / columns)
    margin = {"l": 66, "r": 8, "t": 30, "b": 40}
    inner = lines * PANEL_HEIGHT + (lines - 1) * PANEL_GAP
    figure = layout(inner + margin["t"] + margin["b"], margin, annotations=[], shapes=[])
    traces: list[Figure] = []
    for index, panel in enumerate(panels):
        place = _place(index, columns, inner)
        traces += _panel_traces(panel, place["n"], top)
        figure.update(_panel_axes(panel, place, top, unit, columns))
        figure["annotations"].append(_panel_title(panel, place, columns))
        figure["shapes"] += _panel_line(service, place["n"], top)
    return {"data": traces, "layout": figure}


def _place(index: int, columns: int, inner: int) -> dict[str, Any]:
    line, column = divmod(index, columns)
    gap = 0.05 if columns > 2 else 0.06
    width = (1 - gap * (columns - 1)) / columns
    upper = 1 - line * (PANEL_HEIGHT + PANEL_GAP) / inner
    return {
        "n": "" if index == 0 else str(index + 1),
        "x": [column * (width + gap), min(1.0, column * (width + gap) + width)],
        "y": [max(0.0, upper - PANEL_HEIGHT / inner), upper],
        "first": column == 0,
    }


def _panel_traces(panel: Row, number: str, top: float) -> list[Figure]:
    """Earlier months, the month under review, and arrow heads; each where there is one."""
    drawn = [(i, c) for i, c in enumerate(panel["months"]) if c["estimate"] is not None]
    last = len(panel["months"]) - 1
    cut = [i for i, c in drawn if runs_past(c, top)]
    traces = [
        _points(panel, [(i, c) for i, c in drawn if i < last], top, now=False),
        _points(panel, [(i, c) for i, c in drawn if i == last], top, now=True),
        {
            "x": cut,
            "y": [top] * len(cut),
            "marker": {"symbol": "triangle-up", "size": 6, "color": palette.MUTED},
            "hoverinfo": "skip",
        },
    ]
    refs = {"xaxis": f"x{number}", "yaxis": f"y{number}", "cliponaxis": False}
    return [{"type": "scatter", "mode": "markers", **refs, **t} for t in traces if t["x"]]


def _points(panel: Row, drawn: list[tuple[int, Row]], top: float, *, now: bool) -> Figure:
    color, symbol, size = (palette.INK, "diamond", 9) if now else (palette.HISTORY, "circle", 7)
    cells = [c for _, c in drawn]
    at, sizes = dots(cells, top, size)
    label = chart_text(panel["label"])
    return {
        "x": [i for i, _ in drawn],
        "y": at,
        "error_y": arms(cells, at, top, color, 1.4),
        "marker": {"color": color, "symbol": symbol, "size": sizes, "opacity": 1},
        "hoverinfo": "text",
        "hovertext": [f"{label}, {c['name']}<br>{told(c)}" for c in cells],
    }


def _panel_axes(panel: Row, place: dict[str, Any], top: float, unit: str, columns: int) -> Figure:
    months = panel["months"]
    step = max(1, math.ceil(len(months) / (6 if columns > 2 else 4)))
    # the month under review is always named; count back from it
    ticks = list(range(len(months) - 1, -1, -step))[::-1]
    small = {"size": 11, "color": palette.MUTED}
    axis_x = axis(
        domain=place["x"],
        anchor=f"y{place['n']}",
        range=[-0.6, max(len(months), 1) - 0.4],
        tickvals=ticks,
        ticktext=_month_ticks([months[i]["month"] for i in ticks]),
        tickangle=0,
        tickfont=small,
        showgrid=False,
        showline=True,
        ticks="outside",
    )
    axis_y = axis(
        domain=place["y"],
        anchor=f"x{place['n']}",
        range=[0, top],
        dtick=tick_step(top, few=True),
        showticklabels=place["first"],
        tickfont=small,
    )
    if place["first"]:
        axis_y["title"] = {"text": _in_lines(unit), "font": {"size": 11}, "standoff": 6}
    return {f"xaxis{place['n']}": axis_x, f"yaxis{place['n']}": axis_y}


def _in_lines(text: str) -> str:
    """A text in lines short enough to stand beside one panel."""
    return "<br>".join(chart_text(line) for line in textwrap.wrap(text, 22))


def _month_ticks(months: list[str]) -> list[str]:
    """Three letters a month, with the year under the first and wherever it changes."""
    ticks, year_before = [], ""
    for month in months:
        name, _, year = words.month_name(month).partition(" ")
        ticks.append(name[:3] if year == year_before else f"{name[:3]}<br>{year}")
        year_before = year
    return ticks


def _panel_title(panel: Row, place: dict[str, Any], columns: int) -> Figure:
    return {
        "text": f"<b>{chart_text(panel['label'], 24 if columns > 2 else 16)}</b>",
        "x": place["x"][0],
        "y": place["y"][1],
        "xref": "paper",
        "yref": "paper",
        "xanchor": "left",
        "yanchor": "bottom",
        "yshift": 8,
        "showarrow": False,
        "font": {"size": 12, "color": palette.INK},
    }


def _panel_line(service: Row, number: str, top: float) -> list[Figure]:
    rate = service["all"]["estimate"]
    if rate is None or rate > top:
        return []
    line = {"color": palette.SERVICE, "width": 1, "dash": "dash"}
    refs = {"xref": f"x{number} domain", "yref": f"y{number}", "layer": "below"}
    return [{"type": "line", **refs, "x0": 0, "x1": 1, "y0": rate, "y1": rate, "line": line}]
