"""Draws the pages' figures, plotly's as plain data, without a browser: as SVG text or as PNG.

Of plotly's language it knows what `reports.*_figures` say: scatter traces with lines, markers,
error bars along x and filled bands, axes with given ranges and steps, lines as shapes, and notes.
One px of the figure is one unit of the canvas.
"""

from __future__ import annotations

import math
import re
from dataclasses import field
from typing import Any

from reports.charts import palette
from reports.charts.static_marks import Area, Dot, Mark, Point, Stroke, stretches
from reports.charts.static_text import LINE_HEIGHT, lines_of, put, width_of
from reports.charts.static_writing import png_of, svg_of
from reports.text.plain_rows import Row
from schemas.record import dataclass

Figure = dict[str, Any]

TICK = 5


@dataclass
class Canvas:
    """The drawing surface: one unit a px, y upwards; `frame` is (left, bottom, width, height)."""

    width: float
    height: float
    frame: tuple[float, float, float, float]
    layout: Figure
    marks: list[Mark] = field(default_factory=list)

    def axis(self, ref: str) -> Row:
        """The axis that `x2` or `y` names."""
        return dict(self.layout[f"{ref[0]}axis{ref[1:]}"])

    def at(self, ref: str, value: float, *, vertical: bool) -> float:
        """Where a value stands in px: of an axis, its domain, the paper or the whole sheet."""
        left, bottom, width, height = self.frame
        start, size = (bottom, height) if vertical else (left, width)
        if ref == "sheet":
            return value
        if ref == "paper":
            return start + value * size
        name, _, domain = ref.partition(" ")
        axis = self.axis(name)
        low, high = axis.get("domain", (0.0, 1.0))
        first, last = (0.0, 1.0) if domain else axis["range"]
        share = (value - first) / (last - first)
        return float(start + (low + share * (high - low)) * size)


def svg(figure: Figure, width: int) -> str:
    """The figure as one `svg` element without a prolog."""
    canvas = _drawn(figure, width)
    return svg_of(canvas.marks, canvas.width, canvas.height)


def png(figure: Figure, width: int) -> bytes:
    """The figure as a PNG of twice its size in px."""
    canvas = _drawn(figure, width)
    return png_of(canvas.marks, canvas.width, canvas.height)


def _drawn(figure: Figure, width: int) -> Canvas:
    layout = figure["layout"]
    height, margin = layout["height"], layout["margin"]
    frame = (
        margin["l"],
        margin["b"],
        width - margin["l"] - margin["r"],
        height - margin["t"] - margin["b"],
    )
    canvas = Canvas(width, height, frame, layout)
    for shape in layout.get("shapes", []):
        _shape(canvas, shape)
    for name in [key for key in layout if re.fullmatch(r"[xy]axis\d*", key)]:
        _axis(canvas, name)
    for trace in figure["data"]:
        _trace(canvas, trace)
    for note in layout.get("annotations", []):
        _note(canvas, note)
    return canvas


# ---- axes


def _axis(canvas: Canvas, name: str) -> None:
    upright = name.startswith("y")
    axis = canvas.layout[name]
    ref = name.replace("axis", "")
    other = axis.get("anchor", "xy"[not upright] + ref[1:])
    edge = canvas.at(f"{other} domain", 0.0, vertical=not upright)
    ends = [canvas.at(f"{other} domain", end, vertical=not upright) for end in (0.0, 1.0)]
    ticks = ticks_of(axis)
    places = [(canvas.at(ref, value, vertical=upright), label) for value, label in ticks]
    if axis.get("showgrid", True):
        for at, _ in places:
            _line(canvas, [at, at], ends, axis["gridcolor"], 1.0, turn=upright, z=0.5)
    if axis.get("showline"):
        span = [canvas.at(f"{ref} domain", end, vertical=upright) for end in (0.0, 1.0)]
        _line(canvas, span, [edge, edge], axis["linecolor"], 1.0, turn=upright, z=0.9)
    length = TICK if axis.get("ticks") == "outside" else 0
    for at, _ in places if length else ():
        _line(canvas, [at, at], [edge, edge - length], axis["tickcolor"], 1.0, turn=upright, z=0.9)
    reach = 0.0
    if axis.get("showticklabels", True):
        reach = _tick_labels(canvas, axis, places, edge - length, upright=upright)
    if "title" in axis:
        _axis_title(canvas, axis, ref, edge - length - reach, upright=upright)


def _tick_labels(
    canvas: Canvas, axis: Row, places: list[tuple[float, str]], edge: float, *, upright: bool
) -> float:
    """Write the ticks' texts; how many px they reach beyond the edge."""
    font = axis["tickfont"]
    gap = 4 + axis.get("ticklabelstandoff", 0)
    reach = 0.0
    for at, label in places:
        lines = lines_of(label, font)
        if upright:
            canvas.marks += put(lines, edge - gap, at, ("right", "middle", "right"))
            reach = max(reach, gap + max(width_of(line) for line in lines))
        else:
            canvas.marks += put(lines, at, edge - gap + 1, ("center", "top", "center"))
            reach = max(reach, gap + len(lines) * font["size"] * LINE_HEIGHT)
    return reach


