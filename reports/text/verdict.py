"""The Month page's first line: what is worse, what came one by one, and what is missing."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.plain_rows import grouped, text
from reports.text.sentences import missing_trips, outcomes_of_month
from reports.text.signal_lines import charts_now, one_by_one, watched
from reports.text.standing_signals import Worse, worse
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

WORDS_MOST = 25
OCCLUSIONS = "occlusions at "
NO_SIGNAL = "No signal."


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
    ordinary, gravest = "" if signals else _none(review), _gravest(review)
    if ordinary == NO_SIGNAL and not gravest and not came[0] and not missing[0]:
        return Verdict("", "No signal, no trip missing.")
    line = Verdict("", "")
    for named in signals or [[""]]:
        for each, short, said in product(came, missing, named):
            line = Verdict(said, " ".join(filter(None, (ordinary, gravest, each, short))))
            if len(f"{line.worse} {line.rest}".split()) <= WORDS_MOST:
                return line
    return line


def _signals(review: MonthReview) -> list[list[str]]:
    """What is worse: all of it with its counts, then without, then ever fewer by name."""
    found = worse(review)
    forms = [[worse_words(found, review.month, len(found), counts=True)]] if found else []
    for named in range(len(found), 0, -1):
        forms.append([worse_words(found, review.month, named)])
    return [*forms, [f"Worse: {words.many(len(found), 'signal')}."]] if found else []


def worse_words(found: list[Worse], month: str, named: int, *, counts: bool = False) -> str:
    """'Worse: unheated time since March; occlusions since August, prong 2 since October.'."""
    groups = grouped(found[:named], lambda one: OCCLUSIONS if one.of_rate else one.chart)
    parts = []
    for own in groups.values():
        own.sort(key=lambda one: one.of_size)
        said = [
            f"{one.named} {one.since_words(month)}{f', {one.counts}' if counts else ''}"
            for one in own
        ]
        parts.append(", ".join([said[0], *(s.removeprefix(OCCLUSIONS) for s in said[1:])]))
    more = len(found) - named
    parts += [words.many(more, "more signal")] if more else []
    return f"Worse: {'; '.join(parts)}."


def _none(review: MonthReview) -> str:
    return NO_SIGNAL if watched(review) else "Too few months for signals."


def _gravest(review: MonthReview) -> str:
    """Deaths and arrests of the month, which no shortening leaves out; empty where none."""
    came = outcomes_of_month(review)
    said = [f"{came[code]:,} {code}" for code in ("died", "arrest") if came[code]]
    return f"{', '.join(said)}." if said else ""


def _one_by_one(review: MonthReview) -> list[str]:
    """How many trips came with an always-read trigger or a grave variance, and which variances."""
    rows = [r for r in one_by_one(review) if r["came"]]
    if not review.one_by_one:
        return [""]
    named = ", ".join(f"{text(r['rule']).replace('-', ' ')} {int(r['came'])}" for r in rows)
    trips = words.many(review.one_by_one, "trip")
    forms = [f"{trips} one by one; variances: {named}."] if named else []
    return [*forms, f"{trips} one by one.", f"{review.one_by_one:,} one by one."]


def _missing(review: MonthReview) -> list[str]:
    """How many trips are missing, and how many charts hang on them."""
    missing = missing_trips(review)
    if not missing:
        return [""]
    trips = f"{words.many(missing, 'trip')} missing"
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
