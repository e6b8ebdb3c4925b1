"""Control charts as small multiples: points, limits as a stepped band, signals ringed."""

from __future__ import annotations

import textwrap
from typing import Any

from reports.charts import palette
from reports.charts.chart_parts import Figure, chart_text, nice_ceiling, note
from reports.charts.control_data import limits_words, made_from, shown, signals_of, unit_words
from reports.charts.control_records import Point, Series
from reports.charts.panels import (
    Grid,
    axis_title,
    beyond,
    in_lines,
    month_ticks,
    panel_axes,
    panel_ticks,
    panel_title,
    value_axis,
)
from schemas.units import Unit

PANEL_HEIGHT = 150
PANEL_GAP = 84
LABELS_MOST = 3
LABEL_SHARE = 0.22
TITLE_CHARS, LONE_TITLE_CHARS = 24, 28
SIGNAL = ("circle-open", 14, palette.ACCENT)
BETTER = ("diamond-open", 16, palette.HISTORY)
"""Round a signal: the accent asks for a person, what lies on the better side stays calm."""


def control_figure(panels: list[Series], *, columns: int, by_month: bool = True) -> Figure:
    """Small multiples of series of `reports.charts.control_data`, all on one y-axis; heights in px.

    The band is what lies within the limits and steps with the denominator. A ring is a signal,
    an open diamond one on the better side, its rule in words beside it; a square is a month short
    of trips; what lies beyond the axis ends in an arrow head.
    """
    columns = min(columns, len(panels))
    top = axis_top(panels)
    grid = Grid(len(panels), columns, PANEL_HEIGHT, PANEL_GAP, 0.06)
    figure = grid.figure({"l": 68, "r": 12, "t": 40, "b": 46})
    traces: list[Figure] = []
    for index, panel in enumerate(panels):
        place = grid.place(index)
        traces += _panel_traces(panel, place["n"], top)
        figure.update(_panel_axes(panel, place, top, columns, by_month=by_month))
        figure["annotations"] += [
            _title(panel, place, LONE_TITLE_CHARS if len(panels) == 1 else TITLE_CHARS),
            *_signal_words(panel, place, top, columns),
        ]
        shapes, labels = _changes(panel, place)
        figure["shapes"] += shapes
        figure["annotations"] += labels
    return {"data": traces, "layout": figure}


