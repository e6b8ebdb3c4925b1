"""The Education page's data: records and sentences. No person is named, and nobody is ranked.

Nothing is proposed for retraining that no reader has put down to practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from reports.charts.rule_grid import Cell, RuleRow, apart_cells, rule_grid
from reports.charts.rule_rows import PRACTICE, practice_of, rule_rows
from reports.education.behind import (
    ApartTrips,
    Needed,
    Use,
    apart_data,
    needed_data,
    needed_picture,
    use_data,
    use_picture,
)
from reports.education.retraining import (
    DRAWN_MOST,
    Retraining,
    retraining_data,
    retraining_picture,
)
from reports.month.figures import sizes_picture
from reports.month.first_screen import SizeRates, size_rates
from reports.text import words
from reports.text.case_links import case_files
from reports.text.measure_table import RATE, RECORD, MeasureTable
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import Row, text
from reports.text.standing_signals import Worse, worse
from reports.text.verdict import Verdict, worse_words
from reports.text.verdict import verdict as month_verdict
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

NAMED_MOST = 2
SIGNALS_NAMED = 3
SIZES_WIDTH = 450
UNITS = {"flow": "L/min", "weight": "kg"}


@dataclass(frozen=True)
class Brief:
    """The page to print for a base."""

    base: str
    file: str


@dataclass(frozen=True)
class Grids:
    """Rules that readers put down to practice somewhere, and those that nobody has confirmed.

    `read` of `flags`: how many flags of the twelve months a reader has concluded on.
    """

    confirmed: tuple[RuleRow, ...]
    unread: tuple[RuleRow, ...]
    read: int
    flags: int
    practice: int
    confirmed_picture: Markup | str
    unread_picture: Markup | str


@dataclass(frozen=True)
class ToTeach:
    """A trip of the month to teach with, and why that one."""

    trip: str
    why: str


@dataclass(frozen=True)
class EducationPage(PageFrame):
    """Everything the Education page shows."""

    verdict: Verdict
    grids: Grids
    grid_finding: str
    retrained: tuple[Retraining, ...]
    retraining_finding: str
    retraining_picture: Markup | str
    apart: tuple[ApartTrips, ...]
    uses: dict[str, tuple[Use, ...]]
    use_pictures: dict[str, Markup | str]
    use_finding: str
    needed: tuple[Needed, ...]
    horizon: int
    needed_picture: Markup | str
    briefs: tuple[Brief, ...]
    to_teach: ToTeach | None
    sizes: SizeRates
    sizes_picture: Markup | str


def education_data(review: MonthReview, figures: MeasureFigures, site: Site) -> EducationPage:
    """Everything the Education page shows, ready for the template."""
    rows = tuple(row for row in rule_rows(review, figures) if row.rule)
    grids = grids_data(review, rows)
    retrained = retraining_data(figures)
    uses = use_data(review, figures)
    needed, horizon = needed_data(review, figures)
    sizes = size_rates(review, MeasureTable(review, (RATE,)))
    return EducationPage(
        **vars(page_frame(review, site, "education")),
        verdict=verdict(review, grids),
        grids=grids,
        grid_finding=grid_words(grids),
        retrained=retrained,
        retraining_finding=retraining_words(retrained),
        retraining_picture=retraining_picture(retrained[:DRAWN_MOST])
        if any(r.before.denominator or r.after.denominator for r in retrained[:DRAWN_MOST])
        else "",
        apart=apart_data(review, figures),
        uses=uses,
        use_pictures={q: use_picture(uses[q], UNITS[q]) if uses[q] else "" for q in UNITS},
        use_finding=use_words(uses),
        needed=needed,
        horizon=horizon,
        needed_picture=needed_picture(needed, horizon) if needed else "",
        briefs=tuple(Brief(base, brief_file(n)) for n, base in enumerate(bases_of(rows), 1)),
        to_teach=to_teach(review),
        sizes=sizes,
        sizes_picture=sizes_picture(sizes, width=SIZES_WIDTH) if sizes.whole.all.known else "",
    )


def bases_of(rows: Sequence[RuleRow]) -> list[str]:
    """Every base of the grid."""
    return [cell.base for cell in rows[0].cells if cell.base] if rows else []


def brief_file(number: int) -> str:
    """The file of a base's brief: numbered by the order of tokens, whatever they hold."""
    return f"brief-{number}.html"