def _axis_title(canvas: Canvas, axis: Row, ref: str, edge: float, *, upright: bool) -> None:
    title = axis["title"]
    middle = canvas.at(f"{ref} domain", 0.5, vertical=upright)
    lines = lines_of(title["text"], {"color": palette.INK, **title.get("font", {})})
    at = edge - title.get("standoff", 4)
    if upright:
        canvas.marks += put(lines, at, middle, ("right", "middle", "center"), upright=True)
    else:
        canvas.marks += put(lines, middle, at, ("center", "top", "center"))


def ticks_of(axis: Row) -> list[tuple[float, str]]:
    """Where an axis has ticks, and what is written there."""
    if "tickvals" in axis:
        return list(zip(axis["tickvals"], map(str, axis["ticktext"]), strict=True))
    low, high = axis["range"]
    step = axis["dtick"]
    first = math.ceil(low / step - 1e-9)
    values = [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]
    return [(value, _number(value, axis.get("tickformat", ""))) for value in values]


def _number(value: float, form: str) -> str:
    if form.endswith("%"):
        return f"{value:{form}}"
    shown = f"{round(value, 9):,.6g}"
    return "0" if shown == "-0" else shown.replace("-", "\N{MINUS SIGN}")


# ---- traces, shapes and notes


def _line(
    canvas: Canvas,
    x: list[float],
    y: list[float],
    color: str,
    width: float,
    *,
    turn: bool = False,
    dash: str = "",
    z: float = 2.0,
) -> None:
    points = tuple(zip(y, x, strict=True) if turn else zip(x, y, strict=True))
    canvas.marks.append(Stroke(points, color, width, dash, z))


def _trace(canvas: Canvas, trace: Figure) -> None:
    refs = trace.get("xaxis", "x"), trace.get("yaxis", "y")
    places: list[Point | None] = [
        None if x is None or y is None
        else (canvas.at(refs[0], x, vertical=False), canvas.at(refs[1], y, vertical=True))
        for x, y in zip(trace["x"], trace["y"], strict=True)
    ]  # fmt: skip
    if trace.get("fill") == "toself":
        canvas.marks += [Area(points, trace["fillcolor"], 0.4) for points in stretches(places)]
    if "lines" in trace["mode"] and trace["line"].get("width", 2):
        line = trace["line"]
        look = (line["color"], line["width"], line.get("dash", ""), 2.1)
        canvas.marks += [Stroke(points, *look) for points in stretches(places)]
    if "error_x" in trace:
        _error_bars(canvas, trace, refs)
    if "markers" in trace["mode"]:
        _markers(canvas, trace["marker"], places)


def _error_bars(canvas: Canvas, trace: Figure, refs: tuple[str, str]) -> None:
    bars = trace["error_x"]
    arms = zip(trace["x"], trace["y"], bars["array"], bars["arrayminus"], strict=True)
    for value, at, up, down in arms:
        ends = [canvas.at(refs[0], v, vertical=False) for v in (value - down, value + up)]
        if ends[1] > ends[0]:
            place = canvas.at(refs[1], at, vertical=True)
            _line(canvas, ends, [place] * 2, bars["color"], bars["thickness"], z=2.2)


def _markers(canvas: Canvas, marker: Row, places: list[Point | None]) -> None:
    symbol = str(marker.get("symbol", "circle"))
    edge = marker.get("line", {})
    for i, at in enumerate(places):
        size, fill = _nth(marker["size"], i), _nth(marker["color"], i)
        rim, rim_color = _nth(edge.get("width", 0), i), _nth(edge.get("color", fill), i)
        if symbol.endswith("-open"):
            fill, rim = None, max(rim, 1.4)
        if size and at:
            form = symbol.removesuffix("-open")
            canvas.marks.append(Dot(at, form, size, fill, rim, rim_color))


def _nth(value: Any, i: int) -> Any:
    return value[i] if isinstance(value, list) else value


def _shape(canvas: Canvas, shape: Figure) -> None:
    x = [canvas.at(shape.get("xref", "x"), shape[k], vertical=False) for k in ("x0", "x1")]
    y = [canvas.at(shape.get("yref", "y"), shape[k], vertical=True) for k in ("y0", "y1")]
    line = shape["line"]
    z = 0.8 if shape.get("layer") == "below" else 2.05
    _line(canvas, x, y, line["color"], line["width"], dash=line.get("dash", ""), z=z)


def _note(canvas: Canvas, note: Figure) -> None:
    x = canvas.at(note.get("xref", "x"), note["x"], vertical=False) + note.get("xshift", 0)
    y = canvas.at(note.get("yref", "y"), note["y"], vertical=True) + note.get("yshift", 0)
    lines = lines_of(note["text"], note["font"] if "font" in note else canvas.layout["font"])
    side, up = str(note.get("xanchor", "center")), str(note.get("yanchor", "middle"))
    align = str(note.get("align", side))
    canvas.marks += put(lines, x, y, (side, up, align), ground=note.get("bgcolor"))
