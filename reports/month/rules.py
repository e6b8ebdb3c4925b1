"""The Month page's rules: one row a rule, how its trips fared, those that need a person first."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from reports.month.cases import done_with, rules_of
from reports.month.followup import Confirmed, confirmed_by_rule
from reports.text import sentences, words
from reports.text.measure_table import VARIANCE, MeasureTable
from reports.text.plain_rows import text
from schemas.record import dataclass
from schemas.units import severity_rank

if TYPE_CHECKING:
    from reports.text.estimates import Estimate
    from schemas.month_review import MonthReview

ORDER = ("deviation", "borderline", "cannot_tell", "authorised", "met")


@dataclass(frozen=True)
class RuleRow:
    """A rule's trips by verdict; `share` is of those judged, `confirmed` what readers found."""

    rule: str
    title: str
    severity: str
    counts: dict[str, int]
    applicable: int
    share: Estimate
    bounds: str
    cases: int
    confirmed: Confirmed | None


def rule_rows(review: MonthReview, table: MeasureTable) -> tuple[RuleRow, ...]:
    """Rules with trips to read first, by severity and how many: the order of reading cases."""
    done = done_with(review)
    in_cases = Counter(
        rule
        for case in review.cases.records()
        if text(case["trip_id"]) not in done
        for rule in rules_of(case)
    )
    confirmed = confirmed_by_rule(review)
    rows = []
    for found in review.rule_counts.records():
        rule = text(found["rule"])
        counts = {v: int(found[v] or 0) for v in (*ORDER, "not_applicable")}
        applicable = sum(counts[v] for v in ORDER)
        undecided = counts["borderline"] + counts["cannot_tell"]
        share = table.rows.get((VARIANCE, review.month, "rule", rule))
        rows.append(
            RuleRow(
                rule=rule,
                title=words.rule_title(rule),
                severity=text(found["severity"]),
                counts=counts,
                applicable=applicable,
                share=table.now(VARIANCE, "rule", rule),
                bounds=sentences.bounds_sentence(share, applicable) if undecided else "",
                cases=in_cases[rule],
                confirmed=confirmed.get(rule),
            )
        )
    return tuple(sorted(rows, key=_needs_a_person))


def _needs_a_person(row: RuleRow) -> tuple[bool, int, int, int, str]:
    n = row.counts
    asked = n["deviation"] + n["borderline"]
    return (asked == 0, severity_rank(row.severity), -asked, -n["cannot_tell"], row.rule)
