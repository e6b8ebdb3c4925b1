"""Rules by bases, a dot with its interval in each cell, drawn without a script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import nice_ceiling
from reports.charts.drawing import (
    NARROW,
    TEXT,
    TICK,
    Scale,
    both,
    line,
    note,
    picture,
    tick_text,
)
from reports.text import words
from reports.text.estimates import Estimate
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

WIDTH = 690
"""Of the drawing for a screen: so that it stands unscaled on paper, too."""

LABEL, SERVICE = 176, 98
AXIS = 52
"""Room for where each row's scale ends, px."""
ROW, ROW_COUNTS_ABOVE, NARROW_LABEL = 25, 29, 18
HEAD = 20
COUNTS = 46
"""Room for the counts at the end of a cell, px; in a narrower cell they stand above the dot."""
BASES_MOST, NARROW_BASES_MOST = 7, 5


@dataclass(frozen=True)
class Cell:
    """A base's share of a rule, drawn towards all bases; its counts are the base's own.

    `apart`: it may be named; `acted`: it was retrained since; `better`: it is named for being
    below the service. Of its flags `read` were concluded on, and of these `practice` put down to
    practice, those with them that only a reader found.
    """

    base: str
    share: Estimate
    apart: bool = False
    acted: bool = False
    better: bool = False
    read: int = 0
    practice: int = 0

    @property
    def unread(self) -> bool:
        """Whether no reader has confirmed what it is named for."""
        return not self.practice


@dataclass(frozen=True)
class RuleRow:
    """A rule at every base. `service`: all bases; `goal`: the share the service aims at.

    `side` stands at the row's end in place of all bases' share.
    """

    rule: str
    label: str
    high: bool
    cells: tuple[Cell, ...]
    service: Estimate
    goal: float | None = None
    side: str = ""

    @property
    def few(self) -> bool:
        """Whether no base has enough trips to be compared."""
        return all(cell.share.few for cell in self.cells)

    @property
    def top(self) -> float:
        """Where the row's scale ends, from 0."""
        highs = [c.share.high or 0.0 for c in self.cells if not c.share.few]
        return nice_ceiling(max([0.02, *highs, self.service.number or 0.0, self.goal or 0.0]))

    @property
    def above_goal(self) -> bool:
        """Whether the whole interval of all bases together lies above the goal."""
        known = self.goal is not None and not self.service.few
        return known and (self.service.low or 0.0) > (self.goal or 0.0)


@dataclass(frozen=True)
class _Places:
    """Where the columns stand: the end of the labels and a column's width, in px."""

    narrow: bool
    width: float
    label: float
    column: float

    @property
    def counts_above(self) -> bool:
        return self.column < 2 * COUNTS

    @property
    def cell(self) -> float:
        """A cell's height, px."""
        return ROW_COUNTS_ABOVE if self.counts_above else ROW

    @property
    def row(self) -> float:
        return self.cell + (NARROW_LABEL if self.narrow else 0)

    def scale(self, column: int, row: RuleRow) -> Scale:
        """The scale of a cell: its row's own, from 0."""
        start = self.label + column * self.column + 6
        zone = self.column - (16 if self.counts_above else COUNTS + 12)
        return Scale(0, row.top, start, start + zone)


def rule_grid(rows: Sequence[RuleRow], title: str, side: str = "all") -> Markup:
    """The grid for a screen and for 390 px; each row has a scale of its own.

    Rows that no base has enough trips for hold counts alone. More bases than fit follow below.
    `side` stands over the row's ends.
    """
    return both(lambda narrow: _grid(rows, title, side, narrow=narrow))


