"""The Month page's first line: what is worse, what came one by one, and what is missing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import records, text
from reports.text.sentences import missing_trips
from reports.text.signal_lines import charts_now, standing

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

WORDS_MOST = 25
SIGNALS_NAMED = 2
SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True)
class Verdict:
    """The line in two parts: `worse` is drawn in the accent colour and may be empty."""

    worse: str
    rest: str


def verdict(review: MonthReview) -> Verdict:
    """At most 25 words, from the long form of each part to the short one."""
    if not review.received:
        return Verdict("", f"No trip of {words.month_name(review.month)} was received.")
    if not review.protocol:
        return Verdict("", "No protocol version is in force: no trip was judged.")
    signals, ordinary = _signals(review)
    came, missing = _one_by_one(review), _missing(review)
    if not signals[0] and not came[0] and not missing[0] and ordinary == "No signal.":
        return Verdict("", "No signal, and nothing missing.")
    for worse, one_by_one, short in product(signals, came, missing):
        rest = " ".join(filter(None, ("" if worse else ordinary, one_by_one, short)))
        if len(f"{worse} {rest}".split()) <= WORDS_MOST:
            break
    return Verdict(worse, rest)


def _signals(review: MonthReview) -> tuple[list[str], str]:
    """What is worse, longest form first, and what is said where nothing is."""
    found = [brief(text(r["sentence"])) for r in standing(review, "headline")]
    if not found:
        return [""], _none(review)
    forms = []
    for named in range(min(SIGNALS_NAMED, len(found)), 0, -1):
        more = len(found) - named
        rest = f"; {words.many(more, 'more signal')}" if more else ""
        forms.append(f"Worse: {'; '.join(_lowered(f) for f in found[:named])}{rest}.")
    many = words.many(len(found), "signal")
    return [*forms, f"Worse: {many}."], ""


def _none(review: MonthReview) -> str:
    if any(words.some(r["threshold"]) is not None for r in charts_now(review)):
        return "No signal."
    return "Too few months for signals."


def brief(sentence: str) -> str:
    """A signal's sentence up to since when: 'Unheated time at damson: 7 of 13 trips since ...'."""
    found = re.match(r"(?:As of .*?: )?(.*? since [A-Z][a-z]+ \d{4})", sentence)
    return found[1] if found else sentence


def _lowered(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _one_by_one(review: MonthReview) -> list[str]:
    frame = review.figures.one_by_one if review.figures is not None else None
    rows = [] if frame is None else [r for r in records(frame) if r["came"]]
    if not rows:
        return [""]
    named = [f"{words.plain(text(r['rule']).replace('-', ' '))} {int(r['came'])}" for r in rows]
    total = sum(int(r["came"]) for r in rows)
    return [f"One by one: {words.listed(named)}.", f"{_counted(total)} came one by one."]


def _missing(review: MonthReview) -> list[str]:
    """How many trips are missing, and how many charts hang on them."""
    missing = missing_trips(review)
    if not missing:
        return [""]
    trips = f"{_counted(missing)} {'trip' if missing == 1 else 'trips'} missing"
    charts = charts_now(review)
    depends = sum(r["certainty"] == "depends" for r in charts)
    if not depends:
        return [f"{trips}."]
    return [
        f"{trips}: {depends} of {len(charts)} charts depend on {'it' if missing == 1 else 'them'}.",
        f"{trips}: {depends} charts open.",
    ]


def _counted(number: int) -> str:
    return SMALL[number].capitalize() if number < len(SMALL) else f"{number:,}"
