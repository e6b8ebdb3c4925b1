"""Before and after each retraining of a base: records, honest words, and the drawing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.drawing import (
    NARROW,
    TEXT,
    Look,
    Scale,
    both,
    grid,
    interval,
    line,
    month_look,
    note,
    picture,
    top_of,
)
from reports.text import words
from reports.text.estimates import Estimate, Ratio, estimate
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures

MONTH = re.compile(r"\b\d{4}-\d{2}\b")
HALVING, DOUBLING = 0.5, 2.0
WIDTH, ROW, STEP, COUNTS = 406, 52, 14, 60
DRAWN_MOST = 6
BEFORE, AFTER = Look("before", palette.MUTED), month_look("after")


@dataclass(frozen=True)
class Retraining:
    """A rule retrained at a base: its share before and after, and what their ratio bears."""

    base: str
    rule: str
    month: str
    before: Estimate
    after: Estimate
    ratio: Ratio
    verdict: str
    read: str
    window: str
    warning: str

    @property
    def label(self) -> str:
        """'cedar, wall oxygen time, Oct 2025'."""
        return f"{self.base}, {self.rule.lower()}, {words.month_name(self.month)}"

    @property
    def ratio_words(self) -> str:
        """'ratio 0.31 (0.04-1.12)'; empty where too few to say."""
        value, low, high = self.ratio
        if value is None or low is None:
            return ""
        end = "" if high is None else f"{words.DASH}{high:.2f}"
        return f"ratio {value:.2f} ({low:.2f}{end or ' or more'})"


def retraining_data(figures: MeasureFigures) -> tuple[Retraining, ...]:
    """One a retraining of a base, the latest first."""
    found = [_retraining(r) for r in figures.before_after.records()]
    found.sort(key=lambda r: (r.base, r.rule))
    return tuple(sorted(found, key=lambda r: r.month, reverse=True))


def _retraining(row: Row) -> Retraining:
    ratio, low, high = (words.some(row[k]) for k in ("ratio", "low", "high"))
    too_few = bool(row["too_few"]) or ratio is None or low is None
    sides = [_side(row, side) for side in ("before", "after")]
    return Retraining(
        base=text(row["base"]),
        rule=words.rule_title(text(row["rule"])),
        month=text(row["month"]),
        before=sides[0],
        after=sides[1],
        ratio=(None, None, None) if too_few else (ratio, low, high),
        verdict="too few to say" if too_few or low is None else verdict_words(low, high),
        read=_read_words(row),
        window=MONTH.sub(lambda m: words.month_name(m[0]), text(row["window"])),
        warning=text(row["warning"]),
    )


def _side(row: Row, side: str) -> Estimate:
    trips, events = (words.some(row[f"{side}_{k}"]) or 0.0 for k in ("trips", "events"))
    share = {
        "estimate": events / trips if trips else None, "low": row[f"{side}_low"],
        "high": row[f"{side}_high"], "numerator": events, "denominator": trips,
    }  # fmt: skip
    return estimate(share, Unit.SHARE)


def verdict_words(low: float, high: float | None) -> str:
    """What the ratio's interval bears; a halving or doubling not ruled out stays open."""
    if high is not None and high < 1:
        return "fewer"
    if low > 1:
        return "more"
    open_to = [
        name
        for name, inside in (
            ("halving", low >= HALVING), ("doubling", high is not None and high <= DOUBLING)
        )
        if not inside
    ]  # fmt: skip
    if open_to:
        return f"not sure: {' or '.join(open_to)} not ruled out"
    return "no change shown"


def _read_words(row: Row) -> str:
    """What readers made of the flags on either side; empty where none was concluded on."""
    read = {side: int(row[f"{side}_read"] or 0) for side in ("before", "after")}
    if not sum(read.values()):
        return ""
    counts = [f"{int(row[f'{s}_practice'] or 0)} of {n} read {s}" for s, n in read.items()]
    return f"put down to practice: {', '.join(counts)}"


def retraining_picture(rows: Sequence[Retraining]) -> Markup:
    """Each retraining's share before and after, all on one scale, its words above them."""
    every = [e for r in rows for e in (r.before, r.after)]
    top = top_of(every, every)

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else WIDTH
        scale = Scale(0, top, 12, wide - COUNTS)
        bottom = ROW * len(rows)
        parts = [grid(scale, 20, bottom, Unit.SHARE, few=True)]
        for i, row in enumerate(rows):
            y = ROW * i
            parts += [
                line((0, y), (wide, y), palette.LINE) if i else "",
                note(0, y + 14, svg.cut(row.label, wide, TEXT)),
                *_dots(row, scale, wide, y + 26),
            ]
        said = "; ".join(f"{r.label}: {r.verdict}" for r in rows)
        return picture(*parts, width=wide, height=bottom + 18, title=said, narrow=narrow)

    return both(draw)


def _dots(row: Retraining, scale: Scale, wide: float, y: float) -> list[str]:
    parts = []
    for k, (look, share) in enumerate(((BEFORE, row.before), (AFTER, row.after))):
        at = y + STEP * k
        parts.append(interval(share, scale, at, look))
        parts.append(note(wide, at + 4, share.cell, end=True, color=look.color, bold=k == 1))
    return parts
