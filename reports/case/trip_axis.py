"""The time axis of a trip's picture, and the room each lane has on it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache

from reports.charts import palette, svg
from reports.text import words

STEPS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 360, 480, 720)
BREADTH = {False: 900, True: 358}
"""Width of the picture in px: on a wide screen or paper, and on a narrow one."""

LINE = '<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/>'
MUTED_LINE = LINE.replace("/>", f' stroke="{palette.MUTED}"/>')
TICK = MUTED_LINE + '<text x="%.1f" y="%.1f" text-anchor="%s">%d</text>'


class Frame:
    """Where a moment stands; a narrow picture has its lane names above the lanes.

    In px: the picture's `width`, where its lanes begin (`left`) and end (`right`), the room above
    a lane for its name (`head`), the font size (`size`).
    """

    def __init__(self, low_s: float, high_s: float, narrow: bool, name: str) -> None:
        self.low_s, self.high_s, self.narrow, self.name = low_s, high_s, narrow, name
        self.width = BREADTH[narrow]
        self.left, self.head, self.size = (26, 20, 11.5) if narrow else (118, 6, 12.0)
        self.right = self.width - (6 if narrow else 12)
        self.x = _placing(low_s, high_s, self.left, self.right)

    def span(self, from_s: float, until_s: float) -> tuple[float, float]:
        """Left end and width of a stretch, px; never so narrow that it cannot be seen."""
        start, end = self.x(from_s), self.x(until_s)
        return start, max(end - start, 1.5)

    def holds(self, at_s: float) -> bool:
        """Whether a moment lies on the axis."""
        return self.low_s <= at_s <= self.high_s


def _placing(low_s: float, high_s: float, left: float, right: float) -> Callable[[float], float]:
    """Where a moment stands, px; what lies outside stands at the end."""

    @cache
    def x(at_s: float) -> float:  # every lane asks for the same moments
        share = (at_s - low_s) / (high_s - low_s)
        inside = 0.0 if share < 0 else 1.0 if share > 1 else share
        return left + inside * (right - left)

    return x


@lru_cache(maxsize=8)
def tick_minutes(frame: Frame) -> list[int]:
    """Round minutes for the axis, far enough apart to be read."""
    minutes = (frame.high_s - frame.low_s) / 60
    most = (frame.right - frame.left) / (38 if frame.narrow else 52)
    step = next((s for s in STEPS_MIN if minutes / s <= most), 1440)
    first = -(int(-frame.low_s // 60) // step) * step if frame.low_s < 0 else 0
    return [m for m in range(first, int(frame.high_s // 60) + 1, step) if frame.holds(m * 60)]


def gridlines(frame: Frame, top: float, bottom: float) -> str:
    """A faint line at each tick."""
    places = [frame.x(minute * 60) for minute in tick_minutes(frame)]
    lines = svg.each(LINE, ((x, x, top, bottom) for x in places))
    return svg.tag("g", lines, stroke=palette.LINE, stroke_width=0.8)


def axis(frame: Frame, y: float) -> str:
    """The axis itself, its numbers and what they count."""
    ticks = []
    for minute in tick_minutes(frame):
        x = frame.x(minute * 60)
        at_end = x > frame.right - 10
        anchor = "end" if at_end else "start" if x < frame.left + 4 and frame.narrow else "middle"
        ticks.append((x, x, y, y + 4, x, y + 16, anchor, minute))
    line = svg.one(MUTED_LINE, frame.left, frame.right, y, y)
    label = "minutes since the crew reached the bedside"
    tick_label = svg.text(frame.left, y + 32, label, fill=palette.MUTED)
    return svg.tag("g", line, svg.each(TICK, ticks), tick_label)


class Spaces:
    """One row of texts that may come in any order: each is placed if nothing stands there."""

    def __init__(self, gap: float = 4) -> None:
        self.taken: list[tuple[float, float]] = []
        self.gap = gap

    def place(self, start: float, end: float) -> bool:
        """Whether a text from `start` to `end` px has room; if so it is taken."""
        if any(start < b + self.gap and end > a - self.gap for a, b in self.taken):
            return False
        self.taken.append((start, end))
        return True


class Shelves:
    """Rows for texts that stand side by side: each goes into the first row with room."""

    def __init__(self, most: int, gap: float = 6) -> None:
        self.ends = [float("-inf")] * most
        self.gap = gap

    def place(self, start: float, end: float) -> int | None:
        """The row that holds a text from `start` to `end` px; None where none does."""
        for row, taken in enumerate(self.ends):
            if start >= taken + self.gap:
                self.ends[row] = end
                return row
        return None


def nice_top(value: float) -> float:
    """Where an axis from 0 ends so that its middle is round, too."""
    steps = (4, 10, 20, 30, 40, 60, 80, 100, 120, 160, 200)
    return float(next((s for s in steps if s >= value), 20 * -(-value // 20)))


def clamped(middle: float, width: float, frame: Frame) -> float:
    """Where a text of that width begins so that it stands over `middle`, inside the lanes."""
    return min(max(middle - width / 2, frame.left), frame.right - width)


def minutes_text(from_s: float, until_s: float, resolution_s: float) -> str:
    """'12 to 45 min'."""
    return f"{words.clock(from_s, resolution_s)} to {words.clock(until_s, resolution_s)} min"
