"""Trips on a line through time, a mark each, drawn without a script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from reports.charts import palette, svg
from reports.charts.drawing import NARROW, TICK, Scale, both, line, note, picture
from reports.text import words
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

State = Literal["kept", "variance", "undecided"]
HEIGHT, FOOT = 20, 15
DOT, SMALL = 4.2, 2.6
CROWDED = 100
"""More marks of a state than this are drawn as one path, since no one could point at each."""
LABELS_MOST = 3


@dataclass(frozen=True)
class Mark:
    """A trip asked about, and what was found."""

    trip: str
    month: str
    state: State


@dataclass(frozen=True)
class TripLine:
    """The trips of one chart or rule, in the order of service.

    `since`: the month a change began; `worse`: what came since then is not acted on. `now`: the
    month whose variances are worse and not acted on though no change is told.
    """

    marks: tuple[Mark, ...]
    since: str = ""
    worse: bool = False
    now: str = ""


def trip_line(
    row: TripLine, months: Sequence[str], title: str, width: int, *, axis: bool = True
) -> Markup:
    """The line for a screen and for 390 px; with `axis` the months' names under it.

    Marks that would stand on each other are drawn once.
    """

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else width
        scale = Scale(0, len(months), 5, wide - 5)
        parts = [*_months(months, scale, axis=axis), *_marks(row, months, scale)]
        height = HEIGHT + (FOOT if axis else 0)
        return picture(*parts, width=wide, height=height, title=title, narrow=narrow)

    return both(draw)


def _months(months: Sequence[str], scale: Scale, *, axis: bool) -> Iterator[str]:
    """Every sixth month or so as a faint line, with its name under it."""
    step = max(1, -(-len(months) // LABELS_MOST))
    for i in range(0, len(months), step):
        x = scale.at(i)
        yield line((x, 0), (x, HEIGHT), palette.LINE)
        if axis:
            shown = words.month_tick(months[i])
            yield note(x, HEIGHT + 11, shown, color=palette.MUTED, size=TICK)


def _marks(row: TripLine, months: Sequence[str], scale: Scale) -> Iterator[str]:
    y = HEIGHT / 2
    yield line((scale.start, y), (scale.end, y), palette.LINE)
    placed = _placed(row.marks, months, scale)
    kept = sorted({round(x) for x, mark in placed if mark.state == "kept"})
    if kept:
        path = "".join([f"M{x}.5 {y - 4:.0f}v8" for x in kept])
        yield svg.tag("path", d=path, stroke=palette.SERVICE, stroke_width=1)
    began = months.index(row.since) if row.since in months else None
    for state in ("undecided", "variance"):
        own = {round(x): (x, mark) for x, mark in reversed(placed) if mark.state == state}
        if len(own) > CROWDED:
            yield from _crowd(row, [own[at] for at in sorted(own)], y)
            continue
        for x, mark in reversed(own.values()):
            yield _dot(x, y, mark, palette.ACCENT if _asks(row, mark) else palette.INK)
    if began is not None:
        x = scale.at(began)
        yield line((x, 0), (x, HEIGHT), palette.INK, 1.4, "2 2")


def _asks(row: TripLine, mark: Mark) -> bool:
    """Whether the mark is of what is worse and not acted on."""
    since = bool(row.since) and row.worse and mark.month >= row.since
    return since or mark.month == row.now


def _dot(x: float, y: float, mark: Mark, ink: str) -> str:
    said = svg.title(f"{mark.trip}, {words.month_name(mark.month)}")
    if mark.state == "undecided":
        return svg.tag("circle", said, cx=x, cy=y, r=SMALL, fill=palette.PAPER,
                       stroke=palette.SERVICE, stroke_width=1)  # fmt: skip
    return svg.tag("circle", said, cx=x, cy=y, r=DOT, fill=ink, stroke=palette.PAPER,
                   stroke_width=0.8)  # fmt: skip


def _crowd(row: TripLine, own: Sequence[tuple[float, Mark]], y: float) -> Iterator[str]:
    """Marks of one state that stand on each other, as round ends of strokes without a length."""
    undecided = own[0][1].state == "undecided"
    by_ink = groupby(own, key=lambda placed: not undecided and _asks(row, placed[1]))
    for asks, group in by_ink:
        path = "".join([f"M{x:.0f} {y:.0f}h0" for x, _ in group])
        ink = palette.ACCENT if asks else palette.INK
        rim = palette.SERVICE if undecided else palette.PAPER
        fill, wide = (palette.PAPER, SMALL) if undecided else (ink, DOT)
        for color, r in ((rim, wide + 0.5), (fill, wide - 0.4)):
            yield svg.tag("path", d=path, stroke=color, stroke_width=2 * r,
                          stroke_linecap="round")  # fmt: skip


def _placed(marks: Sequence[Mark], months: Sequence[str], scale: Scale) -> list[tuple[float, Mark]]:
    """Each mark within its month, the month's marks evenly apart."""
    found = []
    for month, group in groupby(marks, key=lambda mark: mark.month):
        if month not in months:
            continue
        own, at = list(group), months.index(month)
        found += [(scale.at(at + (i + 0.5) / len(own)), mark) for i, mark in enumerate(own)]
    return found
