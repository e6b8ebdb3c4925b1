"""The year's figures in rows: both years' counts, the figure and its goal, and how far it moved."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import NARROW, TICK, Scale, arrow, both, line, note, picture, tick
from reports.text import words

if TYPE_CHECKING:
    from markupsafe import Markup

    from reports.year.data import YearFigure

WIDTH, ROW, NARROW_ROW, HEAD = 700, 19, 40, 20
LABEL, BEFORE, NOW, SPAN, GOAL = 172, 230, 288, 404, 448
"""Where the columns end, px; the ratio's scale stands behind them."""
ENDS = 4.0
TICKS = (0.25, 0.5, 1.0, 2.0, 4.0)


def year_picture(figures: Sequence[YearFigure], before: int) -> Markup:
    """Every figure, for a screen and for 390 px; ratios on one log scale, cut at fourfold.

    `before`: how many months those of the last twelve are held against.
    """
    return both(lambda narrow: (_narrow if narrow else _wide)(figures, before))


def _wide(figures: Sequence[YearFigure], before: int) -> Markup:
    scale = Scale(-math.log(ENDS), math.log(ENDS), GOAL + 24, WIDTH - 14)
    bottom = HEAD + ROW * len(figures)
    parts = [
        note(BEFORE, 12, f"{before} before", end=True, color=palette.MUTED, size=TICK),
        note(NOW, 12, "last 12", end=True, color=palette.MUTED, size=TICK),
        note(SPAN, 12, "95 %", end=True, color=palette.MUTED, size=TICK),
        note(GOAL, 12, "goal", end=True, color=palette.MUTED, size=TICK),
        _axis(scale, HEAD, bottom),
    ]
    for i, figure in enumerate(figures):
        y = HEAD + ROW * i
        if i and figures[i - 1].group != figure.group:
            parts.append(line((0, y), (WIDTH, y), palette.SERVICE))
        label = svg.cut(figure.label, LABEL, 12)
        parts += [
            note(0, y + 13, label, bold=figure.high or bool(figure.moved)),
            note(BEFORE, y + 13, figure.before.cell, end=True, color=palette.MUTED, size=TICK),
            note(NOW, y + 13, figure.now.cell, end=True, size=TICK),
            note(SPAN, y + 13, now_words(figure), end=True, size=TICK),
            note(GOAL, y + 13, goal_words(figure), end=True, bold=figure.above_goal, size=TICK),
            _ratio(figure, scale, y + 9),
        ]
    return picture(*parts, width=WIDTH, height=bottom + 18, title=_title(before), narrow=False)


def _title(before: int) -> str:
    return f"Each figure of the last twelve months over that of the {before} before"


def _narrow(figures: Sequence[YearFigure], before: int) -> Markup:
    scale = Scale(-math.log(ENDS), math.log(ENDS), 170, NARROW - 14)
    bottom = NARROW_ROW * len(figures)
    parts = [_axis(scale, 0, bottom)]
    for i, figure in enumerate(figures):
        y = NARROW_ROW * i
        goal = goal_words(figure)
        now = f"{figure.now.cell}  {now_words(figure)}{f', goal {goal}' if goal else ''}"
        parts += [
            line((0, y), (NARROW, y), palette.LINE),
            svg.label(0, y + 13, svg.cut(figure.label, NARROW, 12),
                      font_weight=650 if figure.high or figure.moved else None),
            note(0, y + 26, now, size=TICK),
            note(0, y + 37, f"before {figure.before.cell}", color=palette.MUTED, size=TICK),
            _ratio(figure, scale, y + 25),
        ]  # fmt: skip
    return picture(*parts, width=NARROW, height=bottom + 18, title=_title(before), narrow=True)


def now_words(figure: YearFigure) -> str:
    """'11 % (9-14)'; nothing where too few to compare."""
    return "" if figure.now.few or not figure.now.known else str(figure.now)


def goal_words(figure: YearFigure) -> str:
    """'5 %'; with a mark before it where the twelve months lie above it."""
    if figure.goal is None:
        return ""
    return ("\N{BLACK UP-POINTING TRIANGLE}" if figure.above_goal else "") + words.percent(
        figure.goal
    )


def _axis(scale: Scale, top: float, bottom: float) -> str:
    parts = []
    for value in TICKS:
        x = scale.at(math.log(value))
        parts.append(line((x, top), (x, bottom), palette.SERVICE if value == 1 else palette.LINE))
        shown = "as before" if value == 1 else f"\N{MULTIPLICATION SIGN}{value:g}"
        parts.append(tick(x, bottom + 13, shown))
    return "".join(parts)


def _ratio(figure: YearFigure, scale: Scale, y: float) -> str:
    """The ratio with its interval; hollow where few events bear it, an arrow where it runs on."""
    value, low, high = figure.ratio
    if not value or not low or high is None:
        return note(scale.start, y + 4, "too few", size=TICK, color=palette.MUTED)
    ink = palette.INK if figure.moved else palette.MUTED
    ends = [scale.at(math.log(v)) for v in (low, high)]
    parts = [line((ends[0], y), (ends[1], y), ink, 2.4 if figure.moved else 1.4)]
    if high > ENDS:
        parts.append(arrow(scale.end, y, ink))
    if low < 1 / ENDS:
        parts.append(svg.tag("path", d=f"M{scale.start:.1f} {y - 4:.1f}l-6 4l6 4z", fill=ink))
    if 1 / ENDS <= value <= ENDS:
        firm = min(figure.now.numerator, figure.before.numerator) >= FEW
        said = svg.title(f"{figure.label}: {value:.2f} ({low:.2f}{words.DASH}{high:.2f})")
        parts.append(svg.tag("circle", said, cx=scale.at(math.log(value)), cy=y, r=3.6,
                             fill=ink if firm else palette.PAPER, stroke=ink,
                             stroke_width=1.5))  # fmt: skip
    return "".join(parts)


FEW = 5
"""With fewer events in either year the mark is hollow; assumed."""
