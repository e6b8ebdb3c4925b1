"""Rows of dots with intervals, drawn without a script: a row a group, k/n beside every dot."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import (
    NARROW,
    TEXT,
    TICK,
    Look,
    Scale,
    both,
    grid,
    interval,
    line,
    note,
    picture,
)
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

    from reports.text.estimates import Estimate
    from schemas.units import Unit

LABEL_MOST = 150
HEAD, FOOT = 18, 22
ROWS_HIGH, ROW_MOST, WIDE_STEP, NARROW_LINE = 420, 46, 13, 13
"""Rows share so much height on a screen, none higher than the second; the next is between dots."""
WORSE_LINE = 13

NONE = "\u2013"


@dataclass(frozen=True)
class IntervalRow:
    """A group with an estimate for each look; None where a look has none of it.

    `apart` draws a line above the row, as above a total, and its name bold. `worse` is what is
    said under the name of what got worse, line by line: the row is in the accent colour.
    """

    label: str
    estimates: tuple[Estimate | None, ...]
    apart: bool = False
    worse: tuple[str, ...] = ()

    @property
    def color(self) -> str:
        """Of its name, and of its first dot."""
        return palette.ACCENT if self.worse else palette.INK

    def look(self, look: Look, place: int) -> Look:
        """How the estimate at that place is marked."""
        return replace(look, color=self.color) if self.worse and not place else look


@dataclass(frozen=True)
class IntervalPlan:
    """What the rows share. `heads`: over the column of k/n of each look. `top`: the axis' end.

    `line`: a common value, drawn dashed under `line_name`. `title` says the picture to who cannot
    see it.
    """

    looks: tuple[Look, ...]
    heads: tuple[str, ...]
    unit: Unit
    top: float
    title: str
    line: float | None = None
    line_name: str = ""
    width: int = 640


def interval_rows(rows: list[IntervalRow], plan: IntervalPlan) -> Markup:
    """The rows, drawn for a screen and for 390 px."""
    return both(lambda narrow: _narrow(rows, plan) if narrow else _wide(rows, plan))


def _wide(rows: list[IntervalRow], plan: IntervalPlan) -> Markup:
    columns = _columns(rows, plan)
    longest = max((svg.text_width(r.label, TEXT) for r in rows), default=0.0)
    scale = Scale(0, plan.top, 14 + min(LABEL_MOST, longest), plan.width - sum(columns) - 12)
    least = WIDE_STEP * (len(plan.looks) + 1)
    most = ROW_MOST - WIDE_STEP * (2 - len(plan.looks))
    height = max(least, min(most, ROWS_HIGH // max(1, len(rows))))
    bottom = HEAD + height * len(rows)
    ends = [plan.width - sum(columns[i + 1 :]) for i in range(len(columns))]
    parts = [
        grid(scale, HEAD, bottom, plan.unit, few=False),
        _common(plan, scale, bottom),
        *(note(end, 11, head, end=True, color=look.color, size=TICK)
          for end, head, look in zip(ends, plan.heads, plan.looks, strict=True)),
    ]  # fmt: skip
    for i, row in enumerate(rows):
        y = HEAD + height * i
        middle = y + height / 2
        if row.apart:
            parts.append(line((0, y), (plan.width, y), palette.SERVICE))
        name = svg.cut(row.label, LABEL_MOST, TEXT)
        at = middle + 4 - WORSE_LINE / 2 * len(row.worse)
        parts.append(note(0, at, name, bold=row.apart or bool(row.worse), color=row.color))
        for n, said in enumerate(row.worse, 1):
            parts.append(note(0, at + WORSE_LINE * n, said, color=row.color, size=TICK))
        first = middle - WIDE_STEP * (len(plan.looks) - 1) / 2
        for k, (look, estimate) in enumerate(zip(plan.looks, row.estimates, strict=True)):
            if estimate is not None:
                parts.append(interval(estimate, scale, first + WIDE_STEP * k, row.look(look, k)))
            parts.append(note(ends[k], middle + 4, _cell(estimate), end=True, color=look.color))
    return picture(
        *parts, width=plan.width, height=bottom + FOOT, title=plan.title, narrow=False
    )  # fmt: skip


def _columns(rows: list[IntervalRow], plan: IntervalPlan) -> list[float]:
    """Each column's width, the room before it included."""
    return [
        18 + max(svg.text_width(t, TEXT) for t in (head, *(_cell(r.estimates[k]) for r in rows)))
        for k, head in enumerate(plan.heads)
    ]


def _narrow(rows: list[IntervalRow], plan: IntervalPlan) -> Markup:
    """Each row's name above its dots, k/n at the end of each dot's line."""
    right = max(_columns(rows, plan), default=0.0)
    scale = Scale(0, plan.top, 14, NARROW - right - 8)
    height = 20 + NARROW_LINE * len(plan.looks)
    bottom = HEAD + height * len(rows)
    parts = [
        grid(scale, HEAD, bottom, plan.unit, few=True),
        _common(plan, scale, bottom),
        note(NARROW, 11, ", ".join(plan.heads), end=True, color=palette.MUTED, size=TICK),
    ]
    for i, row in enumerate(rows):
        y = HEAD + height * i
        if row.apart:
            parts.append(line((0, y + 2), (NARROW, y + 2), palette.SERVICE))
        name = svg.cut(" ".join((row.label, *row.worse)), NARROW, TEXT)
        bold = 650 if row.apart or row.worse else None
        parts.append(svg.label(0, y + 13, name, thick=6, font_weight=bold, fill=row.color))
        for k, (look, estimate) in enumerate(zip(plan.looks, row.estimates, strict=True)):
            at = y + 22 + NARROW_LINE * k
            if estimate is not None:
                parts.append(interval(estimate, scale, at, row.look(look, k)))
            parts.append(note(NARROW, at + 4, _cell(estimate), end=True, color=look.color))
    return picture(*parts, width=NARROW, height=bottom + FOOT, title=plan.title, narrow=True)


def _common(plan: IntervalPlan, scale: Scale, bottom: float) -> str:
    if plan.line is None or plan.line > plan.top:
        return ""
    x = scale.at(plan.line)
    name = svg.text(x, 11, plan.line_name, fill=palette.MUTED, font_size=TICK, text_anchor="middle")
    return line((x, HEAD), (x, bottom), palette.SERVICE, 1.2, "4 3") + name


def _cell(estimate: Estimate | None) -> str:
    return NONE if estimate is None or not estimate.denominator else estimate.cell
