"""Funnels as small multiples: each base over its own limits, named only where it stands apart."""

from __future__ import annotations

from typing import Any

from reports.charts import palette
from reports.charts.chart_parts import Figure, chart_text, nice_ceiling, note, tick_step
from reports.charts.panels import (
    Grid,
    axis_title,
    beyond,
    level_line,
    panel_axes,
    panel_title,
    value_axis,
)
from reports.text import words
from reports.text.plain_rows import Row
from schemas.units import Unit

PANEL_HEIGHT = 170
PANEL_GAP = 92
OUTER, INNER = 5, 13


def funnel_figure(found: list[Row], *, columns: int) -> Figure:
    """Small multiples of the funnels of `reports.charts.funnel_data`; heights in px.

    Each base stands at its own volume, over two bars: the pale thin one spans the 99.8 % limits
    at that volume, the darker thick one the 95 % limits. The dashed line is all bases together.
    """
    columns = min(columns, len(found))
    grid = Grid(len(found), columns, PANEL_HEIGHT, PANEL_GAP, 0.09)
    figure = grid.figure({"l": 58, "r": 12, "t": 46, "b": 50})
    traces: list[Figure] = []
    for index, funnel in enumerate(found):
        place = grid.place(index)
        bases = [b for b in funnel["bases"] if b["value"] is not None]
        top = _top(funnel, bases)
        right = nice_ceiling(1.08 * max(b["denominator"] for b in bases))
        traces += _traces(funnel, bases, place["n"], top)
        x = {
            "range": [0, right],
            "dtick": tick_step(right, few=columns > 1),
            "title": axis_title(funnel["volume"], 4),
        }
        figure.update(panel_axes(place, x, value_axis(top, funnel["unit"])))
        if funnel["target"] is not None and funnel["target"] <= top:
            figure["shapes"].append(level_line(place["n"], funnel["target"]))
        figure["annotations"] += [_title(funnel, place), *_names(bases, place, top, right)]
    return {"data": traces, "layout": figure}


def _top(funnel: Row, bases: list[Row]) -> float:
    enough = [b for b in bases if not b["few"]] or bases
    wanted = [v for b in enough for v in (b["value"], b["outer_upper"]) if v is not None]
    top = nice_ceiling(1.05 * max(wanted, default=1.0))
    return min(top, 1.0) if funnel["unit"] == Unit.SHARE else top


def _traces(funnel: Row, bases: list[Row], number: str, top: float) -> list[Figure]:
    refs = {"type": "scatter", "xaxis": f"x{number}", "yaxis": f"y{number}", "cliponaxis": False}
    inside = [b for b in bases if not b["outside"] and not b["few"]]
    few = [b for b in bases if b["few"]]
    outlying = [b for b in bases if b["outside"] and not b["few"]]
    traces = [
        _bars(bases, "outer", top, palette.BAND_FILLS["plain"], OUTER),
        _bars(bases, "inner", top, palette.VERDICT_FILLS["authorised"], INNER),
        _points(funnel, few, top, ("circle-open", 8, palette.MUTED)),
        _points(funnel, inside, top, ("circle", 8, palette.INK)),
        _points(
            funnel, [b for b in outlying if not b["good"]], top, ("diamond", 11, palette.ACCENT)
        ),
        _points(
            funnel, [b for b in outlying if b["good"]], top, ("diamond-open", 12, palette.HISTORY)
        ),
        beyond([b["denominator"] for b in bases if b["value"] > top], top, 7),
    ]
    return [{**refs, **trace} for trace in traces if trace["x"]]


def _bars(bases: list[Row], which: str, top: float, color: str, width: int) -> Figure:
    x: list[float | None] = []
    y: list[float | None] = []
    for base in bases:
        low, high = base[f"{which}_lower"], base[f"{which}_upper"]
        if low is None or high is None or low > top:
            continue
        x += [base["denominator"], base["denominator"], None]
        y += [low, min(high, top), None]
    line = {"width": width, "color": color}
    return {"x": x, "y": y, "mode": "lines", "line": line, "hoverinfo": "skip"}


def _points(funnel: Row, bases: list[Row], top: float, look: tuple[str, int, str]) -> Figure:
    symbol, size, color = look
    marker: Figure = {"symbol": symbol, "size": size, "color": color, "opacity": 1}
    if symbol == "diamond-open":  # hollow, and not seen through: it stands on the bars
        rim = {"width": 2, "color": color}
        marker |= {"symbol": "diamond", "color": palette.PAPER, "line": rim}
    return {
        "x": [b["denominator"] for b in bases],
        "y": [min(b["value"], top) for b in bases],
        "mode": "markers",
        "marker": marker,
        "hoverinfo": "text",
        "hovertext": [_hover_text(funnel, b) for b in bases],
    }


def _hover_text(funnel: Row, base: Row) -> str:
    return (
        f"{chart_text(base['base'], 60)}, {chart_text(funnel['label'])}<br>{base['value_text']}"
        f" ({base['made_from']})<br>95{words.NBSP}% limits {base['inner_text']},"
        f" 99.8{words.NBSP}% limits {base['outer_text']}<br>{base['standing']}"
    )


def _title(funnel: Row, place: dict[str, Any]) -> Figure:
    unit = "per 100 ventilator hours" if funnel["measure"] == "occlusion-rate" else Unit.SHARE
    below = f"{unit}; all bases {funnel['target_text']}"
    title = f"<b>{chart_text(funnel['label'], 32)}</b><br>"
    title += f'<span style="font-size:11px;color:{palette.MUTED}">{below}</span>'
    return panel_title(title, place, 4, align="left")


def _names(bases: list[Row], place: dict[str, Any], top: float, right: float) -> list[Figure]:
    """The token of each base that stands apart, on the side with more room."""
    notes = []
    for base in bases:
        if not base["outside"] or base["few"]:
            continue
        left = base["denominator"] > right * 0.5
        at = (base["denominator"], min(base["value"], top))
        color = palette.MUTED if base["good"] else palette.ACCENT
        side, away = ("right", -11) if left else ("left", 11)
        beside = {"xanchor": side, "xshift": away, "yanchor": "middle"}
        name, refs = chart_text(base["base"], 14), (f"x{place['n']}", f"y{place['n']}")
        notes.append(note(f"<b>{name}</b>", at, refs, color, 12, **beside))
    return notes
