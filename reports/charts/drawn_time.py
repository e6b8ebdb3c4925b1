"""A figure through time, drawn without a script: its months, and its level before and since."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import (
    NARROW,
    TICK,
    Look,
    Scale,
    both,
    line,
    mark,
    month_look,
    note,
    picture,
    tick_text,
)
from schemas.record import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from schemas.units import Unit

LEFT, TOP, FOOT, HEAD = 34, 10, 24, 6
CLOSE = 14
"""Labels at line ends stand at least so far apart."""

LABELS_MOST = 4
_EARLIER = Look("", palette.MUTED)
_SPARK = (120, 36)


@dataclass(frozen=True)
class Point:
    """One month: None where it has no figure. `said` is shown when pointing at it."""

    month: str
    value: float | None
    filled: bool = True
    said: str = ""


@dataclass(frozen=True)
class Level:
    """A level over the points from one to another, by place; `worse`: since a signal."""

    first: int
    last: int
    value: float
    name: str
    worse: bool = False


def through_time(
    points: Sequence[Point], levels: Sequence[Level], *, unit: Unit, top: float, now: str,
    title: str, width: int = 524, height: int = 190,
) -> Markup:  # fmt: skip
    """The line, its last point the month under review and named `now`, for a screen and 390 px."""

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else width
        right = 12 + max((svg.text_width(n, 12) for n in (now, *(v.name for v in levels))),
                         default=0.0)  # fmt: skip
        across = Scale(0, max(len(points) - 1, 1), LEFT + 6, wide - right - 8)
        up = Scale(0, top, height - FOOT, TOP)
        parts = [
            _up_axis(up, unit, wide - right),
            _across_axis(points, across, height - FOOT),
            *(_level(v, across, up) for v in levels),
            _line(points, across, up),
            _ends(points, levels, up, wide - right + 4, now),
        ]
        return picture(*parts, width=wide, height=height, title=title, narrow=narrow)

    return both(draw)


def _up_axis(up: Scale, unit: Unit, end: float) -> str:
    parts = []
    for value in up.ticks(few=True):
        y = up.at(value)
        parts.append(line((LEFT, y), (end, y), palette.LINE))
        parts.append(note(LEFT - 6, y + 4, tick_text(value, unit), end=True,
                          color=palette.MUTED, size=TICK))  # fmt: skip
    return "".join(parts)


def _across_axis(points: Sequence[Point], across: Scale, bottom: float) -> str:
    """The first and the last month, and some between them, that far apart that none overlaps."""
    if not points:
        return ""
    last = len(points) - 1
    # the first label begins at its month, the others stand about theirs
    room = 1.5 * svg.text_width(points[0].month, TICK) + 6
    step = max(1, -(-last // (LABELS_MOST - 1)))
    while step < last and across.at(step) - across.at(0) < room:
        step += 1
    places = sorted({0, last, *(i for i in range(0, last, step) if last - i >= 0.6 * step)})
    return "".join(
        svg.text(
            across.at(i), bottom + 16, points[i].month, font_size=TICK, fill=palette.MUTED,
            text_anchor="start" if i == 0 and last else "middle",
        )
        for i in places
    )  # fmt: skip


def _level(level: Level, across: Scale, up: Scale) -> str:
    y = up.at(level.value)
    start, end = across.at(level.first - 0.3), across.at(level.last + 0.3)
    if level.worse:
        return line((start, y), (end, y), palette.ACCENT, 2)
    return line((start, y), (end, y), palette.SERVICE, 1.4, "4 3")


def _line(points: Sequence[Point], across: Scale, up: Scale, *, every: bool = True) -> str:
    """The months joined; a month without a figure breaks the line. `every`: each one marked."""
    runs: list[list[str]] = [[]]
    for i, point in enumerate(points):
        if point.value is None:
            runs.append([])
        else:
            runs[-1].append(f"{across.at(i):.1f},{up.at(point.value):.1f}")
    drawn = [
        svg.tag("polyline", points=" ".join(run), fill="none", stroke=palette.MUTED,
                stroke_width=1.4)
        for run in runs if len(run) > 1
    ]  # fmt: skip
    last = len(points) - 1
    drawn += [
        mark(across.at(i), up.at(p.value), month_look("") if i == last else _EARLIER,
             filled=p.filled, title=p.said, size=4 if i == last else 2.6)
        for i, p in enumerate(points) if p.value is not None and (every or i == last)
    ]  # fmt: skip
    return "".join(drawn)


def _ends(points: Sequence[Point], levels: Sequence[Level], up: Scale, x: float, now: str) -> str:
    """What stands at the right end: the month's value, and its levels, kept apart."""
    wanted = [(up.at(v.value), v.name, palette.ACCENT if v.worse else palette.MUTED, False)
              for v in levels]  # fmt: skip
    if points and points[-1].value is not None:
        wanted.append((up.at(points[-1].value), now, palette.NOW, True))
    wanted.sort()
    places, before = [], -float(CLOSE)
    for n, (y, *_) in enumerate(wanted):
        # those below must have room above the axis, too
        lowest = up.start - CLOSE * (len(wanted) - 1 - n)
        before = max(min(y, lowest), before + CLOSE)
        places.append(before)
    return "".join(
        note(x, place + 4, name, color=color, bold=bold)
        for place, (_, name, color, bold) in zip(places, wanted, strict=True)
    )


def sparkline(points: Sequence[Point], title: str) -> Markup:
    """A figure's months small, the last one marked; scaled from its least to its most.

    Nothing of one month, which has no course.
    """
    width, height = _SPARK
    known = [p.value for p in points if p.value is not None]
    if len(known) < 2:
        from markupsafe import Markup

        return Markup("")
    low, high = min(known), max(known)
    across = Scale(0, max(len(points) - 1, 1), 4, width - 8)
    up = Scale(low, high if high > low else low + 1, height - HEAD, HEAD)
    drawn = _line(points, across, up, every=False)
    return picture(drawn, width=width, height=height, title=title)
