"""Every rule at every base over the last twelve months, as the grid draws it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from reports.charts.rule_grid import Cell, RuleRow
from reports.text import words
from reports.text.estimates import Estimate, estimate
from reports.text.plain_rows import Row, grouped, text
from schemas.units import Unit, severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview, RuleFacts

RATE, SHARE = "occlusion-rate", "deviation-share"
MONTHS = 12


def rule_rows(review: MonthReview, figures: MeasureFigures) -> tuple[RuleRow, ...]:
    """The occlusion rate and each rule at each base: by severity, those with too few trips last."""
    facts = {f.rule: f for f in review.rules}
    groups = grouped(figures.funnels.records(), lambda r: text(r["rule"]))
    if not groups:
        return _of_service(review, facts)
    bases = sorted({text(r["base"]) for rows in groups.values() for r in rows})
    retrained, practice = retrained_within(review, figures), practice_of(review)
    minimum = {f.id: f.minimum for f in figures.facts}
    years = _years(figures)
    found = []
    for rule, rows in groups.items():
        least = minimum.get(text(rows[0]["measure"]), 0.0)
        by_base = {text(r["base"]): r for r in rows}
        cells = tuple(
            _cell(
                base, by_base.get(base), least, _unit(rule),
                acted=(base, rule) in retrained, read=practice.get((base, rule), {}),
            )
            for base in bases
        )  # fmt: skip
        found.append(_rule_row(rule, facts.get(rule), cells, rows, years.get(rule), least))
    found.sort(key=lambda row: (row.few, _order(row.rule, facts), row.rule))
    return tuple(found)


def _of_service(review: MonthReview, facts: dict[str, RuleFacts]) -> tuple[RuleRow, ...]:
    """Where bases cannot be compared: each rule's share over all trips so far."""
    frame = review.measures
    own = frame.rows((frame["measure"] == SHARE) & (frame["month"] == f"to {review.month}"))
    rows = []
    for row in own.records():
        rule, share = text(row["group_value"]), estimate(row, Unit.SHARE)
        known = facts.get(rule)
        high = known is not None and known.severity == "high"
        cells = (Cell("", share),)
        goal = known.goal if known else None
        rows.append(RuleRow(rule, words.rule_title(rule), high, cells, share, goal))
    return tuple(sorted(rows, key=lambda r: (r.few, _order(r.rule, facts), r.rule)))


def _order(rule: str, facts: dict[str, RuleFacts]) -> int:
    """Rules by severity; the occlusion rate is first."""
    return severity_rank(facts[rule].severity if rule in facts else None) if rule else -1


def _unit(rule: str) -> Unit:
    return Unit.SHARE if rule else Unit.RATE


def _rule_row(  # noqa: PLR0917 - the parts of a row in their order
    rule: str,
    facts: RuleFacts | None,
    cells: tuple[Cell, ...],
    rows: list[Row],
    year: Row | None,
    least: float,
) -> RuleRow:
    top, below = (sum(words.some(r[k]) or 0.0 for r in rows) for k in ("numerator", "denominator"))
    low, high = (words.some(year[k]) if year else None for k in ("now_low", "now_high"))
    service = Estimate(
        words.some(rows[0]["target"]), low, high, top, below, _unit(rule), few=below < least
    )
    return RuleRow(
        rule=rule,
        label=words.rule_title(rule) if rule else f"Occlusions/100{words.NBSP}h",
        high=facts is not None and facts.severity == "high",
        cells=cells,
        service=service,
        goal=facts.goal if facts else None,
    )


def _cell(base: str, row: Row | None, least: float, unit: Unit, *, acted: bool, read: Row) -> Cell:
    if row is None:
        return Cell(base, Estimate(None, None, None, 0, 0, unit, few=True))
    number, low, high = (words.some(row[k]) for k in ("shrunk", "shrunk_low", "shrunk_high"))
    top, below = (words.some(row[k]) or 0.0 for k in ("numerator", "denominator"))
    few = below < least
    outside = 0 if few else int(row["outside"] or 0)
    share = Estimate(number, low, high, top, below, unit, few=few)
    missed = int(read.get("missed", 0))
    return Cell(
        base, share, apart=outside != 0, acted=acted, better=outside < 0,
        read=int(read.get("reviewed", 0)) + missed, practice=int(read.get("practice", 0)) + missed,
    )  # fmt: skip


def _years(figures: MeasureFigures) -> dict[str, Row]:
    """The twelve months of each rule over the service; of the occlusion rate under ''."""
    return {
        "" if text(r["measure"]) == RATE else text(r["group_value"]): r
        for r in figures.years.records()
        if (text(r["measure"]), text(r["group_by"])) in {(RATE, "service"), (SHARE, "rule")}
    }


def retrained_within(review: MonthReview, figures: MeasureFigures) -> dict[tuple[str, str], str]:
    """The latest month in which a base was retrained on a rule, of the months compared."""
    last = words.month_number(review.month)
    return {
        (text(r["base"]), text(r["rule"])): text(r["month"])
        for r in sorted(figures.before_after.records(), key=lambda r: text(r["month"]))
        if words.month_number(text(r["month"])) > last - MONTHS
    }


@lru_cache(maxsize=1)
def practice_of(review: MonthReview) -> dict[tuple[str, str], Row]:
    """By base and rule, over the months compared: flags, those read, put down to practice."""
    found: dict[tuple[str, str], Row] = {}
    if review.followup is None:
        return found
    first = words.month_number(review.month) - MONTHS
    for row in review.followup.practice_variances.records():
        if not first < words.month_number(text(row["month"])) <= first + MONTHS:
            continue
        key = (text(row["base"]), text(row["rule"]))
        own = found.setdefault(key, dict.fromkeys(PRACTICE, 0))
        for name in PRACTICE:
            own[name] += int(row[name] or 0)
    return found


PRACTICE = ("flags", "reviewed", "practice", "missed")
