"""Each rule's variance share over the whole service, where bases cannot be told apart or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.funnel_data import SHARE
from reports.text import words
from reports.text.rows import Row, records, text
from reports.text.sentences import share_sentence
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MonthReview, RuleFacts

NAMED_MOST = 3


def service_rules(review: MonthReview) -> list[Row]:
    """Each rule's share over all months and in this one: by severity, then by the rule's name."""
    facts = {f.rule: f for f in review.rules}
    frame = review.measures
    rows = records(frame[(frame["measure"] == SHARE) & (frame["group_by"] == "rule")])
    by_key = {(text(r["group_value"]), text(r["month"])): r for r in rows}
    names = sorted({rule for rule, _ in by_key}, key=lambda n: (_order(facts.get(n)), n))
    return [
        {
            "rule": name,
            "label": words.rule_title(name),
            "severity": facts[name].severity if name in facts else "",
            "whole": (whole := by_key.get((name, f"to {review.month}"))),
            "all": share_sentence(whole),
            "month": share_sentence(by_key.get((name, review.month))),
        }
        for name in names
    ]


def _order(facts: RuleFacts | None) -> int:
    return severity_rank(facts.severity) if facts else 3


def whole_text(funnel: Row, found: Row | None) -> str:
    """All bases together, with the interval of the whole service; both where they are not alike.

    Bases are compared over at most twelve months, the service's share is that of all months.
    """
    below, top = int(funnel["denominator"]), funnel["numerator"]
    whole = found["whole"] if found else None
    if whole and (whole["numerator"], whole["denominator"]) == (top, funnel["denominator"]):
        return share_sentence(whole)
    sentence = f"{words.whole(top)} of {words.many(below, 'trip')}"
    sentence += f" ({funnel['target_text']})" if top else ""
    return f"{sentence}; over all months {share_sentence(whole)}" if whole else sentence


def often_rules(shares: list[Row]) -> list[Row]:
    """High-severity rules with any variance, those most surely often at variance first."""
    often = [
        s for s in shares
        if s["severity"] == "high" and s["whole"] and s["whole"]["numerator"]
        and words.some(s["whole"]["low"]) is not None
    ]  # fmt: skip
    return sorted(often, key=lambda s: (-s["whole"]["low"], s["rule"]))


def often_sentence(shares: list[Row], rules: list[Row]) -> str:
    """The high-severity rules most often at variance over the whole service; empty where none.

    By the lower end of the interval: `shares` of `service_rules`, `rules` compared by base.
    """
    often = often_rules(shares)
    if not often:
        return ""
    compared = {r["rule"]: r for r in rules}
    notes = [_by_base(compared.get(s["rule"])) for s in often[:NAMED_MOST]]
    same = notes[0] if len(set(notes)) == 1 else ""
    named = [
        _often(s, "" if same else note) for s, note in zip(often[:NAMED_MOST], notes, strict=True)
    ]
    once = f": {same}" if same else ""
    which, them = ("rules", "are") if len(named) > 1 else ("rule", "is")
    topics = "Topics" if len(named) > 1 else "A topic"
    return (
        f"Across the whole service, over all months, the high-severity {which} most often at"
        f" variance {them} {words.listed(named)}{once}. {topics} for all bases, once readers have"
        " confirmed the flags."
    )


def _by_base(compared: Row | None) -> str:
    """What comparing the bases says of a rule; empty where they were not compared."""
    if compared is None:
        return ""
    if not compared["enough"]:
        return "too few to compare bases"
    if compared["standing_apart"]:
        return (
            f"{words.listed([words.isolated(b['base']) for b in compared['standing_apart']])} apart"
        )
    return "no base apart"


def _often(share: Row, note: str) -> str:
    """'escalation call (5 of 12 trips, 95 % 19–68 %; too few to compare bases)'."""
    whole = share["whole"]
    of = f"{words.whole(whole['numerator'])} of {words.many(int(whole['denominator']), 'trip')}"
    span = f"95{words.NBSP}% {words.percent_range(whole['low'], whole['high'])}"
    return f"{share['label'].lower()} ({of}, {span}{f'; {note}' if note else ''})"
