"""The figures of the Director page, from its data; each in variants for wider screens."""

from __future__ import annotations

from typing import Any

from reports.charts import palette
from reports.charts.control_figures import control_figure
from reports.charts.figure_json import variants
from reports.charts.interval_rows import ADJUSTED, Look
from reports.charts.panels import month_ticks, ticks_from_last
from reports.charts.parts import Figure, axis, chart_text, layout
from reports.charts.rate_figures import rate_rows
from reports.director.patterns import QUANTILES, seconds
from reports.director.screen_quality import screen_figure
from reports.director.what_if import what_if_figures
from reports.text import words
from reports.text.rows import Row

CRUDE = Look("all", "crude", palette.HISTORY, "circle", 11, 3.0)
WIDTHS = ((0, 1), (480, 2), (680, 3))
CLOCK_HEIGHT = 210
SETS = ("rates", "shares", "gaps", "whole", "oxygen", "bedside")


def director_figures(data: dict[str, Any]) -> dict[str, list[Figure]]:
    """Every figure of the page by its element id; a variant holds the least width in px."""
    figures: dict[str, list[Figure]] = {}
    sizes = data["sizes"]
    if any(r["all"]["estimate"] is not None for r in sizes["rows"]):
        figures["sizes"] = [
            {"least": least, **sizes_figure(sizes, narrow=not least)} for least in (0, 660)
        ]
    for name in SETS:
        panels = data["charts"][name]["panels"]
        if panels:
            figures[f"charts-{name}"] = control_variants(panels, by_month=name != "gaps")
    if data["screen"]["in_figure"]:
        rules = data["screen"]["in_figure"]
        figures["screen"] = [
            {"least": least, **screen_figure(rules, narrow=not least)} for least in (0, 660)
        ]
    if any(m["median_s"] is not None for m in data["clocks"]["months"]):
        figures["clocks"] = [{"least": 0, **clock_figure(data["clocks"]["months"])}]
    return {**figures, **what_if_figures(data["what_if"])}


def control_variants(panels: list[Row], *, by_month: bool = True) -> list[Figure]:
    """Control charts on one y-axis, in columns as the screen allows."""
    return variants(lambda n: control_figure(panels, columns=n, by_month=by_month), WIDTHS)


def sizes_figure(sizes: Row, *, narrow: bool) -> Figure:
    """Crude (filled) and adjusted (hollow) rate of each size, with intervals."""
    return rate_rows(
        sizes["rows"], sizes["service"], sizes["unit"], (CRUDE, ADJUSTED), narrow=narrow
    )


def clock_figure(months: list[Row]) -> Figure:
    """Offsets by month: a dot at the median, thick for the middle half, thin for 90 of 100."""
    with_median = [(i, m) for i, m in enumerate(months) if m["median_s"] is not None]
    small = {"size": 11, "color": palette.MUTED}
    title = {"text": "device minus charts (s)", "font": {"size": 11}, "standoff": 6}
    zero = {"color": palette.SERVICE, "width": 1, "dash": "dash"}
    margin = {"l": 68, "r": 12, "t": 12, "b": 46}
    return {
        "data": [
            _span(with_median, ("p5_s", "p95_s"), 1.4),
            _span(with_median, ("p25_s", "p75_s"), 5.0),
            {
                "type": "scatter",
                "mode": "markers",
                "x": [i for i, _ in with_median],
                "y": [m["median_s"] for _, m in with_median],
                "marker": {"size": 8, "color": palette.INK, "opacity": 1},
                "hoverinfo": "text",
                "hovertext": [_hover_text(m) for _, m in with_median],
            },
        ],
        "layout": layout(
            CLOCK_HEIGHT + margin["t"] + margin["b"],
            margin,
            xaxis=_months_axis(months),
            yaxis=axis(title=title, tickfont=small, nticks=6),
            shapes=[
                {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "line": zero}
            ],
        ),
    }


def _months_axis(months: list[Row]) -> Figure:
    ticks = ticks_from_last(len(months), 8)
    return axis(
        range=[-0.7, len(months) - 0.3],
        tickvals=ticks,
        ticktext=month_ticks([months[i]["month"] for i in ticks]),
        tickangle=0,
        tickfont={"size": 11, "color": palette.MUTED},
        showgrid=False,
        showline=True,
        ticks="outside",
    )


def _span(months: list[tuple[int, Row]], ends: tuple[str, str], width: float) -> Figure:
    x: list[float | None] = []
    y: list[float | None] = []
    for i, month in months:
        x += [i, i, None]
        y += [month[ends[0]], month[ends[1]], None]
    line = {"width": width, "color": palette.HISTORY}
    return {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": line, "hoverinfo": "skip"}


def _hover_text(month: Row) -> str:
    spread = ", ".join(seconds(month[q]) for q in QUANTILES)
    return (
        f"{chart_text(month['name'])}<br>median {seconds(month['median_s'])} s of"
        f" {words.many(month['trips'], 'trip')}<br>5, 25, 50, 75, 95{words.NBSP}%: {spread} s"
    )
