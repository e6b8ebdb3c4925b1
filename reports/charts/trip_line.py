"""Trips on a line through time, a mark each, drawn without a script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from reports.charts import palette, svg
from reports.charts.drawing import NARROW, TICK, Scale, both, line, note, picture
from reports.text import words

if TYPE_CHECKING:
    from markupsafe import Markup

State = Literal["kept", "variance", "undecided"]
ROW, FOOT = 22, 18
DOT = 4.2
LABELS_MOST = 5


@dataclass(frozen=True)
class Mark:
    """A trip asked about, and what was found."""

    trip: str
    month: str
    state: State


@dataclass(frozen=True)
class TripLine:
    """The trips of one chart or rule, in the order of service.

    `label` and `end` stand before and after the line; `since`: the month a change began.
    `worse`: what came since then is not acted on.
    """

    marks: tuple[Mark, ...]
    label: str = ""
    end: str = ""
    since: str = ""
    worse: bool = False
    bold: bool = False


def trip_lines(
    rows: Sequence[TripLine], months: Sequence[str], title: str, *, width: int,
    label: int = 0, end: int = 0,
) -> Markup:  # fmt: skip
    """Rows over one axis of months, for a screen and for 390 px.

    `label` and `end` are the room for the words beside the lines, in px; at 390 px they stand
    above the lines. Marks of what was kept that would stand on each other are drawn once.
    """

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else width
        left, right = (0, wide) if narrow else (label, wide - end)
        scale = Scale(0, len(months), left + 5, right - 5)
        above = 18 if narrow and label else 0
        height = ROW + above
        body = [
            svg.moved("".join(_row(row, months, scale, wide, above)), 4 + i * height)
            for i, row in enumerate(rows)
        ]
        bottom = 4 + height * len(rows)
        parts = [*_months(months, scale, bottom, narrow=narrow), *body]
        return picture(*parts, width=wide, height=bottom + FOOT, title=title, narrow=narrow)

    return both(draw)


def _months(
    months: Sequence[str], scale: Scale, bottom: float, *, narrow: bool
) -> Iterator[str]:
    """Every third month or so, as a faint line with its name."""
    step = max(1, -(-len(months) // (LABELS_MOST - narrow)))
    for i in range(0, len(months), step):
        x = scale.at(i)
        yield line((x, 2), (x, bottom), palette.LINE)
        yield note(x, bottom + 12, words.month_short(months[i]), color=palette.MUTED, size=TICK)


def _row(
    row: TripLine, months: Sequence[str], scale: Scale, wide: float, above: float
) -> Iterator[str]:
    y = above + ROW / 2
    baseline = 11.0 if above else y + 4
    if row.label:
        yield note(0, baseline, row.label, bold=row.bold)
        yield note(wide, baseline, row.end, end=True, bold=row.bold)
    yield line((scale.start, y), (scale.end, y), palette.LINE)
    placed = _placed(row.marks, months, scale)
    kept = sorted({round(x) for x, mark in placed if mark.state == "kept"})
    if kept:
        path = "".join(f"M{x}.5 {y - 4:.0f}v8" for x in kept)
        yield svg.tag("path", d=path, stroke=palette.SERVICE, stroke_width=1)
    began = months.index(row.since) if row.since in months else None
    for state in ("undecided", "variance"):
        seen: set[int] = set()
        for x, mark in placed:
            if mark.state != state or round(x) in seen:
                continue
            seen.add(round(x))
            since = began is not None and mark.month >= row.since
            yield _dot(x, y, mark, palette.ACCENT if since and row.worse else palette.INK)
    if began is not None:
        x = scale.at(began)
        yield line((x, y - 10), (x, y + 10), palette.INK, 1.4, "2 2")


def _dot(x: float, y: float, mark: Mark, ink: str) -> str:
    said = svg.title(f"{mark.trip}, {words.month_name(mark.month)}")
    if mark.state == "undecided":
        return svg.tag("circle", said, cx=x, cy=y, r=2.6, fill=palette.PAPER,
                       stroke=palette.SERVICE, stroke_width=1)  # fmt: skip
    return svg.tag("circle", said, cx=x, cy=y, r=DOT, fill=ink, stroke=palette.PAPER,
                   stroke_width=0.8)  # fmt: skip


def _placed(
    marks: Sequence[Mark], months: Sequence[str], scale: Scale
) -> list[tuple[float, Mark]]:
    """Each mark within its month, the month's marks evenly apart."""
    found = []
    for month, group in groupby(marks, key=lambda mark: mark.month):
        if month not in months:
            continue
        own, at = list(group), months.index(month)
        found += [(scale.at(at + (i + 0.5) / len(own)), mark) for i, mark in enumerate(own)]
    return found
