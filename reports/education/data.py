"""The Education page's data and each base's brief: numbers and sentences. No HTML, no figures.

Bases are compared by their shrunk share: a base with few trips is drawn towards all bases, so
that what is left standing out can be believed. No person is named, and nobody is ranked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.charts.funnel_data import SHARE, funnels, window_words
from reports.charts.signal_summary import power_data
from reports.education.cannula_fit import fit_data
from reports.education.practice import practice_data
from reports.education.retraining import retraining_data
from reports.education.service_shares import (
    often_sentence,
    service_rules,
    whole_text,
)
from reports.text import words
from reports.text.navigation import Site, common_data
from reports.text.rows import Row

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview

BELIEVED_LEAST = 0.02
"""A shrunk share whose lower bound is below 1 in 50 trips is not put forward; assumed."""
FIRST_MOST = 6
BRIEF_FIRST = 3
BRIEF_ROWS = 6


def education_data(review: MonthReview, figures: MeasureFigures, site: Site) -> dict[str, Any]:
    """Everything the Education page shows, ready for figures and the template."""
    rules = rules_by_base(review, figures)
    retrained = retraining_data(figures)
    shares = service_rules(review)
    practice, asked = practice_data(review), answer(rules, retrained, shares)
    by_rule = {s["rule"]: s for s in shares}
    return {
        **common_data(review, site, "education"),
        "window": window_words(review),
        "rules": [{**r, "whole": whole_text(r, by_rule.get(r["rule"]))} for r in rules],
        "in_figure": [r for r in rules if r["enough"] and r["numerator"]],
        "first": first_rows(rules),
        "practice": practice,
        "answer": [s for s in (practice["finding"], *asked) if s],
        "bases_finding": bases_sentence(rules),
        "few": few_sentence(rules),
        "service_rules": [] if rules else shares,
        "minimum": f"{next((f.minimum for f in figures.facts if f.id == SHARE), 0):g}",
        "fit": fit_data(review, rules),
        "retraining": retrained,
        "power": power_data(review, figures),
        "briefs": [
            {"base": base, "file": brief_file(n)} for n, base in enumerate(bases_of(rules), 1)
        ],
    }


def brief_file(number: int) -> str:
    """The file of a base's brief: numbered by the order of tokens, whatever they hold."""
    return f"brief-{number}.html"


def bases_of(rules: list[Row]) -> list[str]:
    """Every base of the rules' funnels, by its token."""
    return sorted({b["base"] for r in rules for b in r["bases"]})


def rules_by_base(review: MonthReview, figures: MeasureFigures) -> list[Row]:
    """One row a rule: by severity, then by how much of the most telling base is believable."""
    asks = {f.rule: f.asks or f.question for f in review.rules}
    found = []
    for funnel in funnels(review, figures):
        if funnel["measure"] != SHARE:
            continue
        enough = [b for b in funnel["bases"] if not b["few"]]
        standing_apart = [] if funnel["pooled"] else [b for b in enough if _stands_apart(b)]
        standing_apart.sort(key=lambda b: (-(b["shrunk_low"] or 0.0), b["base"]))
        found.append(
            {
                **funnel,
                "asks": asks.get(funnel["rule"], ""),
                "enough": enough,
                "few": [b for b in funnel["bases"] if b["few"]],
                "standing_apart": standing_apart,
                "believed": max((b["shrunk_low"] or 0.0 for b in enough), default=0.0),
                "where": where_words(funnel, enough, standing_apart),
            }
        )
    return sorted(found, key=lambda r: (r["order"], -r["believed"], r["rule"]))


def _stands_apart(base: Row) -> bool:
    """Whether the bases differ, and this one's interval lies wholly above the share of all."""
    return bool(base["outside"] > 0)


def where_words(rule: Row, enough: list[Row], standing_apart: list[Row]) -> str:
    """Where to retrain a rule, with what stands behind it."""
    if not rule["numerator"]:
        return f"no variance in {words.many(int(rule['denominator']), 'trip')}"
    if not enough:
        return f"too few to say at any base ({words.many(int(rule['denominator']), 'trip')} in all)"
    if standing_apart:
        return "; ".join(base_words(b) for b in standing_apart)
    if rule["pooled"]:
        return "nowhere in particular: the bases differ no more than chance would have it"
    return "nowhere in particular: no base's interval lies clear of all bases together"


def base_words(base: Row) -> str:
    """'cedar: 24 of 157 trips (15 %), shrunk to 13 % (9–19 %)'."""
    since = f", retrained in {base['retrained']} within these months" if base["retrained"] else ""
    return (
        f"{words.isolated(base['base'])}: {base['made_from']} ({base['value_text']}), shrunk to"
        f" {base['shrunk_text']} (95{words.NBSP}% {base['shrunk_range']}){since}"
    )


def first_rows(rules: list[Row]) -> list[Row]:
    """Rule and base pairs that stand apart, by severity and by how much is believable."""
    rows = [
        {"rule": r, "base": b}
        for r in rules
        for b in r["standing_apart"]
        if _believed(b) and not b["retrained"]
    ]
    return rows[:FIRST_MOST]


