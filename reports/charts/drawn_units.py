"""Countable things drawn one mark each, without a script: trips, logs, rows of work."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import NARROW, TICK, both, line, note, picture
from reports.text import words
from schemas.record import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

STRIP, WORK, BY_MONTH = 160, 524, 460
"""Widths in px: of a strip of marks, of rows of work, of trips month by month."""

LEAST_MARK = 2.0
"""Marks narrower than this, in px with the gap between them, are drawn as one bar."""

SQUARE, PITCH = 9, 11
ROWS_MOST, ACROSS = 3, 34
"""Lines that a row of work takes at most on a screen, and about how many squares one has."""

MARK, MARK_PITCH = 4.8, 5.6


def unit_strip(have: int, of: int, title: str, width: int = STRIP) -> Markup:
    """One upright mark for each of `of`, those that are missing hollow in the accent colour."""
    each = min(5.0, width / of) if of else 0.0
    missing = {"fill": palette.PAPER, "stroke": palette.ACCENT, "stroke_width": 1}
    if each < LEAST_MARK:
        at = width * min(have, of) / of if of else 0.0
        parts = [svg.tag("rect", x=0, y=1, width=at, height=10, fill=palette.INK)]
        if have < of:
            start = min(at, width - 3.0)
            parts.append(svg.tag("rect", x=start, y=1.5, width=width - start - 0.5, height=9,
                                 **missing))  # fmt: skip
        return picture(*parts, width=width, height=12, title=title)
    bar = min(3.0, each - 0.8)
    parts = [
        svg.tag("rect", x=i * each, y=1, width=bar, height=10, fill=palette.INK)
        if i < have
        else svg.tag("rect", x=i * each + 0.5, y=1.5, width=max(bar - 1, 1.0), height=9, **missing)
        for i in range(of)
    ]
    return picture(*parts, width=round(each * of, 1), height=12, title=title)


@dataclass(frozen=True)
class Squares:
    """A row of work: how many of it come first, and how many are done; `label` is its kind."""

    label: str
    all: int
    first: int = 0
    done: int = 0

    @property
    def count(self) -> str:
        """'12'; '2/12' once ten of them are done."""
        left = f"{words.whole(self.all - self.done)}/" if self.done else ""
        return f"{left}{words.whole(self.all)}"


def work_squares(rows: Sequence[Squares], title: str) -> Markup:
    """One square a trip, row by row: filled what comes first, crossed what is done; with counts."""

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else WORK
        left = 12 + max((svg.text_width(r.label, 12) for r in rows), default=0.0)
        across = int((wide - left - 44) // PITCH)
        unit = square_stands_for(rows)
        parts, y = [], 0.0
        for row in rows:
            drawn = -(-row.all // unit)
            height = 24 + PITCH * (max(1, -(-drawn // across)) - 1)
            parts += [
                note(0, y + 16, row.label),
                note(wide, y + 16, row.count, end=True, bold=True),
                _squares(row, unit, across, left, y + 7),
                line((0, y + height), (wide, y + height), palette.LINE),
            ]
            y += height
        return picture(*parts, width=wide, height=y + 1, title=title, narrow=narrow)

    return both(draw)


def square_stands_for(rows: Sequence[Squares]) -> int:
    """How many trips a square is, so that a row of work takes few lines: 1, 10, 100."""
    most, unit = max((r.all for r in rows), default=0), 1
    while most > unit * ACROSS * ROWS_MOST:
        unit *= 10
    return unit


def _squares(row: Squares, unit: int, across: int, left: float, top: float) -> str:
    """Those done last; of a square that stands for several, what most of them are."""
    parts = []
    for i in range(-(-row.all // unit)):
        x, y = left + PITCH * (i % across), top + PITCH * (i // across)
        place = i * unit
        fill = palette.INK if place < row.first else palette.PAPER
        stroke = palette.SERVICE if place >= row.all - row.done else palette.INK
        parts.append(svg.tag("rect", x=x + 0.5, y=y + 0.5, width=SQUARE - 1, height=SQUARE - 1,
                             fill=fill, stroke=stroke))  # fmt: skip
        if place >= row.all - row.done:
            parts.append(
                line((x + 1, y + SQUARE - 1), (x + SQUARE - 1, y + 1), palette.SERVICE, 1.2)
            )
    return "".join(parts)


@dataclass(frozen=True)
class MonthMarks:
    """A month's trips: how many had a variance, of how many; `since` where the change began."""

    month: str
    found: int
    of: int
    since: bool = False


def trips_by_month(months: Sequence[MonthMarks], title: str, *, accent: bool) -> Markup:
    """One mark a trip, month by month: filled with a variance, a short stroke without.

    `accent`: the months since are worse and not acted on.
    """

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else BY_MONTH
        slot = (wide - 4) / max(len(months), 1)
        across = max(1, int((slot - 3) // MARK_PITCH))
        rows = max((-(-m.of // across) for m in months), default=1)
        height = MARK_PITCH * rows + 20
        since = next((i for i, m in enumerate(months) if m.since), len(months))
        parts = [
            _month_marks(m, 2 + slot * i, height - 18, across,
                         palette.ACCENT if accent and i >= since else palette.INK)
            for i, m in enumerate(months)
        ]  # fmt: skip
        if 0 < since < len(months):
            x = 1 + slot * since
            parts.append(line((x, 0), (x, height - 16), palette.MUTED, 1.2, "2 2"))
        parts += (
            [
                note(2, height - 4, months[0].month, size=TICK, color=palette.MUTED),
                note(
                    wide - 2, height - 4, months[-1].month, end=True, size=TICK, color=palette.MUTED
                ),
            ]
            if months
            else []
        )
        return picture(*parts, width=wide, height=height, title=title, narrow=narrow)

    return both(draw)


def _month_marks(month: MonthMarks, left: float, bottom: float, across: int, color: str) -> str:
    """Variances first, from the bottom up."""
    parts = []
    for i in range(month.of):
        x = left + MARK_PITCH * (i % across) + MARK_PITCH / 2
        y = bottom - MARK_PITCH * (i // across) - MARK_PITCH / 2
        if i < month.found:
            parts.append(svg.tag("circle", cx=x, cy=y, r=MARK / 2, fill=color))
        else:
            parts.append(line((x, y - 1.8), (x, y + 1.8), palette.SERVICE))
    return "".join(parts)
