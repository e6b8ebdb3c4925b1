"""What readers put down to practice: what retraining is for, before mere flags. No HTML."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from reports.charts.funnel_data import window_words
from reports.text import words
from reports.text.rows import Row, records, text
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

WINDOW_MONTHS = 12
NAMED_MOST = 3


def practice_data(review: MonthReview) -> Row:
    """Variances of the last twelve months put down to practice, by rule and base."""
    if review.followup is None:
        return {"present": False, "rows": [], "finding": ""}
    first = words.month_number(review.month) - WINDOW_MONTHS
    sums: dict[str, dict[str, Row]] = defaultdict(dict)
    for row in records(review.followup.practice_variances):
        if not first < words.month_number(text(row["month"])) <= first + WINDOW_MONTHS:
            continue
        own = sums[text(row["rule"])].setdefault(text(row["base"]), dict.fromkeys(COUNTS, 0))
        for name in COUNTS:
            own[name] += int(row[name] or 0)
    severity = {f.rule: f.severity for f in review.rules}
    rows = [_row(rule, bases, severity.get(rule, "")) for rule, bases in sums.items()]
    rows = [r for r in rows if r["reviewed"] or r["missed"]]
    rows.sort(key=lambda r: (-r["found"], severity_rank(r["severity"]), r["rule"]))
    flags = sum(c["flags"] for bases in sums.values() for c in bases.values())
    return {"present": True, "rows": rows, "finding": _finding(rows, flags, review)}


COUNTS = ("judged", "flags", "reviewed", "practice", "missed")


def _row(rule: str, bases: dict[str, Row], severity: str) -> Row:
    whole = {name: sum(b[name] for b in bases.values()) for name in COUNTS}
    return {
        **whole,
        "rule": rule,
        "label": words.rule_title(rule),
        "severity": severity,
        "found": whole["practice"] + whole["missed"],
        "unread": whole["flags"] - whole["reviewed"],
        "bases": [
            {"base": base, **counts}
            for base, counts in sorted(bases.items())
            if counts["practice"] or counts["missed"]
        ],
    }


def _finding(rows: list[Row], flags: int, review: MonthReview) -> str:
    window = window_words(review)
    read = sum(r["reviewed"] for r in rows)
    if not flags:
        return f"No variance was flagged in {window}."
    if not read:
        return (
            f"No reader has concluded on any of {words.many(flags, 'variance')} flagged in"
            f" {window}: all that follows counts flags, not confirmed variances."
        )
    practice = sum(r["practice"] for r in rows)
    sentence = (
        f"Of {words.many(flags, 'variance')} flagged in {window}, readers concluded on"
        f" {read:,} and put {practice:,} down to practice"
    )
    most = [r for r in rows if r["practice"]][:NAMED_MOST]
    if most:
        named = [f"{r['label'].lower()} ({r['practice']} of {r['reviewed']})" for r in most]
        sentence += f": {words.listed(named)}"
        more = sum(1 for r in rows if r["practice"]) - len(most)
        sentence += f", and {words.many(more, 'more rule')}" if more else ""
    unread = flags - read
    return f"{sentence}. {unread:,} not read yet." if unread else f"{sentence}."
