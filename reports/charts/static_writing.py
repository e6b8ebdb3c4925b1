"""Marks written as SVG text, or drawn as a PNG."""

from __future__ import annotations

import html
import io
import itertools
import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.static_marks import DASHES, Area, Dot, Letters, Mark, Point, Stroke, in_order
from reports.charts.static_text import LETTERS, font

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

PNG_SCALE = 2
FINE = 4
"""A PNG is drawn so many times as large, and made smaller, so that its edges are smooth."""

FAMILIES = "'DejaVu Sans', Verdana, sans-serif"
"""The letters that were measured, and letters as wide as those."""

ROOT = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{0}" height="{1}" viewBox="0 0 {0} {1}"'
    ' preserveAspectRatio="xMinYMin meet" xml:space="preserve" stroke-linejoin="round"'
    ' style="white-space:pre" font-family="{2}">\n<path d="M0 0h{0}v{1}h-{0}z" fill="{3}"/>\n'
)


# ---- SVG


def svg_of(marks: Iterable[Mark], width: float, height: float) -> str:
    """One `svg` element without a prolog."""
    parts = [_svg_mark(mark, height) for mark in in_order(marks)]
    root = ROOT.format(_n(width), _n(height), FAMILIES, palette.PAPER)
    return "\n".join([root.rstrip("\n"), *parts, "</svg>\n"])


def _svg_mark(mark: Mark, height: float) -> str:
    match mark:
        case Stroke():
            dash = DASHES.get(mark.dash, ())
            dashed = f' stroke-dasharray="{" ".join(_n(d * mark.width) for d in dash)}"'
            return (
                f'<path d="{_path(mark.points, height)}" fill="none" stroke="{mark.color}"'
                f' stroke-width="{_n(mark.width)}"{dashed if dash else ""}/>'
            )
        case Area():
            return f'<path d="{_path(mark.points, height)}z" fill="{mark.fill}"/>'
        case Dot():
            rim = f' stroke="{mark.rim_color}" stroke-width="{_n(mark.rim)}"' if mark.rim else ""
            look = f'fill="{mark.fill or "none"}"{rim}'
            if mark.corners:
                return f'<path class="dot" d="{_path(mark.corners, height)}z" {look}/>'
            x, y = mark.at
            place = f'cx="{_n(x)}" cy="{_n(height - y)}" r="{_n(mark.size / 2)}"'
            return f'<circle class="dot" {place} {look}/>'
        case Letters(at=(x, y), run=run):
            anchor = {"left": "start", "center": "middle", "right": "end"}[mark.align]
            place = f'x="{_n(x)}" y="{_n(height - y)}"'
            turn = f' transform="rotate(-90 {_n(x)} {_n(height - y)})"' if mark.upright else ""
            bold = ' font-weight="bold"' if run.bold else ""
            return (
                f'<text {place} font-size="{_n(LETTERS * run.size)}"{bold} fill="{run.color}"'
                f' text-anchor="{anchor}"{turn}>{html.escape(run.text, quote=False)}</text>'
            )


def _path(points: Iterable[Point], height: float) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(height - y)}" for x, y in points)


def _n(value: float) -> str:
    """A number as it is written, in hundredths."""
    return f"{value + 0.0:.2f}".rstrip("0").rstrip(".")


# ---- PNG


def png_of(marks: Iterable[Mark], width: float, height: float) -> bytes:
    """A PNG of PNG_SCALE times the size."""
    from PIL import Image, ImageDraw

    scale = PNG_SCALE * FINE
    ordered = in_order(marks)
    image = Image.new("RGB", (round(width * scale), round(height * scale)), palette.PAPER)
    canvas = ImageDraw.Draw(image)
    for mark in ordered:
        if not isinstance(mark, Letters):
            _png_mark(canvas, mark, height, scale)
    image = image.reduce(FINE)
    # letters have smooth edges of their own, and nothing lies on them
    for mark in ordered:
        if isinstance(mark, Letters):
            _png_letters(image, mark, height)
    held = io.BytesIO()
    image.save(held, format="png", dpi=(72 * PNG_SCALE, 72 * PNG_SCALE))
    return held.getvalue()


def _png_mark(canvas: ImageDraw, mark: Stroke | Area | Dot, height: float, scale: float) -> None:
    def placed(points: Iterable[Point]) -> list[Point]:
        return [(scale * x, scale * (height - y)) for x, y in points]

    match mark:
        case Stroke():
            pieces = _dashes(mark.points, DASHES[mark.dash], mark.width) if mark.dash else None
            for points in pieces or [mark.points]:
                canvas.line(placed(points), mark.color, round(scale * mark.width), joint="curve")
        case Area():
            canvas.polygon(placed(mark.points), mark.fill)
        case Dot():
            # a rim lies half on the mark: what is drawn is drawn within
            rim, outer = mark.rim if mark.fill is None or mark.rim else 0.0, mark.rim / 2
            if mark.corners:
                corners = placed(mark.corners)
                if mark.fill:
                    canvas.polygon(corners, mark.fill)
                if rim:
                    line = [*corners, *corners[:2]]
                    canvas.line(line, mark.rim_color, round(scale * rim), joint="curve")
                return
            (x, y), r = mark.at, mark.size / 2 + outer
            box = placed([(x - r, y + r), (x + r, y - r)])
            canvas.ellipse(box, mark.fill, mark.rim_color if rim else None, round(scale * rim))


def _png_letters(image: Image, mark: Letters, height: float) -> None:
    from PIL import Image as Images
    from PIL import ImageDraw

    run = mark.run
    letters = font(LETTERS * run.size * PNG_SCALE, bold=run.bold)
    x, y = PNG_SCALE * mark.at[0], PNG_SCALE * (height - mark.at[1])
    anchor = {"left": "ls", "center": "ms", "right": "rs"}[mark.align]
    if not mark.upright:
        ImageDraw.Draw(image).text((x, y), run.text, run.color, letters, anchor)
        return
    left, top, right, bottom = (round(edge) for edge in letters.getbbox(run.text, anchor=anchor))
    mask = Images.new("L", (right - left + 2, bottom - top + 2))
    ImageDraw.Draw(mask).text((1 - left, 1 - top), run.text, 255, letters, anchor)
    # turned to the left, what was right is up
    place = (round(x + top - 1), round(y - right - 1))
    image.paste(run.color, place, mask.transpose(Images.Transpose.ROTATE_90))


def _dashes(
    points: tuple[Point, ...], pattern: tuple[float, float], width: float
) -> Iterator[tuple[Point, Point]]:
    """The drawn pieces of a dashed line; the pattern runs on round corners."""
    drawn, gap = (width * part for part in pattern)
    done = 0.0
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        length = math.hypot(x1 - x0, y1 - y0)
        first = math.floor(done / (drawn + gap))
        for n in range(first, math.ceil((done + length) / (drawn + gap))):
            begin = max(n * (drawn + gap) - done, 0.0)
            end = min(n * (drawn + gap) + drawn - done, length)
            if end > begin:
                at = [(x0 + (x1 - x0) * s / length, y0 + (y1 - y0) * s / length)
                      for s in (begin, end)]  # fmt: skip
                yield at[0], at[1]
        done += length
