"""The rules table's stacked bars: a row a rule, verdicts side by side, counts written on them."""

from __future__ import annotations

from typing import Any

from reports.charts import palette
from reports.text import words

ORDER = ("deviation", "borderline", "cannot_tell", "authorised", "met")
WIDTH = 360
CHAR = 7.4
PAD = 8.0


def stacked_bar(counts: dict[str, int]) -> list[dict[str, Any]]:
    """Segments from left to right: verdict, count, x and width in units of the bar's width.

    Widths are the verdict's share of the trips the rule asks about, but never narrower than the
    number written on them; what that takes is taken from the wider ones in proportion.
    """
    present = [(v, counts[v]) for v in ORDER if counts[v] > 0]
    widths = _widths([n for _, n in present], [_least(n) for _, n in present])
    segments, x = [], 0.0
    for (verdict, number), width in zip(present, widths, strict=True):
        segments.append(
            {
                "verdict": verdict,
                "count": f"{number:,}",
                "word": words.VERDICT_WORDS[verdict],
                "x": round(x, 2),
                "width": round(width, 2),
                "middle": round(x + width / 2, 2),
                "fill": palette.VERDICT_FILLS[verdict],
                "ink": palette.VERDICT_TEXT[verdict],
            }
        )
        x += width
    return segments


def _least(number: int) -> float:
    return CHAR * len(f"{number:,}") + PAD


def _widths(numbers: list[int], least: list[float]) -> list[float]:
    """Proportional widths with a floor for each; the floors are settled one after another."""
    floored: set[int] = set()
    while True:
        width_left = WIDTH - sum(least[i] for i in floored)
        rest = sum(n for i, n in enumerate(numbers) if i not in floored)
        widths = [
            least[i] if i in floored else width_left * n / rest for i, n in enumerate(numbers)
        ]
        short = {i for i, w in enumerate(widths) if i not in floored and w < least[i]}
        if not short:
            return widths
        floored |= short
