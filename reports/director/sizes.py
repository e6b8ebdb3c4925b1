"""Occlusion rate by cannula size over all months, crude and adjusted: records and their drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.drawing import LONG_RUN, Look, top_of
from reports.charts.drawn_intervals import IntervalPlan, IntervalRow, interval_rows
from reports.text import words
from reports.text.estimates import Estimate, Ratio, estimate, rate_bound, ratio_of
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

ADJUSTED = Look("adjusted", palette.HISTORY, diamond=True, stroke=1.4)


@dataclass(frozen=True)
class SizeCompared:
    """A size; `adjusted` is None where it could not be, with the `reason`. Ratios to the reference.

    `naive`: the bounds if events were independent; `dispersion`: how much they are not.
    """

    id: str
    label: str
    crude: Estimate
    adjusted: Estimate | None
    with_event: int
    naive: tuple[float | None, float | None]
    dispersion: float | None
    ratio: Ratio
    adjusted_ratio: Ratio
    reason: str


@dataclass(frozen=True)
class SizesCompared:
    """All sizes, what they are compared with, and what the adjusted ratios bear."""

    rows: tuple[SizeCompared, ...]
    reference: str
    method: str
    said: str
    picture: Markup | str


def sizes_compared(review: MonthReview, figures: MeasureFigures) -> SizesCompared:
    """Every size with ventilator hours, in the order of the catalogue."""
    frame = figures.sizes.records()
    labels = {text(c["id"]): text(c["label"]) for c in review.cannulas.records()}
    order = {key: i for i, key in enumerate(labels)}
    frame.sort(key=lambda r: (order.get(text(r["cannula"]), 99), text(r["cannula"])))
    rows = tuple(_size(r, labels) for r in frame if words.some(r["hours"]))
    reference = text(frame[0]["reference"]) if frame else ""
    named = labels.get(reference) or reference
    return SizesCompared(
        rows, named, text(frame[0]["method"]) if frame else "", _said(rows, named, reference),
        _picture(rows) if rows else "",
    )  # fmt: skip


def _size(row: Row, labels: dict[str, str]) -> SizeCompared:
    key = text(row["cannula"])
    crude = estimate(
        row, Unit.RATE, estimate="crude", low="crude_low", high="crude_high", numerator="events",
        denominator="hours",
    )  # fmt: skip
    return SizeCompared(
        key, labels.get(key) or key, crude, _adjusted(row), int(row["trips_with_event"] or 0),
        (words.some(row["naive_low"]), rate_bound(words.some(row["naive_high"]))),
        words.some(row["dispersion"]), ratio_of(row), ratio_of(row, "adjusted_ratio"),
        text(row["reason"]),
    )  # fmt: skip


def _adjusted(row: Row) -> Estimate | None:
    found = estimate(
        row, Unit.RATE, estimate="adjusted", low="adjusted_low", high="adjusted_high",
        numerator="events", denominator="hours",
    )  # fmt: skip
    return None if None in (found.number, found.low, found.high) else found


def _said(rows: tuple[SizeCompared, ...], named: str, reference: str) -> str:
    """Which sizes' adjusted ratios keep clear of 1."""
    compared = [r for r in rows if r.id != reference and r.adjusted_ratio[1] is not None]
    if not compared:
        return "too few events to compare sizes"
    often = [r.label for r in compared if (r.adjusted_ratio[1] or 0) > 1]
    seldom = [r.label for r in compared if (r.adjusted_ratio[2] or 1) < 1]
    parts = [f"{words.listed(often)} more often"] if often else []
    parts += [f"{words.listed(seldom)} less often"] if seldom else []
    if not parts:
        return f"adjusted, none of {len(compared)} surely differs from {named}"
    return f"adjusted, {' and '.join(parts)} than {named}"


def _picture(rows: tuple[SizeCompared, ...]) -> Markup:
    every = [e for r in rows for e in (r.crude, r.adjusted) if e is not None]
    plan = IntervalPlan(
        (LONG_RUN, ADJUSTED), ("events / h", ""), Unit.RATE, top_of(every, every),
        "Occlusion rate by cannula size over all months, crude and adjusted", width=690,
    )  # fmt: skip
    drawn = [IntervalRow(r.label, (r.crude, r.adjusted)) for r in rows]
    return interval_rows(drawn, plan)
