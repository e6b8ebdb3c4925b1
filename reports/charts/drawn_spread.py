"""Rows of how values spread: a median, the middle half and nine in ten; drawn without a script."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import nice_ceiling, tick_step
from reports.charts.drawing import NARROW, TEXT, TICK, Scale, both, line, note, picture, tick
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

HEAD, FOOT, ROW = 16, 18, 24
LABEL_MOST, NARROW_LABEL_MOST = 150, 128
NAME_ROOM = 52


@dataclass(frozen=True)
class SpreadRow:
    """A group: `ends` are its 5, 25, 50, 75 and 95 %; `end` stands at the row's end.

    `band`: the range it is meant for, open where an end is None. `bold`: `end` asks to be read.
    """

    label: str
    ends: tuple[float, float, float, float, float]
    end: str
    band: tuple[float | None, float | None] | None = None
    bold: bool = False


def spread_rows(
    rows: Sequence[SpreadRow], title: str, *, head: str, width: int = 540, zero: str = ""
) -> Markup:
    """The rows for a screen and for 390 px; `head` stands over their ends.

    `zero` names the value 0 where values lie on both sides of it; else the axis begins there.
    """
    most = max([1.0, *(r.ends[4] for r in rows), *((r.band or (0, 0))[1] or 0.0 for r in rows)])
    least = min([0.0, *(r.ends[0] for r in rows)]) if zero else 0.0
    step = tick_step(nice_ceiling(max(most, -least)), few=False)
    values = [i * step for i in range(math.floor(least / step), math.ceil(most / step) + 1)]

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else width
        longest = max((svg.text_width(r.label, TEXT) for r in rows), default=0.0)
        label = min(NARROW_LABEL_MOST if narrow else LABEL_MOST, longest)
        ends = max((svg.text_width(t, TEXT) for t in (head, *(r.end for r in rows))), default=0.0)
        scale = Scale(min(values), max(values), label + 14, wide - ends - 16)
        bottom = HEAD + ROW * len(rows)
        parts = [
            note(wide, 11, head, end=True, color=palette.MUTED, size=TICK),
            *(_tick(v, scale, bottom, zero) for v in values),
            *(_row(r, scale, wide, HEAD + ROW * (i + 0.5), label) for i, r in enumerate(rows)),
        ]
        return picture(*parts, width=wide, height=bottom + FOOT, title=title, narrow=narrow)

    return both(draw)


def _tick(value: float, scale: Scale, bottom: float, zero: str) -> str:
    x, named = scale.at(value), bool(zero) and not value
    shown = zero if named else f"{value:+g}" if zero else f"{value:g}"
    if zero and not named and abs(x - scale.at(0)) < NAME_ROOM:
        shown = ""  # the name of 0 stands there
    ink = palette.SERVICE if named else palette.LINE
    return line((x, HEAD), (x, bottom), ink) + tick(x, bottom + 13, shown)


def _row(row: SpreadRow, scale: Scale, wide: float, y: float, label: float) -> str:
    p5, p25, median, p75, p95 = (scale.at(v) for v in row.ends)
    ink = palette.INK if row.bold else palette.MUTED
    return "".join([
        _band(row.band, scale, y),
        note(0, y + 4, svg.cut(row.label, label + 2, TEXT)),
        line((p5, y), (p95, y), palette.HISTORY, 1.4),
        line((p25, y), (p75, y), palette.INK, 5),
        svg.tag("circle", cx=median, cy=y, r=3.8, fill=palette.PAPER, stroke=palette.INK,
                stroke_width=1.6),
        note(wide, y + 4, row.end, end=True, color=ink, bold=row.bold, size=TICK),
    ])  # fmt: skip


def _band(band: tuple[float | None, float | None] | None, scale: Scale, y: float) -> str:
    if band is None or band == (None, None):
        return ""
    start = scale.start if band[0] is None else scale.at(band[0])
    end = scale.end if band[1] is None else scale.at(band[1])
    fill = palette.BAND_FILLS["plain"]
    return svg.tag("rect", x=start, y=y - 8, width=end - start, height=16, fill=fill)
