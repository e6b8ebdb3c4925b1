"""What the charts share: texts made safe, the rate axis, intervals, and the common layout."""

from __future__ import annotations

import html
import math
import statistics
from typing import TYPE_CHECKING, Any

from reports.charts import palette
from reports.text import words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.text.rates import RateCell

Figure = dict[str, Any]

FONT = 'system-ui, -apple-system, "Segoe UI", Roboto, "Helvetica Neue", Arial, sans-serif'
LABEL_MOST = 30
BEARS_ON_SCALE = 0.25
STRETCHES = 2.0
"""An interval that ends beyond so many times the median end is cut at the axis."""

AXIS_ENDS = {
    1.0: (2, 5),
    1.5: (3, 3),
    2.0: (2, 4),
    3.0: (3, 6),
    4.0: (2, 4),
    5.0: (2, 5),
    6.0: (3, 6),
    8.0: (2, 4),
}
"""Where an axis may end (times a power of 10): how many ticks, few and many."""


def chart_text(value: str, most: int = 200) -> str:
    """A text from data, cut, control characters spelled out, and its markup escaped.

    The chart library reads a little markup in every text it draws.
    """
    return html.escape(words.isolated(words.shortened(words.visible(value), most)), quote=False)


Weighed = tuple[float | None, float | None, float]
"""A figure for its axis: its number, its interval's upper end, the hours or trips behind it."""


def axis_top(figures: Sequence[Weighed], anchors: Sequence[Weighed]) -> float:
    """Where an axis from 0 ends: numbers and the anchors' intervals fit, long intervals are cut.

    Only figures with at least a quarter of the mean hours count, and of their intervals only those
    that end within STRETCHES times the median end, so that one event in half an hour or one very
    wide interval does not squeeze everything else; what lies beyond ends in an arrow head.
    """
    ends = [high for _, high, _ in _heavy(anchors) if high is not None]
    most = STRETCHES * statistics.median(ends) if ends else 0.0
    wanted = max(
        1.3 * max((number or 0.0 for number, _, _ in _heavy(figures)), default=0.0),
        1.05 * max((end for end in ends if end <= most), default=0.0),
    )
    longest = max((high or number or 0.0 for number, high, _ in (*figures, *anchors)), default=0.0)
    return nice_ceiling(min(wanted, longest) if wanted and longest else max(wanted, longest))


def rate_axis_top(cells: Sequence[RateCell], anchors: Sequence[RateCell]) -> float:
    """As `axis_top`; a rate without an upper bound counts as one that ends at 0."""
    chosen = (
        [(c.estimate, c.high or 0.0, c.hours or 0.0) for c in own] for own in (cells, anchors)
    )
    return axis_top(*chosen)


def _heavy(figures: Sequence[Weighed]) -> list[Weighed]:
    known = [f for f in figures if f[0] is not None]
    mean = sum(behind for _, _, behind in known) / max(len(known), 1)
    return [f for f in known if f[2] >= BEARS_ON_SCALE * mean]


def nice_ceiling(value: float) -> float:
    """The next round number at or above: one of AXIS_ENDS times a power of 10."""
    if value <= 0 or not math.isfinite(value):
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(e * power for e in (*AXIS_ENDS, 10.0) if e * power >= value * (1 - 1e-9))


def tick_step(top: float, few: bool) -> float:
    """The distance of ticks on an axis that ends at `top`, a result of nice_ceiling."""
    power = 10.0 ** math.floor(math.log10(top * (1 + 1e-9)))
    divisions = AXIS_ENDS.get(round(top / power, 1), (2, 4))
    return top / divisions[0 if few else 1]


def percent_format(step: float) -> str:
    """How ticks `step` apart are written as percent: with tenths where whole ones would lie."""
    percent = 100 * step
    return ",.0%" if abs(percent - round(percent)) < 1e-6 else ",.1%"


def layout(height: int, margin: dict[str, int], **more: Any) -> Figure:
    """What every chart has: its height in px, margins, fonts, no legend, no dragging."""
    font = {"family": FONT, "size": 13, "color": palette.INK}
    hover = {"bgcolor": palette.PAPER, "bordercolor": palette.MUTED, "font": font, "align": "left"}
    return {
        "height": height,
        "margin": {**margin, "pad": 0},
        "font": font,
        "paper_bgcolor": palette.PAPER,
        "plot_bgcolor": palette.PAPER,
        "showlegend": False,
        "hovermode": "closest",
        "dragmode": False,
        "hoverlabel": hover,
        **more,
    }


def axis(**more: Any) -> Figure:
    """An axis in the pages' look."""
    return {
        "fixedrange": True,
        "zeroline": False,
        "gridcolor": palette.LINE,
        "linecolor": palette.MUTED,
        "tickcolor": palette.MUTED,
        "tickfont": {"size": 12, "color": palette.MUTED},
        **more,
    }


def note(
    text: str,
    at: tuple[float, float],
    refs: tuple[str, str],
    color: str,
    size: int = 11,
    **more: Any,
) -> Figure:
    """Words at a place of what `refs` names: axes, their domains, the paper."""
    (x, y), (xref, yref) = at, refs
    font = {"size": size, "color": color}
    place = {"x": x, "y": y, "xref": xref, "yref": yref}
    return {"text": text, **place, "showarrow": False, "font": font, **more}
