"""Flow and cannula that do not fit each other or the child, from the frames there are."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from reports.charts.rate_data import RateTable
from reports.text import words
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

OUTSIDE = ("below range", "above range")
UNKNOWN_SIZE = "unknown"


def fit_data(review: MonthReview, rules: list[Row]) -> Row:
    """Hours outside the cannula's flow range, the rules about fit by base, and the month's cases.

    `columns`: what a variance of each of these rules says, by rule.
    """
    table = RateTable(review)
    columns = {facts.rule: facts.fit for facts in review.rules if facts.fit}
    return {
        "columns": columns,
        "rules": [r for r in rules if r["rule"] in columns],
        "hours": _hours(table),
        "finding": _finding(table),
        "cases": _cases(review, columns),
    }


def _hours(table: RateTable) -> list[Row]:
    """Ventilator hours below and above the range, of all months and of this one."""
    rows = []
    for share in OUTSIDE:
        whole = table.cell(table.to_month, "flow_share", share)
        now = table.cell(table.month, "flow_share", share)
        rows.append({"share": share, "all": whole, "month": now})
    return rows


def _finding(table: RateTable) -> str:
    service = table.cell(table.to_month, "service", "all")
    if not service["hours"]:
        return "No ventilator hours with a known cannula and flow: nothing is said of their fit."
    parts = []
    for row in _hours(table):
        cell = row["all"]
        trips = words.many(int(cell["trips"] or 0), "trip")
        parts.append(f"{words.hours(cell['hours'] or 0.0)}{words.NBSP}h {row['share']} ({trips})")
    return (
        f"Of {words.hours(service['hours'])} counted ventilator hours over all months, the flow"
        f" stood {words.listed(parts)}."
    )


def _cases(review: MonthReview, rules: Collection[str]) -> list[Row]:
    """The month's cases of each rule by cannula size; counts without a denominator."""
    labels = {text(c["id"]): text(c["label"]) for c in records(review.cannulas)}
    counts: dict[str, dict[str, int]] = {}
    for case in records(review.cases):
        named = {*text(case["rules"]).split(), text(case["leading_rule"])}
        size = text(case["cannula"]) or UNKNOWN_SIZE
        for rule in rules:
            if rule in named:
                own = counts.setdefault(size, dict.fromkeys(rules, 0))
                own[rule] += 1
    order = {size: i for i, size in enumerate(labels)}
    return [
        {"label": labels.get(size) or size, "counts": list(n.values())}
        for size, n in sorted(counts.items(), key=lambda e: (order.get(e[0], 99), e[0]))
    ]
