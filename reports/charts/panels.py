"""Small multiples: where each panel stands, and the parts that the panels of every chart have."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from reports.charts import palette
from reports.charts.chart_parts import (
    Figure,
    axis,
    chart_text,
    layout,
    note,
    percent_format,
    tick_step,
)
from reports.text import words
from schemas.record import dataclass
from schemas.units import Unit

_SMALL = {"size": 11, "color": palette.MUTED}


@dataclass(frozen=True)
class Grid:
    """`panels` of one height in `columns`, line by line; `height` and `gap` below each in px.

    `between` is the share of the width that parts two columns.
    """

    panels: int
    columns: int
    height: int
    gap: int
    between: float = 0.0

    @property
    def inner(self) -> int:
        """Height of all panels in px."""
        lines = math.ceil(self.panels / self.columns)
        return lines * self.height + (lines - 1) * self.gap

    def figure(self, margin: dict[str, int]) -> Figure:
        """The layout without its panels, which add axes, annotations and shapes."""
        return layout(self.inner + margin["t"] + margin["b"], margin, annotations=[], shapes=[])

    def place(self, index: int) -> dict[str, Any]:
        """Where panel `index` stands: `n` ends the names of its axes, `x` and `y` are of 1."""
        line, column = divmod(index, self.columns)
        width = (1 - self.between * (self.columns - 1)) / self.columns
        start = column * (width + self.between)
        upper = 1 - line * (self.height + self.gap) / self.inner
        return {
            "n": "" if index == 0 else str(index + 1),
            "x": [start, min(1.0, start + width)],
            "y": [max(0.0, upper - self.height / self.inner), upper],
            "first": column == 0,
        }


def panel_axes(place: dict[str, Any], x: Figure, y: Figure) -> Figure:
    """The two axes of a panel, by the layout's names, from what is each one's own."""
    number, shared = place["n"], {"tickfont": _SMALL}
    below = {**shared, "anchor": f"y{number}", "showgrid": False, "showline": True}
    axis_x = axis(**{"domain": place["x"], "ticks": "outside", **below, **x})
    axis_y = axis(**{"domain": place["y"], "anchor": f"x{number}", **shared, **y})
    return {f"xaxis{number}": axis_x, f"yaxis{number}": axis_y}


def value_axis(top: float, unit: str = "") -> Figure:
    """An axis from 0 to `top`, a result of nice_ceiling; shares of trips as percent."""
    step = tick_step(top, few=True)
    found: Figure = {"range": [0, top], "dtick": step}
    if unit == Unit.SHARE:
        found["tickformat"] = percent_format(step)
    return found


def axis_title(title: str, standoff: int) -> Figure:
    """An axis's title in small letters, `standoff` px from it."""
    return {"text": title, "font": {"size": 11}, "standoff": standoff}


def in_lines(sentence: str, most: int) -> str:
    """A text in lines of at most so many characters, to stand beside one panel."""
    return "<br>".join(chart_text(line) for line in textwrap.wrap(sentence, most))


def month_ticks(months: list[str]) -> list[str]:
    """Three letters a month, with the year under the first and wherever it changes."""
    ticks, year_before = [], ""
    for month in months:
        name, _, year = words.month_name(month).partition(" ")
        ticks.append(name[:3] if year == year_before else f"{name[:3]}<br>{year}")
        year_before = year
    return ticks


def panel_ticks(count: int, columns: int) -> list[int]:
    """The places labelled below a panel, one of `columns` in a row: a narrow one has fewer.

    Evenly apart, always with the last, the month reviewed.
    """
    step = max(1, math.ceil(count / (6 if columns < 3 else 4)))
    return list(range(count - 1, -1, -step))[::-1]


def panel_title(title: str, place: dict[str, Any], shift: int, **more: Any) -> Figure:
    """Words above a panel's left corner, `shift` px from it."""
    above = {"xanchor": "left", "yanchor": "bottom", "yshift": shift, **more}
    corner = (place["x"][0], place["y"][1])
    return note(title, corner, ("paper", "paper"), palette.INK, 12, **above)


def level_line(number: str, at: float, *, upright: bool = False) -> Figure:
    """A dashed line through one panel at a value of its y-axis, or upright of its x-axis."""
    own, other = ("x", "y") if upright else ("y", "x")
    return {
        "type": "line",
        f"{own}ref": f"{own}{number}",
        f"{other}ref": f"{other}{number} domain",
        "layer": "below",
        f"{own}0": at,
        f"{own}1": at,
        f"{other}0": 0,
        f"{other}1": 1,
        "line": {"color": palette.SERVICE, "width": 1, "dash": "dash"},
    }


def beyond(x: list[Any], top: float, size: int) -> Figure:
    """Arrow heads where something goes on past the axis's end."""
    marker = {"symbol": "triangle-up", "size": size, "color": palette.MUTED}
    return {"x": x, "y": [top] * len(x), "marker": marker, "mode": "markers", "hoverinfo": "skip"}
