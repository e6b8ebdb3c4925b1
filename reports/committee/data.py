"""The committee's pack as page data: no trip and no crew, two sheets of paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.month.data import MonthPage, month_data
from reports.month.figures import MonthPictures, month_pictures
from reports.month.restated import restated_rows
from reports.text import words
from reports.text.estimates import Estimate, estimate
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import Row, text
from reports.text.signal_lines import lead_lines
from reports.year.data import YearAction, YearData, year_data
from reports.year.picture import year_picture
from schemas.findings import HAPPENED, NOT_CONFIRMED
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

RULES_MOST, ACTIONS_MOST = 12, 5


@dataclass(frozen=True)
class Confirmed:
    """What readers concluded on a rule's variances of the month; `share`: confirmed of read."""

    rule: str
    flags: int
    share: Estimate
    concluded: str
    missed: int


@dataclass(frozen=True)
class CommitteePage(PageFrame):
    """Everything the committee's pack shows; holds no token of a trip, crew member or reviewer.

    `opening` and `pictures` are the Month page's first screen.
    """

    opening: MonthPage
    pictures: MonthPictures
    signals: tuple[str, ...]
    confirmed: tuple[Confirmed, ...]
    confirmed_said: str
    actions: tuple[YearAction, ...]
    year: YearData
    year_picture: Markup | str
    restated_said: str


def committee_data(review: MonthReview, figures: MeasureFigures) -> CommitteePage:
    """The pack of a month."""
    opening = month_data(review, Site())
    confirmed = confirmed_rows(review)
    year = year_data(review, figures)
    drawn = [f for f in year.figures if f.group != "cannula" or f.moved]
    return CommitteePage(
        **vars(page_frame(review, Site(), "committee")),
        opening=opening,
        pictures=month_pictures(opening),
        signals=tuple(lead_lines(review)),
        confirmed=confirmed[:RULES_MOST],
        confirmed_said=confirmed_words(confirmed),
        actions=tuple(a for a in year.actions if a.state != "closed")[:ACTIONS_MOST],
        year=year,
        year_picture=year_picture(drawn, year.before.months) if drawn else "",
        restated_said=restated_words(review),
    )


def confirmed_rows(review: MonthReview) -> tuple[Confirmed, ...]:
    """Every rule with a flag or a variance that only readers found, the most confirmed first."""
    if review.followup is None:
        return ()
    frame = review.followup.screen_quality
    own = frame.rows((frame["month"] == review.month) & (frame["verdict"] == "deviation"))
    rows = [_confirmed(r) for r in own.records() if r["flags"] or r["missed"]]
    return tuple(sorted(rows, key=lambda r: (-r.share.numerator, -r.flags, r.rule)))


def _confirmed(row: Row) -> Confirmed:
    share = estimate(
        row, Unit.SHARE, estimate="confirmed_share", numerator="confirmed", denominator="reviewed"
    )
    parts = [f"{words.plain(c)} {int(row[c])}" for c in (*HAPPENED, *NOT_CONFIRMED) if row[c]]
    return Confirmed(
        words.rule_title(text(row["rule"])), int(row["flags"] or 0), share,
        ", ".join(parts) or words.DASH, int(row["missed"] or 0),
    )  # fmt: skip


def confirmed_words(rows: tuple[Confirmed, ...]) -> str:
    """'18 of 30 flags read, 12 confirmed; 2 found by readers only'."""
    flags, missed = sum(r.flags for r in rows), sum(r.missed for r in rows)
    read, held = (
        int(sum(getattr(r.share, name) for r in rows)) for name in ("denominator", "numerator")
    )
    if not flags and not missed:
        return "no variance was flagged"
    sentence = f"{read:,} of {words.many(flags, 'flag')} read, {held:,} confirmed"
    return f"{sentence}; {missed:,} found by readers only" if missed else sentence


def restated_words(review: MonthReview) -> str:
    """How many published figures have changed since, of which months."""
    rows = restated_rows(review)
    if not rows:
        return "no published figure has changed since"
    months = [words.month_name(m) for m in sorted({r.month for r in rows})]
    return f"{words.many(len(rows), 'published figure')} of {words.listed(months)} changed since"
