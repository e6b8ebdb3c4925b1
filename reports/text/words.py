"""Numbers, months and codes as words, the same on every page. No HTML."""

from __future__ import annotations

import math
import unicodedata
from functools import lru_cache
from typing import Any

from schemas import months
from schemas.work import ALWAYS_READ

NBSP = "\u00a0"
DASH = "\u2013"
MANY = 1 << 15
"""Texts that are remembered, since a month says the same ones again and again."""
ISOLATE = "\u2068\u2069"

VERDICT_WORDS = {
    "deviation": "variance for review",
    "borderline": "borderline",
    "cannot_tell": "cannot tell",
    "authorised": "authorised",
    "met": "met",
    "not_applicable": "not applicable",
}
"""Those that may need a person first."""
GROUP_WORDS = {
    "always_read": "always read",
    "deviation": "variance for review",
    "borderline": "borderline",
    "audit": "random audit",
    "batch": "in a batch",
    "follow_up": "follow-up",
}
KIND_WORDS = {
    "missing_trip": "trips not received",
    "set_aside": "rows set aside",
    "doubtful": "doubtful, and used as it is",
    "contradiction": "contradictions in the record",
    "mention": "worth knowing",
}
BASIS_WORDS = {
    "limited-data-set": "a limited data set",
    "expert-determination": "an expert determination",
    "internal-operations": "internal health-care operations",
}
SOURCE_WORDS = {
    "wall": "wall oxygen",
    "cylinder": "cylinder oxygen",
    "blender": "blender",
    "ventilator": "ventilator",
    "other": "other source",
}
PATTERN_WORDS = {
    "flow_above_range": "flow above the cannula's range",
    "cannula_small": "cannula small for the weight",
    "child_unsettled": "child unsettled",
    "none_of_these": "none of the usual patterns",
    "unknown": "not known",
}
NEXT_WORDS = {
    "less_flow": "less flow",
    "larger_cannula": "larger cannula",
    "reseated": "perhaps reseated",
    "to_wall": "to wall or cylinder oxygen",
    "contact": "a call",
    "nothing": "no change charted in 15 min",
}
FINDING_WORDS = {
    "holds": "holds",
    "not_documented": "not documented",
    "does_not_hold": "does not hold",
    "cannot_say": "cannot say",
    "missed": "missed by the rule",
}
CONTRIBUTED_WORDS = {
    "skill_or_knowledge": "skill or knowledge",
    "logistics": "logistics",
    "equipment": "equipment",
    "protocol_unclear": "protocol unclear",
    "reasonable_care": "reasonable care",
    "child": "the child",
    "other": "something else",
}
MEASURE_WORDS = {
    "occlusion-rate": "Occlusion events per 100 ventilator high-flow hours",
    "occlusion-rate-ratio": "Occlusion rate of the month over that of the months before",
    "incomplete-log-share": "Ventilator trips without a complete log, of the ventilator trips",
    "one-by-one": "Trips since the last variance of a rule shown one by one",
    "year-ratio": "A figure of twelve months over that of the twelve before",
    "occlusion-clustering": "How much occlusions come together on the same trips (k)",
    "deviation-share": "Trips with a variance for review, of the trips judged",
    "cannot-tell-share": "Trips that could not be judged, of those the rule asks about",
    "all-rules-share": "Trips with every applicable rule met, of the trips with all judged",
    "trips-with-occlusion": "Ventilator trips with an occlusion, of those with a complete log",
    "worse-outcome": "Trips worse at hand-over, of those with an outcome",
    "worse-outcome-day-after": "Trips worse a day later, of those with an outcome then",
    "bedside-minutes": "Median minutes from reaching the bedside to departure",
    "full-oxygen-above-97": "Minutes of full oxygen above SpO2 97 %",
    "full-oxygen": "Minutes of full oxygen by source",
    "confirmed-share": "Trips flagged and confirmed by a reader, of those a reader closed",
    "confirmed-deviation-share": "Trips with a confirmed variance, of the trips judged",
    "practice-share": "Trips with a variance put down to practice, of the trips judged",
    "miss-rate": "Trips with a variance that no rule flagged, of those read at random",
}


month_name, month_number = months.month_name, months.month_number


def month_short(month: str) -> str:
    """'2026-06' as 'Jun 2026', for axes."""
    name, _, year = month_name(month).partition(" ")
    return f"{name[:3]} {year}" if year else name


def month_tick(month: str) -> str:
    """'2026-06' as 'Jun', '2026-01' as 'Jan 2026'; anything else as it stands."""
    parts = months.month_parts(month)
    if not parts:
        return month
    year = f" {parts[0]}" if parts[1] == 1 else ""
    return f"{months.MONTH_NAMES[parts[1] - 1][:3]}{year}"


def some(value: Any) -> float | None:
    """The number as a float; None where it is missing or not finite."""
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def whole(value: float | None) -> str:
    """A count with thousands apart; a dash where unknown."""
    return DASH if value is None else f"{value:,.0f}"


def hours(value: float | None) -> str:
    """Hours: one decimal below 10, else whole."""
    if value is None:
        return DASH
    return f"{value:,.1f}" if 0 < value < 9.95 else f"{value:,.0f}"


def rate(value: float | None) -> str:
    """A rate to about two figures; a dash where there is none."""
    if value is None:
        return DASH
    if value == 0:
        return "0"
    digits = 2 if abs(value) < 0.995 else 1 if abs(value) < 99.5 else 0
    return f"{value:,.{digits}f}"


def percent(share: float | None) -> str:
    """A share of 1 as per cent: whole, but never rounded onto 0 % or 100 % it is not."""
    return DASH if share is None else f"{_percent_digits(share)}{NBSP}%"


