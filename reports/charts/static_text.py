"""Texts of a drawn figure: the little markup that plotly reads, and letters set line by line."""

from __future__ import annotations

import functools
import html
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.text.rows import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.font_manager import FontProperties

LETTERS = 0.9
"""Beside the pages' letters, the drawn ones are that much smaller, being wider."""

LINE_HEIGHT = 1.3
RUN_GAP = 1.0
"""Between two looks in a line: letters are set a little wider than they measure."""
UNDRAWN = re.compile("[\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069]")
TAG = re.compile(r"(<br>|</?b>|<span[^>]*>|</span>)")


@dataclass(frozen=True)
class Run:
    """A stretch of text in one look; sizes in px."""

    text: str
    size: float
    color: str
    bold: bool


def lines_of(text: str, font: Row) -> list[list[Run]]:
    """The lines of a text with `<br>`, `<b>` and coloured or sized `<span>` in it."""
    lines: list[list[Run]] = [[]]
    size, color, bold = float(font["size"]), str(font["color"]), False
    for part in TAG.split(text):
        if part == "<br>":
            lines.append([])
        elif part in ("<b>", "</b>"):
            bold = part == "<b>"
        elif part.startswith("<span"):
            found = dict(re.findall(r"([\w-]+):([^;\"]+)", part))
            size = float(found.get("font-size", f"{size}px").removesuffix("px"))
            color = found.get("color", color)
        elif part == "</span>":
            size, color = float(font["size"]), str(font["color"])
        elif part:
            lines[-1].append(Run(plain(part), size, color, bold))
    return [line or [Run("", size, color, bold)] for line in lines]


def plain(text: str) -> str:
    """Text without entities, and without the marks that order it and have no letter."""
    return UNDRAWN.sub("", html.unescape(text))


def width_of(line: list[Run]) -> float:
    """The width of a line in px."""
    return sum(_width(run) for run in line) + RUN_GAP * (len(line) - 1)


@functools.cache
def _width(run: Run) -> float:
    from matplotlib.textpath import text_to_path

    if not run.text:
        return 0.0
    return float(text_to_path.get_text_width_height_descent(run.text, _font(run), False)[0])


@functools.cache
def _font(run: Run) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    weight = "bold" if run.bold else "normal"
    return FontProperties(family="DejaVu Sans", size=LETTERS * run.size, weight=weight)


def put(
    axes: Axes,
    lines: list[list[Run]],
    x: float,
    y: float,
    anchors: tuple[str, str, str],
    *,
    ground: str | None = None,
    upright: bool = False,
) -> None:
    """Write lines at (x, y): which side of them stands there, and how they align.

    `upright` turns them a quarter to the left; they then stand beside each other.
    """
    side, up, align = anchors
    heights = [LINE_HEIGHT * max(run.size for run in line) for line in lines]
    width, height = max(width_of(line) for line in lines), sum(heights)
    if upright:
        left, top = x - height, y
    else:
        left = x - {"left": 0.0, "center": width / 2, "right": width}[side]
        top = y + {"top": 0.0, "middle": height / 2, "bottom": height}[up]
    if ground:
        corner = (left - 1, top - height)
        from matplotlib.patches import Rectangle

        axes.add_patch(Rectangle(corner, width + 2, height, color=ground, zorder=3.9))
    for line, line_height in zip(lines, heights, strict=True):
        if upright:
            left += line_height
            _letters(axes, line, left - 0.25 * line_height, y, "center", upright=True)
            continue
        top -= line_height
        at = left + {"left": 0.0, "center": width / 2, "right": width}[align]
        _letters(axes, line, at, top + 0.27 * line_height, align)


def _letters(
    axes: Axes, line: list[Run], x: float, y: float, align: str, *, upright: bool = False
) -> None:
    """One line on its baseline; a line in one look keeps its anchor whatever letters are there."""
    if len(line) > 1:
        x -= {"left": 0.0, "center": 0.5, "right": 1.0}[align] * width_of(line)
        align = "left"
    for run in line:
        if run.text.strip():
            axes.text(
                x, y, run.text, fontproperties=_font(run), color=run.color, ha=align,
                va="baseline", rotation=90 if upright else 0, rotation_mode="anchor", zorder=4,
                parse_math=False, clip_on=False,
            )  # fmt: skip
        x += _width(run) + RUN_GAP
