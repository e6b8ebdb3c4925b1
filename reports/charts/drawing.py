"""What pictures inside a page share: drawn once for a screen and once for 390 px, never scaled.

They are SVG text in the page, so they are there before any script runs. Sizes are px; text is 12,
ticks are 11. A filled circle is the long run, a diamond the month under review, a hollow mark one
not to lean on; an arrow head is where an interval runs on.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import FONT, axis_top, tick_step
from reports.text import words
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from markupsafe import Markup

    from reports.text.estimates import Estimate

NARROW = 358
"""Width in px of what is drawn for a screen of 390."""

TEXT, TICK = 12, 11
EVENTS_LEAST = 10
"""Events that a rate needs before its dot is filled: below, its clustering is assumed."""


@dataclass(frozen=True)
class Look:
    """How one way of estimating is marked."""

    name: str
    color: str = palette.INK
    diamond: bool = False
    stroke: float = 2.2


LONG_RUN = Look("all months")


def month_look(name: str) -> Look:
    """The month under review, by its name."""
    return Look(name, palette.NOW, diamond=True, stroke=1.3)


@dataclass(frozen=True)
class Scale:
    """From a value to px; a value beyond its ends is drawn at them."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where the value stands, in px."""
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return self.start + max(0.0, min(1.0, share)) * (self.end - self.start)

    def ticks(self, *, few: bool = False) -> list[float]:
        """Round values from 0 to the end, an end that `top_of` gave."""
        step = tick_step(self.high, few)
        return [i * step for i in range(round(self.high / step) + 1)]


def picture(
    *parts: str, width: float, height: float, title: str, narrow: bool | None = None
) -> Markup:
    """The parts as one picture of that size; `title` says it to who cannot see it.

    `narrow`: for 390 px or for wider screens; None for both, being small.
    """
    from markupsafe import Markup

    shown = "small" if narrow is None else "narrow" if narrow else "wide"
    return Markup(
        svg.tag(
            "svg", svg.title(title), *parts, class_=f"picture {shown}",
            role="img", viewBox=f"0 0 {width:g} {height:g}", width=f"{width:g}",
            height=f"{height:g}", font_family=FONT, font_size=TEXT, fill=palette.INK,
        )
    )  # fmt: skip


def both(draw: Callable[[bool], Markup]) -> Markup:
    """The picture for a screen and that for 390 px; the style sheet shows one of them."""
    return draw(False) + draw(True)


def top_of(estimates: Sequence[Estimate], anchors: Sequence[Estimate]) -> float:
    """Where an axis from 0 ends, as `axis_top`; shares end at 1 at most."""
    chosen = ([(e.number, e.high, e.denominator) for e in own] for own in (estimates, anchors))
    top = axis_top(*chosen)
    return min(1.0, top) if any(e.unit is Unit.SHARE for e in estimates) else top


def firm(estimate: Estimate) -> bool:
    """Whether its mark is filled: enough behind it to lean on."""
    events = estimate.unit is not Unit.RATE or estimate.numerator >= EVENTS_LEAST
    return events and not estimate.few


def mark(x: float, y: float, look: Look, *, filled: bool, title: str = "", size: float = 4) -> str:
    """A circle or diamond about a point."""
    paint = {
        "fill": look.color if filled else palette.PAPER, "stroke": look.color, "stroke_width": 1.6,
    }  # fmt: skip
    inner = svg.title(title) if title else ""
    if not look.diamond:
        return svg.tag("circle", inner, cx=float(x), cy=float(y), r=size, **paint)
    path = f"M{x:.1f} {y - size - 0.6:.1f}l{size + 0.6:g} {size + 0.6:g}l{-size - 0.6:g}"
    path += f" {size + 0.6:g}l{-size - 0.6:g} {-size - 0.6:g}z"
    return svg.tag("path", inner, d=path, **paint)


def interval(estimate: Estimate, scale: Scale, y: float, look: Look) -> str:
    """Dot and interval of one estimate, along x; nothing where there is no number."""
    if estimate.number is None:
        return ""
    said = f"{look.name}: {estimate.with_counts}"
    low, high = estimate.low, estimate.high
    if low is None:  # one that few events do not give: the axis' beginning, or no interval at all
        low = estimate.number if high is None else scale.low
    if high is None:  # an upper bound that says nothing lies past every axis
        high = estimate.number if estimate.low is None else math.inf
    parts = []
    if high > low:
        parts.append(line((scale.at(low), y), (scale.at(high), y), look.color, look.stroke))
    if high > scale.high * (1 + 1e-9):
        parts.append(arrow(scale.end, y, look.color))
    if estimate.number <= scale.high * (1 + 1e-9):
        parts.append(mark(scale.at(estimate.number), y, look, filled=firm(estimate), title=said))
    return "".join(parts)


def arrow(x: float, y: float, color: str) -> str:
    """An arrow head that points right, where something runs on."""
    return svg.tag("path", d=f"M{x:.1f} {y - 4:.1f}l6 4l-6 4z", fill=color)


def line(
    start: tuple[float, float],
    end: tuple[float, float],
    color: str,
    width: float = 1,
    dash: str | None = None,
) -> str:
    """A straight line."""
    return svg.tag(
        "line", x1=float(start[0]), y1=float(start[1]), x2=float(end[0]), y2=float(end[1]),
        stroke=color, stroke_width=width, stroke_dasharray=dash,
    )  # fmt: skip


def tick_text(value: float, unit: Unit) -> str:
    """A value at an axis: a percentage of a share, else the number."""
    if unit is Unit.SHARE:
        return f"{value * 100:g}{words.NBSP}%"
    return f"{value:,g}"


def tick(x: float, y: float, value: str) -> str:
    """A value at an axis, its middle at x."""
    return svg.text(x, y, value, font_size=TICK, fill=palette.MUTED, text_anchor="middle")


def grid(scale: Scale, top: float, bottom: float, unit: Unit, *, few: bool) -> str:
    """Lines up from a value axis along x, and its ticks in words."""
    parts = []
    for value in scale.ticks(few=few):
        x = scale.at(value)
        parts.append(line((x, top), (x, bottom), palette.LINE))
        parts.append(tick(x, bottom + 14, tick_text(value, unit)))
    return "".join(parts)


def note(x: float, y: float, value: str, *, end: bool = False, color: str = palette.INK,
         bold: bool = False, size: int = TEXT) -> str:  # fmt: skip
    """A text beside a mark, from x on or up to it."""
    return svg.text(
        x, y, value, fill=color, font_size=size, text_anchor="end" if end else None,
        font_weight=650 if bold else None,
    )  # fmt: skip