def grids_data(review: MonthReview, rows: Sequence[RuleRow]) -> Grids:
    """The rules in two grids; those that stand apart first in each."""
    sums: dict[str, Row] = {}
    for (_, rule), counts in practice_of(review).items():
        own = sums.setdefault(rule, dict.fromkeys(counts, 0))
        for name, value in counts.items():
            own[name] += value
    confirmed: list[RuleRow] = []
    unread: list[RuleRow] = []
    for row in rows:
        own = sums.get(row.rule, dict.fromkeys(PRACTICE, 0))
        found = own["practice"] + own["missed"]
        if found:
            confirmed.append(replace(row, side=f"{found}/{own['reviewed'] + own['missed']}"))
        else:
            unread.append(replace(row, side=f"{own['reviewed']}/{own['flags']}"))
    for group in (confirmed, unread):
        group.sort(key=lambda r: (r.few, not any(c.apart and not c.better for c in r.cells)))
    return Grids(
        tuple(confirmed), tuple(unread),
        read=sum(own["reviewed"] for own in sums.values()),
        flags=sum(own["flags"] for own in sums.values()),
        practice=sum(own["practice"] for own in sums.values()),
        confirmed_picture=_grid(confirmed, "put down to practice by readers", "practice/read"),
        unread_picture=_grid(unread, "flags that no reader has confirmed", "read/flags"),
    )  # fmt: skip


def _grid(rows: Sequence[RuleRow], what: str, side: str) -> Markup | str:
    return rule_grid(rows, f"Rules by bases: {what}", side) if rows else ""


def named(grids: Grids) -> list[tuple[RuleRow, Cell]]:
    """What stands apart, was confirmed at that base, and was not retrained since."""
    return [(r, c) for r, c in apart_cells(grids.confirmed) if not c.unread and not c.acted]


def verdict(review: MonthReview, grids: Grids) -> Verdict:
    """What is worse, and what to retrain or to have read first."""
    if not review.received or not review.protocol:
        return month_verdict(review)
    care = [one for one in worse(review) if one.measure != RECORD]
    said = worse_words(care, review.month, min(len(care), SIGNALS_NAMED)) if care else ""
    return Verdict(said, _to_do(grids, care))


def _to_do(grids: Grids, care: Sequence[Worse]) -> str:
    """What to retrain, where readers confirmed it; else which flags to have read first."""
    first = named(grids)[:NAMED_MOST]
    if first:
        parts = [
            f"{r.label.lower()} at {c.base}, {c.practice} of {c.read} read are practice"
            for r, c in first
        ]
        return f"Retrain {words.listed(parts)}."
    if not grids.flags:
        return "No flag in twelve months."
    if not grids.read:
        worse_rules = {one.rule for one in care}
        row = next((r for r in grids.unread if r.rule in worse_rules), None)
        flags = f"{row.label.lower()}'s" if row else f"{grids.flags:,}"
        return f"Nothing to retrain yet: first have {flags} flags read."
    if grids.practice:
        return f"No base to retrain first: {grids.practice:,} of {grids.read:,} read are practice."
    return f"Nothing to retrain: {grids.read:,} of {grids.flags:,} flags read, none practice."


def grid_words(grids: Grids) -> str:
    """What stands apart, in a few words."""
    apart = [(r, c) for rows in (grids.confirmed, grids.unread) for r, c in apart_cells(rows)]
    if not apart:
        compared = any(bases_of(rows) for rows in (grids.confirmed, grids.unread))
        return "none stands apart" if compared else "fewer than two bases to compare"
    parts = [
        f"{r.label.lower()} at {c.base}{', unread' if c.unread else ''}"
        for r, c in apart[:NAMED_MOST]
    ]
    more = f" and {len(apart) - NAMED_MOST} more" if len(apart) > NAMED_MOST else ""
    return f"{'; '.join(parts)}{more}"


def use_words(uses: dict[str, tuple[Use, ...]]) -> str:
    """On how many trips flow or weight lay outside the cannula's range."""
    parts = [
        f"{sum(u.outside for u in rows):,} of {sum(u.trips for u in rows):,} outside its {quantity}"
        for quantity, rows in uses.items()
        if rows
    ]
    return ", ".join(parts) or "none is known"


def retraining_words(retrained: Sequence[Retraining]) -> str:
    """How they went, or how many went well."""
    if not retrained:
        return "no retraining of a base was delivered"
    if len(retrained) == 1:
        verdict = retrained[0].verdict
        return f"{verdict} since" if verdict in {"fewer", "more"} else verdict
    fewer = sum(r.verdict == "fewer" for r in retrained)
    return f"{fewer} of {len(retrained)} with fewer since"


def to_teach(review: MonthReview) -> ToTeach | None:
    """A trip put down to practice, else the first case with a variance; None where there is none.

    Only trips that have a page: their pictures are there.
    """
    pages = case_files(review)
    answers = review.followup.determinations.records() if review.followup is not None else []
    for row in answers:
        if text(row["conclusion"]) == "practice" and text(row["trip_id"]) in pages:
            return ToTeach(text(row["trip_id"]), words.rule_title(text(row["rule"])).lower())
    cases = sorted(review.cases.records(), key=lambda c: int(c["reading_order"]))
    for case in cases:
        if text(case["leading_rule"]) and text(case["trip_id"]) in pages:
            rule = words.rule_title(text(case["leading_rule"])).lower()
            return ToTeach(text(case["trip_id"]), f"{rule}, not read yet")
    return None
