"""Outcomes of the twelve months against the twelve before: records and their drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.drawing import Look, month_look, top_of
from reports.charts.drawn_intervals import IntervalPlan, IntervalRow, interval_rows
from reports.text import words
from reports.text.estimates import Estimate, Ratio, ratio_of, year_estimate
from reports.text.plain_rows import Row, text
from reports.text.sentences import DAY_AFTER, WORSE
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures

NAMES = {WORSE: "worse by hand-over", DAY_AFTER: "worse a day later"}
BEFORE = Look("before", palette.MUTED, stroke=1.3)
WIDTH = 690


@dataclass(frozen=True)
class OutcomeRow:
    """One outcome, of the last twelve months and of those before; `ratio` with its bounds."""

    label: str
    whole: bool
    now: Estimate
    before: Estimate
    ratio: Ratio


@dataclass(frozen=True)
class Outcomes:
    """Every outcome worse than the start, its picture, and what it shows."""

    rows: tuple[OutcomeRow, ...]
    finding: str
    picture: Markup | str


def outcomes_data(figures: MeasureFigures, before: int) -> Outcomes:
    """By hand-over, then by a day later; each together, then by kind. `before`: months compared."""
    own = [r for r in figures.years.records() if text(r["measure"]) in NAMES]
    own.sort(key=lambda r: (text(r["measure"]), text(r["group_by"]) != "service"))
    found = tuple(_outcome(r) for r in own)
    return Outcomes(found, _finding(found, before), _picture(found, before) if found else "")


def _outcome(row: Row) -> OutcomeRow:
    measure, whole = text(row["measure"]), text(row["group_by"]) == "service"
    label = NAMES[measure] if whole else words.plain(text(row["group_value"]))
    now, before = (year_estimate(row, side, Unit.SHARE) for side in ("now", "before"))
    return OutcomeRow(words.capital(label) if whole else label, whole, now, before, ratio_of(row))


def _finding(rows: tuple[OutcomeRow, ...], before: int) -> str:
    """What the two years bear, from the outcomes taken together."""
    if not rows:
        return "no months before the last twelve to compare with"
    apart = []
    for row in rows:
        _, low, high = row.ratio
        if row.whole and low is not None and high is not None and (low > 1 or high < 1):
            apart.append(f"{row.label.lower()} {'more' if low > 1 else 'less'} often")
    return words.listed(apart) or f"no change told from the {words.many(before, 'month')} before"


def _picture(rows: tuple[OutcomeRow, ...], before: int) -> Markup:
    looks = (month_look("last twelve"), BEFORE)
    every = [e for r in rows for e in (r.now, r.before)]
    plan = IntervalPlan(
        looks, ("\u25c6 last 12", f"\u25cf {before} before"), Unit.SHARE, top_of(every, every),
        f"Outcomes worse than at the start, last twelve months and {before} before", width=WIDTH,
    )  # fmt: skip
    return interval_rows([IntervalRow(r.label, (r.now, r.before), r.whole) for r in rows], plan)