def axis_top(panels: list[Series]) -> float:
    """Where the common axis ends: every point of weight, and most of the limits, fit."""
    values: list[float] = []
    uppers: list[float] = []
    for panel in panels:
        values += [p.value for p in panel.points if p.value is not None]
        own = sorted(p.upper for p in panel.points if p.upper is not None)
        uppers += own[len(own) // 2 : len(own) // 2 + 1]
    share = bool(panels) and panels[0].unit == Unit.SHARE
    top = nice_ceiling(1.05 * max([*values, *uppers], default=0.0))
    return min(top, 1.0) if share else top


def _panel_traces(panel: Series, number: str, top: float) -> list[Figure]:
    points = panel.points
    at = [(i, p) for i, p in enumerate(points) if p.value is not None]
    refs = {"type": "scatter", "xaxis": f"x{number}", "yaxis": f"y{number}"}
    whole = [(i, p) for i, p in at if not p.incomplete]
    short = [(i, p) for i, p in at if p.incomplete]
    ringed = [(i, p) for i, p in at if p.signal]
    traces = [
        *_bands(points, top),
        *_centres(points, top),
        _joined(at, top),
        _marks(panel, short, top, ("square-open", 6, palette.MUTED)),
        _marks(panel, [e for e in whole if not e[1].now], top, ("circle", 6, palette.HISTORY)),
        _marks(panel, [e for e in whole if e[1].now], top, ("diamond", 9, palette.INK)),
        _rings([e for e in ringed if not e[1].good], top, SIGNAL),
        _rings([e for e in ringed if e[1].good], top, BETTER),
        {**beyond([i for i, p in at if p.value and p.value > top], top, 7), "cliponaxis": False},
    ]
    return [{**refs, **trace} for trace in traces if trace["x"]]


def _bands(points: list[Point], top: float) -> list[Figure]:
    """What lies within the limits, one polygon for each stretch that has them."""
    found = []
    for stretch in _stretches(points):
        lower = [(i, points[i].lower or 0.0) for i in stretch]
        upper = [(i, min(points[i].upper or 0.0, top)) for i in stretch]
        x = [e for i, _ in upper for e in (i - 0.5, i + 0.5)]
        y = [v for _, v in upper for _ in range(2)]
        x += [e for i, _ in reversed(lower) for e in (i + 0.5, i - 0.5)]
        y += [v for _, v in reversed(lower) for _ in range(2)]
        provisional = points[stretch[0]].provisional
        edge = (
            {"width": 1, "dash": "dot", "color": palette.SERVICE} if provisional else {"width": 0}
        )
        fill = palette.PANEL if provisional else palette.BAND_FILLS["plain"]
        more = {"fill": "toself", "fillcolor": fill, "hoverinfo": "skip", "mode": "lines"}
        found.append({"x": x, "y": y, "line": edge, **more})
    return found


def _stretches(points: list[Point]) -> list[list[int]]:
    """Runs of neighbouring points of one phase that have an upper limit."""
    runs: list[list[int]] = []
    for i, point in enumerate(points):
        if point.upper is None:
            continue
        if runs and runs[-1][-1] == i - 1 and points[i - 1].phase == point.phase:
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def _centres(points: list[Point], top: float) -> list[Figure]:
    """The centre line of each phase."""
    ends: dict[int, list[int]] = {}
    for i, point in enumerate(points):
        if point.centre is not None and point.centre <= top:
            ends.setdefault(point.phase, []).append(i)
    line = {"width": 1.1, "color": palette.SERVICE, "dash": "dash"}
    return [
        {
            "x": [own[0] - 0.5, own[-1] + 0.5],
            "y": [points[own[0]].centre] * 2,
            "mode": "lines",
            "line": line,
            "hoverinfo": "skip",
        }
        for own in ends.values()
    ]


def _joined(at: list[tuple[int, Point]], top: float) -> Figure:
    """A thin line from point to point, broken where a month has none or a phase begins."""
    x: list[float | None] = []
    y: list[float | None] = []
    before: tuple[int, Point] | None = None
    for i, point in at:
        if before and (before[0] != i - 1 or before[1].phase != point.phase):
            x.append(None)
            y.append(None)
        x.append(i)
        y.append(point.height(top))
        before = (i, point)
    line = {"width": 1, "color": palette.HISTORY}
    return {"x": x, "y": y, "mode": "lines", "line": line, "hoverinfo": "skip"}


def _marks(
    panel: Series, at: list[tuple[int, Point]], top: float, look: tuple[str, int, str]
) -> Figure:
    """Points of one look: symbol, size and colour."""
    label, unit = chart_text(panel.label), panel.unit
    symbol, size, color = look
    return {
        "x": [i for i, _ in at],
        "y": [p.height(top) for _, p in at],
        "mode": "markers",
        "marker": {"symbol": symbol, "size": size, "color": color, "opacity": 1},
        "cliponaxis": False,
        "hoverinfo": "text",
        "hovertext": [f"{label}, {_hover_text(p, unit)}" for _, p in at],
    }


def _hover_text(point: Point, unit: str) -> str:
    lines = f"{point.name}<br>{shown(point.value, unit)}{chart_text(unit_words(unit))}"
    lines += f" ({made_from(point, unit)})<br>{limits_words(point, unit)}"
    if point.incomplete:
        lines += "<br>short of trips: no signal"
    return f"{lines}<br>{chart_text(point.signal)}" if point.signal else lines


def _rings(at: list[tuple[int, Point]], top: float, look: tuple[str, int, str]) -> Figure:
    symbol, size, color = look
    ring = {"width": 2, "color": color}
    marker = {"symbol": symbol, "size": size, "color": color, "line": ring}
    return {
        "x": [i for i, _ in at],
        "y": [p.height(top) for _, p in at],
        "mode": "markers",
        "marker": marker,
        "cliponaxis": False,
        "hoverinfo": "skip",
    }


def _panel_axes(
    panel: Series, place: dict[str, Any], top: float, columns: int, *, by_month: bool
) -> Figure:
    points, unit = panel.points, panel.unit
    ticks = panel_ticks(len(points), columns)
    names = [points[i].month for i in ticks]
    x: Figure = {
        "range": [-0.7, max(len(points), 1) - 0.3],
        "tickvals": ticks,
        "ticktext": month_ticks(names) if by_month else [str(points[i].order) for i in ticks],
        "tickangle": 0,
    }
    if not by_month:
        x["title"] = axis_title("gap, in order of service", 4)
    y = {**value_axis(top, unit), "showticklabels": place["first"]}
    if place["first"]:
        y["title"] = axis_title(in_lines(unit, 24), 6)
    return panel_axes(place, x, y)


def _title(panel: Series, place: dict[str, Any], most: int) -> Figure:
    name = f"<b>{chart_text(panel.label, most)}</b>, {chart_text(panel.kind)} chart"
    run = panel.run
    below = ""
    if run:
        below = f"longest run {run.longest} (≤{run.longest_limit})"
        below += f", crossings {run.crossings} (≥{run.crossings_limit})"
        below += ": unusual" if run.signal else ""
    title = f'{name}<br><span style="font-size:11px;color:{palette.MUTED}">{below}</span>'
    return panel_title(title, place, 3, align="left")


def _signal_words(panel: Series, place: dict[str, Any], top: float, columns: int) -> list[Figure]:
    """The rule beside the latest ringed points, on the side with more room."""
    points = panel.points
    where = {p.order: i for i, p in enumerate(points)}
    notes = []
    for point in _labelled(panel, where, columns):
        i = where[point.order]
        left = i > len(points) / 2
        height, low = _clear_height(points, i, top, left=left)
        sentence = chart_text(point.signal, 90) + (", the better side" if point.good else "")
        wrapped = "<br>".join(textwrap.wrap(sentence, 24))
        side, away = ("right", -10) if left else ("left", 10)
        refs, color = _refs(place), palette.MUTED if point.good else palette.ACCENT
        above = {"yanchor": "bottom", "yshift": 5} if low else {"yanchor": "middle", "yshift": 0}
        beside: Figure = {"xanchor": side, "xshift": away, "align": side, **above}
        notes.append(note(wrapped, (i, height), refs, color, **beside))
    return notes


def _labelled(panel: Series, where: dict[int, int], columns: int) -> list[Point]:
    """The latest signals whose words do not run into each other; every signal has its ring."""
    least_gap = LABEL_SHARE * columns * len(panel.points)
    kept: list[Point] = []
    for point in reversed(signals_of(panel)):
        at = where[point.order]
        if all(abs(at - where[k.order]) >= least_gap for k in kept) and len(kept) < LABELS_MOST:
            kept.append(point)
    return kept


def _clear_height(points: list[Point], i: int, top: float, *, left: bool) -> tuple[float, bool]:
    """Where a signal's words stand clear of the points beside it, and whether above them."""
    at = points[i].height(top)
    reach = max(2, round(0.6 * len(points)))
    beside = points[max(0, i - reach) : i] if left else points[i + 1 : i + 1 + reach]
    values = [p.height(top) for p in [*beside, points[i]] if p.value is not None]
    highest = max(values)
    if highest <= at or highest > 0.75 * top:
        return at, False
    return highest, True


def _refs(place: dict[str, Any]) -> tuple[str, str]:
    return f"x{place['n']}", f"y{place['n']}"


def _changes(panel: Series, place: dict[str, Any]) -> tuple[list[Figure], list[Figure]]:
    """A labelled vertical line where a protocol version begins."""
    line = {"color": palette.INK, "width": 1}
    (xref, yref), shapes, labels = _refs(place), [], []
    if panel.last.provisional and any(p.upper is not None for p in panel.points):
        inside: Figure = {"xanchor": "left", "xshift": 4, "yanchor": "top"}
        refs = (f"{xref} domain", f"{yref} domain")
        labels.append(note("provisional limits", (0, 1), refs, palette.MUTED, **inside))
    for change in panel.changes:
        x = change.at - 0.5
        upright = {"x0": x, "x1": x, "y0": 0, "y1": 1, "xref": xref, "yref": f"{yref} domain"}
        shapes.append({"type": "line", **upright, "line": line})
        side, away = ("right", -3) if x > len(panel.points) / 2 else ("left", 3)
        look: Figure = {"xanchor": side, "xshift": away, "yanchor": "top", "bgcolor": palette.PAPER}
        label, refs = chart_text(change.label, 24), (xref, f"{yref} domain")
        labels.append(note(label, (x, 1), refs, palette.INK, **look))
    return shapes, labels