def _believed(base: Row) -> bool:
    return (base["shrunk_low"] or 0.0) >= BELIEVED_LEAST


def answer(rules: list[Row], retrained: Row, shares: list[Row]) -> list[str]:
    """The page's answer first: what to retrain where, what everywhere, what worked."""
    often, bases = often_sentence(shares, rules), bases_sentence(rules)
    first = [bases, already_sentence(rules), often] if first_rows(rules) else [
        often, bases, already_sentence(rules)
    ]  # fmt: skip
    return [s for s in (*first, retrained["finding"] if rules else "") if s]


def bases_sentence(rules: list[Row]) -> str:
    """Which bases to retrain first, or that none stands apart."""
    if not rules:
        return "Nothing to compare: no rule was judged at two bases or more."
    first = first_rows(rules)
    if first:
        parts = [
            f"{r['rule']['label'].lower()} at {base_words(r['base'])}; all bases"
            f" {r['rule']['target_text']}"
            for r in first[:BRIEF_FIRST]
        ]
        return f"Retrain first, with enough trips behind it: {'. Then '.join(parts)}."
    if any(b["retrained"] for r in rules for b in r["standing_apart"]):
        return (
            "Beyond bases retrained already, none stands apart from the others with enough trips"
            " behind it: these figures do not say which other base to retrain."
        )
    return (
        "No base stands apart from the others with enough trips behind it: these figures do not say"
        " which base to retrain."
    )


def already_sentence(rules: list[Row]) -> str:
    """Bases that stand apart but were retrained within the months compared; empty where none."""
    found = [(r, b) for r in rules for b in r["standing_apart"] if b["retrained"] and _believed(b)]
    if not found:
        return ""
    named = [f"{r['label'].lower()} at {base_words(b)}" for r, b in found]
    return (
        f"Already retrained: {'; '.join(named)}. These months hold the ones before it, too: read"
        " before and after first."
    )


def few_sentence(rules: list[Row]) -> str:
    """Which rules have too few trips at every base, or at some; empty where none."""
    nowhere = [r for r in rules if not r["enough"]]
    if not nowhere:
        return ""
    named = [f"{r['label'].lower()} ({words.many(int(r['denominator']), 'trip')})" for r in nowhere]
    return f"Too few to say at any base: {words.listed(named)}."


def briefs_data(
    review: MonthReview, figures: MeasureFigures, site: Site
) -> list[tuple[str, dict[str, Any]]]:
    """(file, page data) of each base's brief, in the order of tokens."""
    rules = rules_by_base(review, figures)
    retrained = retraining_data(figures)["rows"]
    return [
        (
            brief_file(n),
            {**common_data(review, site, "brief"), **brief_data(review, base, rules, retrained)},
        )
        for n, base in enumerate(bases_of(rules), 1)
    ]


def brief_data(review: MonthReview, base: str, rules: list[Row], retrained: list[Row]) -> Row:
    """One base's brief: what to train first, its rules against all bases, its retrainings."""
    own = [
        {"rule": r, "base": b, "standing_apart": b in r["standing_apart"]}
        for r in rules
        for b in r["bases"]
        if b["base"] == base
    ]
    enough = [o for o in own if not o["base"]["few"]]
    asked = [o for o in enough if o["base"]["numerator"]]
    standing_apart = [o for o in asked if o["standing_apart"] and _believed(o["base"])]
    first = [o for o in standing_apart if not o["base"]["retrained"]]
    few = [o for o in own if o["base"]["few"]]
    read = review.cases[review.cases["kind"] != "batch"]
    cases = int((read["base"] == base).sum()) if len(read) else 0
    return {
        "base": base,
        "window": window_words(review),
        "first": first[:BRIEF_FIRST],
        "rows": asked[:BRIEF_ROWS],
        "more": len(asked) - len(asked[:BRIEF_ROWS]),
        "clean": [o["rule"]["label"] for o in enough if not o["base"]["numerator"]],
        "few": [
            f"{o['rule']['label'].lower()} ({words.many(int(o['base']['denominator']), 'trip')})"
            for o in few
        ],
        "cases": cases,
        "retraining": [r for r in retrained if r["base"] == base],
        "finding": brief_finding(first, [o for o in standing_apart if o not in first]),
    }


def brief_finding(first: list[Row], already: list[Row]) -> str:
    """What a base's brief leads with."""
    if not first and already:
        parts = [f"{o['rule']['label'].lower()}: {base_words(o['base'])}" for o in already]
        return (
            f"Stands apart, but is retrained already: {'; '.join(parts)}. These months hold the"
            " ones before it, too: read before and after first."
        )
    if not first:
        return (
            "Nothing at this base stands apart from the other bases with enough trips behind it."
            " Train what all bases train."
        )
    parts = [
        f"{o['rule']['label'].lower()}: {o['base']['made_from']} at variance"
        f" ({o['base']['value_text']}), shrunk to {o['base']['shrunk_text']} (95{words.NBSP}%"
        f" {o['base']['shrunk_range']}); all bases {o['rule']['target_text']}"
        for o in first[:BRIEF_FIRST]
    ]
    return f"Train first: {'. Then '.join(parts)}."