def _grid(rows: Sequence[RuleRow], title: str, side: str, *, narrow: bool) -> Markup:
    # where there are not two bases, all together are all there is
    bases = range(len(rows[0].cells) if rows and rows[0].cells[0].base else 0)
    fits = NARROW_BASES_MOST if narrow else BASES_MOST
    # blocks of like width rather than a full one and a rest
    most = -(-len(bases) // max(1, -(-len(bases) // fits)))
    width, label, end = (NARROW, 0, 0) if narrow else (WIDTH, LABEL, SERVICE + AXIS)
    # a block of fewer bases keeps the columns of the one above
    column = (width - label - end) / max(3, most)
    places = _Places(narrow, width, label, column)
    body, y = [], 0.0
    for first in range(0, max(1, len(bases)), max(1, most)):
        body.append(svg.moved(_block(rows, bases[first : first + most], places, side), y))
        y += HEAD + len(rows) * places.row + 10
    return picture(*body, width=width, height=max(y, 1), title=title, narrow=narrow)


def _block(rows: Sequence[RuleRow], bases: range, places: _Places, side: str) -> str:
    parts = [
        note(places.label + at * places.column + 6, 12,
             svg.cut(rows[0].cells[n].base, places.column - 8, TEXT), color=palette.MUTED)
        for at, n in enumerate(bases)
    ]  # fmt: skip
    if not places.narrow:
        parts.append(note(places.width, 12, side, end=True, color=palette.MUTED))
    for index, row in enumerate(rows):
        top = HEAD + index * places.row
        parts.append(line((0, top - 3), (places.width, top - 3), palette.LINE))
        parts.append(svg.moved("".join(_row(row, bases, places)), top))
    return "".join(parts)


def _row(row: RuleRow, bases: range, places: _Places) -> Iterator[str]:
    baseline = 12.0 if places.narrow else places.row / 2 + 2
    room = places.width - SERVICE - AXIS if places.narrow else places.label - 4
    yield note(0, baseline, svg.cut(row.label, room, TEXT), bold=row.high)
    above = row.above_goal and not row.side
    yield note(places.width, baseline, service_words(row), end=True, bold=above,
               color=palette.INK if above else palette.MUTED)  # fmt: skip
    if not row.few:
        scale = f"0{words.DASH}{tick_text(row.top, row.service.unit)}"
        yield note(places.width - SERVICE, baseline, scale, end=True, color=palette.MUTED,
                   size=TICK)  # fmt: skip
    for at, n in enumerate(bases):
        yield from _cell(row, row.cells[n], places, at)


def service_words(row: RuleRow) -> str:
    """All bases together: '11 %', and the goal where there is one: '11 % (goal 5)'."""
    if row.side or row.service.few or not row.service.known:
        return row.side or row.service.cell
    goal = "" if row.goal is None else f" (goal{words.NBSP}{row.goal * 100:g})"
    return f"{row.service.value}{goal}"


def _cell(row: RuleRow, cell: Cell, places: _Places, column: int) -> Iterator[str]:
    scale, share = places.scale(column, row), cell.share
    top = places.row - places.cell
    y = top + (18.0 if places.counts_above else places.cell / 2 - 2)
    counts_at = y - 9 if places.counts_above else y + 4
    if share.few or share.number is None:
        yield note(scale.start, counts_at, share.cell, color=palette.MUTED, size=TICK)
        return
    yield line((scale.start, y - 6), (scale.start, y + 6), palette.LINE)
    ink = palette.ACCENT if cell.apart and not (cell.acted or cell.better) else palette.INK
    if cell.apart:
        yield svg.tag(
            "rect", x=scale.start - 6, y=top - 2, width=places.column - 3, height=places.cell - 3,
            fill="none", stroke=ink, stroke_width=1.6,
            stroke_dasharray="4 3" if cell.unread and not cell.acted else None,
        )  # fmt: skip
    yield _guides(row, scale, y)
    low, high = (scale.at(share.number if v is None else v) for v in (share.low, share.high))
    yield line((low, y), (high, y), ink if cell.apart else palette.HISTORY,
               2.4 if cell.apart else 1.4)  # fmt: skip
    said = svg.title(f"{cell.base}, {row.label}: {share.with_counts}")
    yield svg.tag("circle", said, cx=scale.at(share.number), cy=y, r=4.2 if cell.apart else 3.2,
                  fill=ink)  # fmt: skip
    x = scale.start + (0 if places.counts_above else places.column - 16)
    color = ink if cell.apart else palette.MUTED
    yield note(x, counts_at, share.cell, end=not places.counts_above, color=color, bold=cell.apart,
               size=TICK)  # fmt: skip


def _guides(row: RuleRow, scale: Scale, y: float) -> str:
    """All bases together as a dashed line, the goal as a mark under the interval."""
    parts = []
    if row.service.number is not None:
        x = scale.at(row.service.number)
        parts.append(line((x, y - 8), (x, y + 8), palette.SERVICE, 1, "2 2"))
    if row.goal is not None:
        x = scale.at(row.goal)
        parts.append(svg.tag("path", d=f"M{x:.1f} {y + 3:.1f}l3.5 6h-7z", fill=palette.INK))
    return "".join(parts)


def apart_cells(rows: Sequence[RuleRow]) -> list[tuple[RuleRow, Cell]]:
    """The cells that may be named and are worse, in the rows' order."""
    return [(row, cell) for row in rows for cell in row.cells if cell.apart and not cell.better]


def grid_finding(rows: Sequence[RuleRow]) -> str:
    """What the grid shows, in about a dozen words."""
    apart = apart_cells(rows)
    named = [f"{row.label.lower()} at {cell.base}" for row, cell in apart[:2]]
    more = f" and {len(apart) - 2} more" if len(apart) > 2 else ""
    finding = f"{words.listed(named)}{more} apart" if apart else "none stands apart"
    if not any(cell.base for row in rows for cell in row.cells):
        finding = "fewer than two bases to compare"
    above = sum(row.above_goal for row in rows)
    return f"{finding}; {above} above goal" if above else finding
