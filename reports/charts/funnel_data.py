"""Bases compared: limits for each base's own volume, and each base's figure shrunk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import shown, shown_range, unit_words
from reports.charts.rule_rows import retrained_within
from reports.text import words
from reports.text.plain_rows import Row, grouped, text
from schemas.units import Unit, severity_rank

if TYPE_CHECKING:
    from schemas.measure_outputs import MeasureFacts
    from schemas.month_review import MeasureFigures, MonthReview

RATE = "occlusion-rate"
NUMBERS = (
    *("numerator", "denominator", "value", "target", "inner_lower", "inner_upper"),
    *("outer_lower", "outer_upper", "shrunk_low", "shrunk_high"),
)
MONTHS_COMPARED = 12


def funnels(review: MonthReview, figures: MeasureFigures) -> list[Row]:
    """One funnel for the occlusion rate and one a rule, the most severe rules first."""
    facts = {f.id: f for f in figures.facts}
    severities = {f.rule: f.severity for f in review.rules}
    rows = figures.funnels.records()
    groups = grouped(rows, lambda r: (text(r["measure"]), text(r["rule"])))
    retrained = retrained_within(review, figures)
    found = []
    for (measure, rule), rows in groups.items():
        unit = facts[measure].unit
        bases = sorted((_base(r, facts[measure]) for r in rows), key=lambda b: b["base"])
        for base in bases:
            base["retrained"] = retrained.get((base["base"], rule), "")
        enough = [b for b in bases if not b["few"]]
        found.append(
            {
                "measure": measure,
                "rule": rule,
                "label": words.rule_title(rule) if rule else "Occlusion rate",
                "order": -1 if measure == RATE else severity_rank(severities.get(rule)),
                "unit": unit,
                "volume": "ventilator hours" if measure == RATE else "trips judged",
                "bases": bases,
                "outlying": [b for b in enough if b["outside"]],
                "thin": len(enough) < 2,
                "target": bases[0]["target"],
                "target_text": shown(bases[0]["target"], unit),
            }
        )
    return sorted(found, key=lambda f: (f["order"], f["rule"]))


def window_words(review: MonthReview) -> str:
    """The months that bases are compared over: at most twelve."""
    first = words.month_number(min(review.months, default=review.month))
    months = words.month_number(review.month) - first + 1
    if months >= MONTHS_COMPARED:
        return f"the last {MONTHS_COMPARED} months"
    return "this month alone" if months == 1 else f"all {months} months"


def _base(row: Row, facts: MeasureFacts) -> Row:
    base: Row = {name: words.some(row[name]) for name in NUMBERS}
    base |= {"base": text(row["base"]), "outside": int(row["outside"] or 0)}
    unit, below = facts.unit, base["denominator"] or 0.0
    base["good"] = base["outside"] == {"lower": -1, "higher": 1}.get(facts.better)
    base["few"] = below < facts.minimum
    if unit == Unit.SHARE:
        base["made_from"] = f"{words.whole(base['numerator'])} of {words.many(int(below), 'trip')}"
    else:
        base["made_from"] = f"{words.whole(base['numerator'])} / {words.hours(below)}{words.NBSP}h"
    base["value_text"] = shown(base["value"], unit)
    base["shrunk_range"] = shown_range(base["shrunk_low"], base["shrunk_high"], unit)
    base["inner_text"] = shown_range(base["inner_lower"], base["inner_upper"], unit)
    base["outer_text"] = shown_range(base["outer_lower"], base["outer_upper"], unit)
    base["standing"] = _standing(base)
    return base


def _standing(base: Row) -> str:
    if base["few"]:
        return "too few to say"
    if base["outside"]:
        side = "above" if base["outside"] > 0 else "below"
        better = ", the better side" if base["good"] else ""
        return f"stands apart: {side} the service{better}"
    value, low, high = base["value"], base["inner_lower"], base["inner_upper"]
    if value is None or low is None or high is None:
        return "no limits"
    if low <= value <= high:
        return "ordinary"
    side = "above" if value > high else "below"
    return f"{side} the 95{words.NBSP}% limits; no base stands apart"


def outlying_sentence(found: list[Row], window: str) -> str:
    """Which bases stand apart, each with its counts; else that none does."""
    outlying = [(f, b) for f in found for b in f["outlying"] if not f["thin"]]
    outlying.sort(key=lambda both: both[1]["good"])
    looked = [f for f in found if not f["thin"]]
    if not looked:
        return "Bases are not compared: fewer than two of them have enough trips."
    if not outlying:
        what = words.many(len(looked), "figure")
        return f"No base stands apart on any of the {what} with enough trips."
    bases = len({b["base"] for _, b in outlying})
    stand = "One base stands" if bases == 1 else f"{bases} bases stand"
    sentence = " ".join(outlying_words(f, b) for f, b in outlying)
    return f"{stand} apart over {window}. {sentence}"


def outlying_words(funnel: Row, base: Row) -> str:
    """'cedar is above the service on wall oxygen time: 24 of 157 trips (15 %), drawn ...'."""
    side = "above" if base["outside"] > 0 else "below"
    side += " the service" + (", the better side," if base["good"] else "")
    unit = funnel["unit"]
    label = words.uncapital(funnel["label"])
    month = words.month_name(base["retrained"])
    retrained = f" It was retrained in {month}, within these months."
    since = retrained if base["retrained"] else ""
    return (
        f"Base {words.isolated(base['base'])} is {side} on {label}: {base['made_from']}"
        f" ({base['value_text']}{unit_words(unit)}), drawn towards the others"
        f" {base['shrunk_range']}; all bases have {funnel['target_text']}.{since}"
    )
