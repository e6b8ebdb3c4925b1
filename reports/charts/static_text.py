"""Texts of a drawn figure: the little markup that plotly reads, and letters set line by line."""

from __future__ import annotations

import functools
import html
import importlib.util
import re
from pathlib import Path
from typing import TYPE_CHECKING

from reports.charts.static_marks import Area, Letters, Mark, Run
from reports.text.plain_rows import Row

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

LETTERS = 0.9
"""Beside the pages' letters, the drawn ones are that much smaller, being wider."""

LINE_HEIGHT = 1.3
RUN_GAP = 1.0
"""Between two looks in a line: letters are set a little wider than they measure."""

MEASURED_AT = 2048
"""Letters are measured at the size they are designed in, where nothing is rounded to px."""

UNDRAWN = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069]")
TAG = re.compile(r"(<br>|</?b>|<span[^>]*>|</span>)")


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
    measured = font(MEASURED_AT, bold=run.bold).getlength(run.text)
    return LETTERS * run.size * float(measured) / MEASURED_AT


@functools.cache
def font(size: float, *, bold: bool) -> FreeTypeFont:
    """The letters that are measured and drawn; they come with matplotlib, which is not imported."""
    from PIL import ImageFont

    found = importlib.util.find_spec("matplotlib")
    if found is None or not found.submodule_search_locations:
        raise FileNotFoundError("matplotlib is not installed: install the pinned requirements")
    fonts = Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    # the same letters with and without a library for other scripts
    layout = ImageFont.Layout.BASIC
    return ImageFont.truetype(str(fonts / name), size, layout_engine=layout)


def put(
    lines: list[list[Run]],
    x: float,
    y: float,
    anchors: tuple[str, str, str],
    *,
    ground: str | None = None,
    upright: bool = False,
) -> list[Mark]:
    """Lines written at (x, y): which side of them stands there, and how they align.

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
    marks: list[Mark] = []
    if ground:
        low, high, right = top - height, top, left + width + 1
        corners = ((left - 1, low), (right, low), (right, high), (left - 1, high))
        marks.append(Area(corners, ground, 3.9))
    for line, line_height in zip(lines, heights, strict=True):
        if upright:
            left += line_height
            marks += _letters(line, left - 0.25 * line_height, y, "center", upright=True)
            continue
        top -= line_height
        at = left + {"left": 0.0, "center": width / 2, "right": width}[align]
        marks += _letters(line, at, top + 0.27 * line_height, align)
    return marks


def _letters(
    line: list[Run], x: float, y: float, align: str, *, upright: bool = False
) -> list[Mark]:
    """One line on its baseline; a line in one look keeps its anchor whatever letters are there."""
    if len(line) > 1:
        x -= {"left": 0.0, "center": 0.5, "right": 1.0}[align] * width_of(line)
        align = "left"
    marks: list[Mark] = []
    for run in line:
        if run.text.strip():
            marks.append(Letters((x, y), run, align, upright))
        x += _width(run) + RUN_GAP
    return marks
