"""Which rules cry wolf and which miss: what readers made of the flags; records and drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.drawing import Look
from reports.charts.drawn_intervals import IntervalPlan, IntervalRow, interval_rows
from reports.director.audit import audit_data
from reports.text import words
from reports.text.estimates import Estimate, estimate
from reports.text.plain_rows import Row, text
from schemas.findings import HAPPENED, NOT_CONFIRMED
from schemas.record import dataclass
from schemas.units import Unit, severity_rank

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MonthReview

LEAST_READ = 10
"""With fewer flags read a rule is not said to cry wolf; assumed."""
CRIES_WOLF = 0.5
"""A rule whose interval lies wholly below this is said to be more often wrong than right."""
CAUSES = (*HAPPENED, *NOT_CONFIRMED)
CONFIRMED = Look("confirmed of read")


@dataclass(frozen=True)
class ScreenRow:
    """A rule's flags of all months: read, confirmed, by cause; and what the rule missed."""

    rule: str
    label: str
    flags: int
    read: int
    share: Estimate
    by_cause: tuple[int, ...]
    missed: int
    outdated: int

    @property
    def wolf(self) -> bool:
        """Whether it is more often wrong than right, with enough read to say so."""
        return self.read >= LEAST_READ and (self.share.high or 1.0) < CRIES_WOLF


@dataclass(frozen=True)
class ScreenData:
    """Every rule with flags or misses; `audited`: what reading at random found, in a sentence."""

    rows: tuple[ScreenRow, ...]
    said: str
    audited: str
    picture: Markup | str


def screen_data(review: MonthReview) -> ScreenData | None:
    """Flags read and confirmed of each rule over all months; None without a follow-up."""
    followup = review.followup
    if followup is None:
        return None
    rank = {f.rule: severity_rank(f.severity) for f in review.rules}
    frame = followup.screen_quality
    chosen = frame.rows(
        (frame["month"] == f"to {review.month}") & (frame["verdict"] == "deviation")
    )
    rows = [_row(r) for r in chosen.records()]
    rows.sort(key=lambda r: (rank.get(r.rule, 9), r.rule))
    known = tuple(r for r in rows if r.flags or r.missed)
    audit = audit_data(followup, review)
    drawn = [r for r in known if r.share.known]
    return ScreenData(
        known, _said(known), audit.all or audit.month, _picture(drawn) if drawn else ""
    )


def _row(row: Row) -> ScreenRow:
    rule = text(row["rule"])
    share = estimate(
        row, Unit.SHARE, estimate="confirmed_share", numerator="confirmed", denominator="reviewed"
    )
    return ScreenRow(
        rule, words.rule_title(rule), int(row["flags"] or 0), int(row["reviewed"] or 0), share,
        tuple(int(row[cause] or 0) for cause in CAUSES), int(row["missed"] or 0),
        int(row["outdated"] or 0),
    )  # fmt: skip


def _said(rows: tuple[ScreenRow, ...]) -> str:
    flags, read = sum(r.flags for r in rows), sum(r.read for r in rows)
    wolf = [r.label.lower() for r in rows if r.wolf]
    sentence = f"{read:,} of {words.many(flags, 'flag')} read"
    return f"{sentence}; more often wrong than right: {words.listed(wolf)}" if wolf else sentence


def _picture(rows: list[ScreenRow]) -> Markup:
    plan = IntervalPlan(
        (CONFIRMED,), ("confirmed/read",), Unit.SHARE, 1.0,
        "Confirmed, of each rule's flags that a reader concluded on", line=CRIES_WOLF, width=690,
    )  # fmt: skip
    return interval_rows([IntervalRow(r.label, (r.share,)) for r in rows], plan)
