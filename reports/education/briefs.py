"""Each base's page to print: its rules against all bases, what readers found, its retrainings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.drawing import Look, top_of
from reports.charts.drawn_intervals import IntervalPlan, IntervalRow, interval_rows
from reports.charts.rule_grid import Cell, RuleRow
from reports.charts.rule_rows import rule_rows
from reports.education.data import bases_of, brief_file
from reports.education.retraining import Retraining, retraining_data
from reports.text import words
from reports.text.navigation import PageFrame, Site, page_frame
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

ROWS_MOST = 12
OWN = Look("this base, drawn towards all")


@dataclass(frozen=True)
class BriefRow:
    """A rule at all bases, and at this one."""

    rule: RuleRow
    cell: Cell


@dataclass(frozen=True)
class BriefData:
    """One base's page; `clean` and `few` are rules without a variance, or with too few trips."""

    base: str
    finding: str
    rows: tuple[BriefRow, ...]
    more: int
    clean: tuple[str, ...]
    few: tuple[str, ...]
    picture: Markup | str
    retrained: tuple[Retraining, ...]
    cases: int


@dataclass(frozen=True)
class BriefPage(PageFrame):
    """One base's page within its frame."""

    brief: BriefData


def briefs_data(
    review: MonthReview, figures: MeasureFigures, site: Site
) -> list[tuple[str, BriefPage]]:
    """(file, page data) of each base's brief, in the order of tokens."""
    rows = tuple(row for row in rule_rows(review, figures) if row.rule)
    retrained = retraining_data(figures)
    frame = vars(page_frame(review, site, "brief"))
    return [
        (brief_file(n), BriefPage(**frame, brief=_brief(review, base, rows, retrained)))
        for n, base in enumerate(bases_of(rows), 1)
    ]


def _brief(
    review: MonthReview, base: str, rows: tuple[RuleRow, ...], retrained: tuple[Retraining, ...]
) -> BriefData:
    own = [BriefRow(row, next(c for c in row.cells if c.base == base)) for row in rows]
    found = [b for b in own if not b.cell.share.few and b.cell.share.numerator]
    found.sort(key=lambda b: (not _worse(b), not b.cell.practice))
    return BriefData(
        base=base,
        finding=_finding(found),
        rows=tuple(found[:ROWS_MOST]),
        more=len(found[ROWS_MOST:]),
        clean=tuple(
            b.rule.label for b in own if not b.cell.share.few and not b.cell.share.numerator
        ),
        few=tuple(f"{b.rule.label.lower()} ({b.cell.share.cell})" for b in own if b.cell.share.few),
        picture=_picture(found[:ROWS_MOST]) if found else "",
        retrained=tuple(r for r in retrained if r.base == base),
        cases=_cases(review, base),
    )


def _cases(review: MonthReview, base: str) -> int:
    """Cases of the base that are read by themselves."""
    read = review.cases.rows(review.cases["kind"] != "batch")
    return int((read["base"] == base).sum()) if len(read) else 0


def _worse(brief: BriefRow) -> bool:
    return brief.cell.apart and not brief.cell.better


def _finding(rows: list[BriefRow]) -> str:
    """What a base's page leads with: what stands apart, first what readers confirmed."""
    apart = [b for b in rows if _worse(b)]
    sure = [b for b in apart if not b.cell.unread and not b.cell.acted]
    if sure:
        named = [f"{b.rule.label.lower()}, {b.cell.share.of} trips" for b in sure]
        return f"Train first: {words.listed(named)}."
    if apart:
        named = [
            f"{b.rule.label.lower()}, {b.cell.share.of} trips"
            f" ({'retrained since' if b.cell.acted else 'not read yet'})"
            for b in apart
        ]
        return f"Stands apart: {words.listed(named)}."
    return "Nothing here stands apart from the other bases: train what all bases train."


def _picture(rows: list[BriefRow]) -> Markup:
    """The base's share of each rule, and all bases' beside it as counts."""
    shares = [b.cell.share for b in rows]
    plan = IntervalPlan(
        (OWN,), ("at variance",), Unit.SHARE, top_of(shares, shares),
        "This base's rules, each drawn towards all bases", width=690,
    )  # fmt: skip
    return interval_rows([IntervalRow(b.rule.label, (b.cell.share,)) for b in rows], plan)
