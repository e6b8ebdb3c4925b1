"""The one place that makes a signal's sentence: pages, packs, terminal and data files take it."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.measures.signal_counts import AT_BASE, RATE, RECORD, Key
from schemas.months import month_name
from schemas.record import dataclass

DASH = "\u2013"
LATELY = 3
"""So many months of a chart are said alone, to show whether what began still goes on."""


@dataclass(frozen=True)
class Said:
    """One signal in numbers: what its sentence is made from. ``side`` is worse or better."""

    key: Key
    side: str
    since: str
    since_low: str
    since_high: str
    seen: float
    of: float
    seen_before: float
    of_before: float
    ratio: float
    ratio_low: float
    ratio_high: float
    certainty: str
    missing: int
    first_said: str = ""
    """The month in which this change was first said, if it is said again."""


def sentence(said: Said, labels: Mapping[str, str]) -> str:
    """'Unheated time at damson: 7 of 13 trips since March 2026, 2 of 31 before: ...'.

    ``labels`` names cannula sizes.
    """
    per = _hours if said.key[0] == RATE else _trips
    fell = " Better, or recorded otherwise: did recording change?" if said.side == "better" else ""
    again = f" First said in {month_name(said.first_said)}." if said.first_said else ""
    return (
        f"{chart_words(said.key, labels)}: {per(said.seen, said.of)} since"
        f" {month_name(said.since)}, {per(said.seen_before, said.of_before)} before"
        f"{_times(said)}.{_begun(said)}{again}{fell}{_missing(said)}"
    )


def so_far(key: Key, seen: float, of: float, since: str, month: str) -> str:
    """'Up to June 2026: 9 of 47 trips since March 2026.', beside an earlier month's sentence."""
    per = _hours if key[0] == RATE else _trips
    return f"Up to {month_name(month)}: {per(seen, of)} since {month_name(since)}."


def lately(key: Key, seen: float, of: float) -> str:
    """'The last three months alone: 0 of 158 trips.', beside what stands since a beginning."""
    per = _hours if key[0] == RATE else _trips
    return f"The last three months alone: {per(seen, of)}."


def chart_words(key: Key, labels: Mapping[str, str]) -> str:
    """What a chart is of: 'Occlusions at 1.8 mm', 'Unheated time at damson'."""
    measure, by, value = key
    if measure == RATE:
        return "Occlusions" if by == "service" else f"Occlusions at {labels.get(value, value)}"
    if measure == RECORD:
        return "Ventilator trips without a complete log" + (f" at {value}" if by == "base" else "")
    rule, _, base = value.partition(" at ") if by == AT_BASE else (value, "", "")
    title = rule.replace("-", " ")
    return title[:1].upper() + title[1:] + (f" at {base}" if base else "")


def _hours(events: float, hours: float) -> str:
    shown = f"{hours:.1f}" if 0 < hours < 9.95 else f"{hours:,.0f}"
    return f"{events:,.0f} in {shown} h"


def _trips(events: float, trips: float) -> str:
    return f"{events:,.0f} of {trips:,.0f} trip{'' if trips == 1 else 's'}"


def _times(said: Said) -> str:
    """How big, where it can be told."""
    if not (said.ratio > 0 and said.ratio < float("inf")):
        return ""
    return f", {said.ratio:.1f} times ({said.ratio_low:.1f}{DASH}{said.ratio_high:.1f})"


def _begun(said: Said) -> str:
    """Between which months it began, where that is not one alone."""
    early = f"as early as {month_name(said.since_low)}" if said.since_low < said.since else ""
    late = f"as late as {month_name(said.since_high)}" if said.since_high > said.since else ""
    if not (early or late):
        return ""
    possibly = " or ".join(filter(None, (early, late)))
    return f" It most likely began in {month_name(said.since)}, possibly {possibly}."


def _missing(said: Said) -> str:
    if not said.missing:
        earlier = " It depends on trips missing in the months before."
        return earlier if said.certainty == "depends" else ""
    trips = "missing trip" if said.missing == 1 else f"{said.missing} missing trips"
    if said.certainty == "sure":
        return f" It stands whatever the {trips} would ordinarily hold."
    return f" It depends on the {trips}."


def revised(found: bool, said_in: str, first: str, again: str) -> str:
    """A later revision's sentence: what is found now, or that it is found no more."""
    when = f"As of {month_name(said_in)}, with the trips that came or were corrected since"
    return f"{when}: {again}" if found else f"{when}, this is no signal any more: {first}"
