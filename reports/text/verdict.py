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
SPAN = re.compile(
    r"(?:As of .*?: )?(.*?\d (?:trips?|h) (?:since|in|from [A-Z][a-z]+ \d{4} to) [A-Z][a-z]+ \d{4})"
)
"""A signal's sentence up to the months it counts."""
NO_SIGNAL = "No signal."
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
    signals, came, missing = _signals(review), _one_by_one(review), _missing(review)
    ordinary = "" if signals else _none(review)
    if ordinary == NO_SIGNAL and not came[0] and not missing[0]:
        return Verdict("", "No signal, and nothing missing.")
    line = Verdict("", "")
    for named in signals or [[""]]:
        for one_by_one, short, worse in product(came, missing, named):
            line = Verdict(worse, " ".join(filter(None, (ordinary, one_by_one, short))))
            if len(f"{line.worse} {line.rest}".split()) <= WORDS_MOST:
                return line
    return line


def _signals(review: MonthReview) -> list[list[str]]:
    """What is worse: with two signals named, with one, with their number; each in its forms."""
    found = [brief(text(r["sentence"])) for r in standing(review, "headline")]
    forms = []
    for named in range(min(SIGNALS_NAMED, len(found)), 0, -1):
        more = len(found) - named
        rest = f"; {words.many(more, 'more signal')}" if more else ""
        long = "; ".join(_lowered(f) for f in found[:named])
        short = _shorter(long, review.month)
        # the others by their names alone: their counts stand in the pictures below
        names = [f.partition(":")[0] for f in found[1:named]]
        first = _shorter(_lowered(found[0]), review.month)
        brief_ = "; ".join([first, *map(_lowered, names)])
        forms.append([f"Worse: {said}{rest}." for said in dict.fromkeys((long, short, brief_))])
    return [*forms, [f"Worse: {words.many(len(found), 'signal')}."]] if found else []


def _shorter(said: str, month: str) -> str:
    """Without what goes without saying: that trips are counted, and the year under review."""
    year = month[:4]
    said = re.sub(rf"(\d) trips?( (?:since|in) \w+) {year}\b", r"\1\2", said)
    return re.sub(rf"(\d) trips?( from \w+) {year}( to \w+) {year}\b", r"\1\2\3", said)


def _none(review: MonthReview) -> str:
    if any(words.some(r["threshold"]) is not None for r in charts_now(review)):
        return NO_SIGNAL
    return "Too few months for signals."


def brief(sentence: str) -> str:
    """A signal's sentence up to since when: 'Unheated time at damson: 7 of 13 trips since ...'."""
    found = SPAN.match(sentence)
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
    said = ", ".join(named)
    return [
        f"Variances: {said}.",
        f"{said[:1].upper()}{said[1:]}.",
        f"{_counted(total)} variances shown one by one.",
        f"{_counted(total)} one by one.",
    ]


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
    hang = "depends" if depends == 1 else "depend"
    them = "it" if missing == 1 else "them"
    return [
        f"{trips}: {depends} of {len(charts)} charts {hang} on {them}.",
        f"{trips}: {words.many(depends, 'chart')} {hang} on {them}.",
        f"{trips}.",
    ]


def _counted(number: int) -> str:
    return SMALL[number].capitalize() if number < len(SMALL) else f"{number:,}"
