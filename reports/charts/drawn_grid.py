"""Groups across, rows down, a dot with its interval in each cell, one scale a row: rules by base.

Drawn without a script. Too few to compare is written as counts alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import (
    NARROW,
    TEXT,
    TICK,
    Look,
    Scale,
    both,
    interval,
    line,
    note,
    picture,
    tick_text,
    top_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from reports.text.estimates import Estimate
    from schemas.units import Unit

LABEL_MOST, CELL_LEAST = 180, 70
ROW, HEAD, NARROW_ROW = 38, 20, 20
QUIET = Look("", palette.INK)
WORSE = Look("", palette.ACCENT)
MARGIN = 8


@dataclass(frozen=True)
class GridRow:
    """A rule with its estimate at each group, in the columns' order; None where there is none.

    `service`: the whole service's, drawn as a dashed line. `named`: the groups that stand apart,
    boxed. `goal`: a share that the service aims at, marked.
    """

    label: str
    cells: tuple[Estimate | None, ...]
    service: Estimate | None = None
    named: tuple[str, ...] = ()
    goal: float | None = None
    bold: bool = False


def dot_grid(
    columns: Sequence[str], rows: Sequence[GridRow], title: str, width: int = 1192
) -> Markup:
    """The grid for a screen; for 390 px each row becomes a block of lines, a line a group."""
    return both(lambda narrow: _blocks(columns, rows, title) if narrow
                else _grid(columns, rows, title, width))  # fmt: skip


def _top(row: GridRow) -> float:
    known = [c for c in row.cells if c is not None and not c.few]
    shown = [*known, *([row.service] if row.service else [])]
    return top_of(shown, shown)


def _grid(columns: Sequence[str], rows: Sequence[GridRow], title: str, width: int) -> Markup:
    longest = max((svg.text_width(r.label, TEXT) for r in rows), default=0.0)
    left = min(LABEL_MOST, longest) + 12
    cell = max(CELL_LEAST, (width - left - 44) / max(len(columns), 1))
    parts = [
        svg.text(left + cell * (j + 0.5), 12, svg.cut(name, cell - 6, TICK), font_size=TICK,
                 fill=palette.MUTED, text_anchor="middle")
        for j, name in enumerate(columns)
    ]  # fmt: skip
    for i, row in enumerate(rows):
        y, top = HEAD + ROW * i, _top(row)
        parts += [
            line((0, y), (width, y), palette.LINE),
            note(0, y + 22, svg.cut(row.label, LABEL_MOST, TEXT), bold=row.bold),
        ]
        for j, (name, estimate) in enumerate(zip(columns, row.cells, strict=True)):
            x = left + cell * j
            scale = Scale(0, top, x + MARGIN, x + cell - MARGIN)
            boxed = name in row.named
            parts += [
                _box(x, y, cell) if boxed else "",
                _guides(row, scale, y + 4, y + 22),
                _cell(estimate, scale, y + 13, WORSE if boxed else QUIET),
                _counts(estimate, x + cell / 2, y + 33),
            ]
        unit = _unit(row)
        if unit is not None:
            parts.append(note(width, y + 17, tick_text(top, unit), end=True, size=TICK,
                              color=palette.MUTED))  # fmt: skip
    return picture(
        *parts, width=width, height=HEAD + ROW * len(rows) + 2, title=title, narrow=False
    )  # fmt: skip


def _blocks(columns: Sequence[str], rows: Sequence[GridRow], title: str) -> Markup:
    parts, y = [], 0.0
    left = 12 + min(120.0, max((svg.text_width(c, TEXT) for c in columns), default=0.0))
    for row in rows:
        scale = Scale(0, _top(row), left, NARROW - 70)
        parts.append(note(0, y + 16, svg.cut(row.label, NARROW, TEXT), bold=True))
        y += 22
        parts.append(_guides(row, scale, y, y + NARROW_ROW * len(columns)))
        for name, estimate in zip(columns, row.cells, strict=True):
            boxed = name in row.named
            parts += [
                svg.tag(
                    "rect",
                    x=0.5,
                    y=y + 0.5,
                    width=NARROW - 1,
                    height=NARROW_ROW - 1,
                    fill="none",
                    stroke=palette.ACCENT,
                )
                if boxed
                else "",
                note(6, y + 14, svg.cut(name, 120, TEXT)),
                _cell(estimate, scale, y + 10, WORSE if boxed else QUIET),
                note(NARROW - 6, y + 14, estimate.cell if estimate else "\u2013", end=True),
            ]
            y += NARROW_ROW
        y += 8
    return picture(*parts, width=NARROW, height=max(y, 1), title=title, narrow=True)


def _unit(row: GridRow) -> Unit | None:
    return next((c.unit for c in row.cells if c is not None), None)


def _box(x: float, y: float, cell: float) -> str:
    return svg.tag("rect", x=x + 1.5, y=y + 1.5, width=cell - 3, height=ROW - 3, fill="none",
                   stroke=palette.ACCENT, stroke_width=1.6)  # fmt: skip


def _guides(row: GridRow, scale: Scale, top: float, bottom: float) -> str:
    """The whole service as a dashed line, the goal as a dotted one with a foot."""
    parts = []
    if row.service is not None and row.service.number is not None:
        x = scale.at(row.service.number)
        parts.append(line((x, top), (x, bottom), palette.SERVICE, 1.2, "4 3"))
    if row.goal is not None:
        x = scale.at(row.goal)
        path = f"M{x - 4:.1f} {bottom:.1f}l4 -5l4 5z"
        parts.append(svg.tag("path", d=path, fill="none", stroke=palette.MUTED))
    return "".join(parts)


def _cell(estimate: Estimate | None, scale: Scale, y: float, look: Look) -> str:
    return "" if estimate is None or estimate.few else interval(estimate, scale, y, look)


def _counts(estimate: Estimate | None, middle: float, y: float) -> str:
    if estimate is None or not estimate.denominator:
        return svg.text(middle, y - 10, "\u2013", fill=palette.MUTED, text_anchor="middle")
    return svg.text(middle, y if not estimate.few else y - 10, estimate.cell, font_size=TICK,
                    fill=palette.MUTED, text_anchor="middle")  # fmt: skip
