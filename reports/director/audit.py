"""The random audit in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.plain_rows import Row, text
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.followup_outputs import FollowUpReview
    from schemas.month_review import MonthReview


@dataclass(frozen=True)
class Audit:
    """What the random audit found, this month and in all months so far, in sentences."""

    month: str = ""
    all: str = ""


def audit_data(followup: FollowUpReview, review: MonthReview) -> Audit:
    """The random audit of this month and of all months so far, in sentences."""
    found = {text(r["month"]): r for r in followup.audit_results.records()}
    here, whole = found.get(review.month), found.get(f"to {review.month}")
    return Audit(_audited(here), _audited(whole) if whole and len(found) > 2 else "")


TOO_FEW = "too few read for a rate"


def _rate_of(row: Row) -> str:
    if words.some(row["miss_rate"]) is None:
        return TOO_FEW if row["read"] else "none read yet"
    share, low, high = (words.some(row[k]) for k in ("miss_rate", "low", "high"))
    return f"{words.percent(share)} ({words.percent_range(low, high)}; {text(row['method'])})"


def _audited(row: Row | None) -> str:
    if not row or not row["drawn"]:
        return ""
    read, missed = int(row["read"] or 0), int(row["missed"] or 0)
    sentence = (
        f"{words.many(int(row['drawn']), 'trip')} of"
        f" {int(row['unflagged'] or 0):,} not listed for another reason were drawn at random,"
        f" {read:,} read"
    )
    if not read:
        return f"{sentence}: nothing is known yet of what the rules miss."
    sentence += f", {missed:,} with a variance that no rule flagged"
    if words.some(row["miss_rate"]) is None:
        return f"{sentence}: {TOO_FEW}."
    return f"{sentence}: miss rate {_rate_of(row)}."