def percent_range(low: float | None, high: float | None) -> str:
    """Two shares as '3–19 %'."""
    if low is None or high is None:
        return "no interval"
    return f"{_percent_digits(low)}{DASH}{_percent_digits(high)}{NBSP}%"


def _percent_digits(share: float) -> str:
    value = share * 100
    if 0 < value < 0.05:
        return "<0.1"
    if 99.95 < value < 100:
        return ">99.9"
    near_an_end = 0 < value < 0.95 or 99.05 < value < 100
    return f"{value:.1f}" if near_an_end else f"{value:.0f}"


def between(low: float | None, high: float | None) -> str:
    """An interval of rates as '1.1–2.3'; open where a bound is missing."""
    if low is None and high is None:
        return "no interval"
    if low is None:
        return f"at most {rate(high)}"
    if high is None:
        return f"{rate(low)} or more"
    return f"{rate(low)}{DASH}{rate(high)}"


RATIO_MEANT = 60.0
"""A ratio's upper bound alone, above this, says nothing; assumed."""


def signed(value: float | None) -> str:
    """A whole number with its sign: '+3', '−2', '0'; a dash where there is none."""
    if value is None:
        return DASH
    rounded = round(value)
    sign = "+" if rounded > 0 else "\N{MINUS SIGN}" if rounded < 0 else ""
    return f"{sign}{abs(rounded):,}"


def ratio(value: float | None, low: float | None, high: float | None) -> str:
    """'1.74 (0.51–5.9)'; a dash where there is none, and no bound alone above sixtyfold."""
    if value is None:
        return DASH
    unsaid = low is None and (high or 0.0) > RATIO_MEANT
    return f"{value:.2f} ({'cannot be said' if unsaid else between(low, high)})"


def many(number: int, noun: str, plural: str | None = None) -> str:
    """'1 trip', '3 trips', '1,204 trips'."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def listed(parts: list[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def span_of(months: list[str]) -> str:
    """'Apr–Jun', from the first to the last."""
    return DASH.join(month_short(months[i]).split()[0] for i in (0, -1))


def plain(code: str) -> str:
    """'medical_direction' as 'medical direction'."""
    return code.replace("_", " ")


@lru_cache(maxsize=MANY)
def clock(at_s: float, resolution_s: float = 1) -> str:
    """Seconds since the bedside as minutes: '52' where recorded to the minute, else '52:07'."""
    sign, total = ("-" if at_s < 0 else ""), abs(round(at_s))
    whole_minutes, seconds = divmod(total, 60)
    if resolution_s >= 60 and not seconds:
        return f"{sign}{whole_minutes}"
    return f"{sign}{whole_minutes}:{seconds:02d}"


@lru_cache(maxsize=MANY)
def moment(at_s: float, resolution_s: float = 1) -> str:
    """The same within a sentence: '52 min', '52 min 7 s'."""
    shown = clock(at_s, resolution_s)
    whole_minutes, _, seconds = shown.partition(":")
    return f"{whole_minutes} min {int(seconds)} s" if int(seconds or 0) else f"{whole_minutes} min"


def number(value: float | None) -> str:
    """A charted value as it was charted; empty where missing."""
    return "" if value is None else f"{value:g}"


def age(months: float | None) -> str:
    """'16 months', '4 years 7 months'; empty where missing."""
    if months is None:
        return ""
    years, rest = divmod(int(months), 12)
    if months < 24:
        return many(int(months), "month")
    return many(years, "year") + (f" {many(rest, 'month')}" if rest else "")


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def reason(why: str) -> str:
    """A case's reason beside the name of its group, which it need not say again."""
    return capital(why.removeprefix(ALWAYS_READ))


def uncapital(text: str) -> str:
    """The text with a small first letter, for within a sentence."""
    return text[:1].lower() + text[1:]


def after_colon(text: str) -> str:
    """A sentence with a small first letter, and a full stop where it has no mark at its end."""
    ended = text if text[-1:] in ".?!" else f"{text}."
    return ended[:1].lower() + ended[1:]


@lru_cache(maxsize=MANY)
def rule_title(rule: str) -> str:
    """'wall-oxygen-time' as 'Wall oxygen time'."""
    return capital(rule.replace("-", " "))


@lru_cache(maxsize=MANY)
def visible(text: str) -> str:
    """The text with control and direction-changing characters spelled out, e.g. [U+202E].

    Tabs and line ends become spaces. Letters of every script stay as they are, and so do the
    marks of `isolated`.
    """
    if _plain(text):
        return text
    return "".join(c if c in ISOLATE else _visible_char(c) for c in text)


@lru_cache(maxsize=MANY)
def isolated(text: str) -> str:
    """A text from data for use within a sentence: visible, and kept from turning it around.

    Only a text with right-to-left letters gets the two marks that do so.
    """
    if _plain(text):
        return text
    shown = "".join(_visible_char(char) for char in text)
    turns = any(unicodedata.bidirectional(char) in {"R", "AL"} for char in shown)
    return f"{ISOLATE[0]}{shown}{ISOLATE[1]}" if turns else shown


def _plain(text: str) -> bool:
    """Whether nothing of the text is to be spelled out, and no letter of it turns a sentence."""
    # below the Hebrew letters none is written from right to left
    return text.replace(NBSP, " ").isprintable() and max(text, default="") < "\u0590"


def _visible_char(char: str) -> str:
    if char in "\t\n\r":
        return " "
    if unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
        return f"[U+{ord(char):04X}]"
    return char


def shortened(text: str, most: int) -> str:
    """The text cut to `most` characters, with an ellipsis where something was cut."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "\u2026"
