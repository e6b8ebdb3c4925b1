"""What this service could notice, and how often its charts would signal for nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import shown
from reports.text import words
from reports.text.rows import Row, records, text
from schemas.units import Unit, severity_rank

if TYPE_CHECKING:
    from schemas.measure_outputs import MeasureFacts
    from schemas.month_review import MeasureFigures, MonthReview

CHANGES = ("doubling", "halving")
GAPS = "trips-between-deviations"
CANNOT_DOUBLE: Row = {
    **dict.fromkeys(("estimate", "low", "high")),
    "half": "cannot double",
    "most": words.DASH,
    "line": f"doubling: a share above 50{words.NBSP}% cannot double",
}
BY_HOURS = ("occlusion-rate", "full-oxygen-above-97")
"""Measures whose volume is hours; that of all others is trips."""


def false_signals_data(figures: MeasureFigures) -> Row:
    """How often the charts would signal though nothing changed; empty without a simulation."""
    rows = records(figures.power)
    rates = [a for r in rows if (a := words.some(r["false_alarms"])) is not None]
    keys = figures.charts[["measure", "group_by", "group_value"]].drop_duplicates()
    series = len(keys)
    if not rates:
        return {"series": series, "simulated": 0, "yearly": None, "sentence": "", "caution": ""}
    yearly = sum(rates)
    if yearly < 1:
        return {"series": series, "simulated": len(rates), "yearly": yearly, "sentence": "",
                "caution": ""}  # fmt: skip
    sentence = (
        "Some false signals are expected by chance: about"
        f" {words.rate(yearly / 12)} a month over the {len(rates)} series simulated."
    )
    rest = series - len(rates)
    caution = (
        f"With nothing changed, the {len(rates)} series simulated (figures of the service and"
        f" of each rule) would signal in {words.rate(yearly)}"
        f" series-months a year, about {words.rate(yearly / 12)} in each month: expect a false"
        " signal somewhere, and read one signal as a question."
    )
    if rest > 0:
        caution += f" The other {rest} series charted come on top; theirs were not simulated."
    return {
        "series": series,
        "simulated": len(rates),
        "yearly": yearly,
        "sentence": sentence,
        "caution": caution,
    }


def power_data(review: MonthReview, figures: MeasureFigures) -> Row:
    """Months needed to see a doubling and a halving, the occlusion rate first, then by severity.

    Shares that could not be told are the record's quality, not practice: they are in the data file.
    `sets` has the rows in two, each short enough for a page: figures of months, and gaps between
    variances, each with a finding of its own.
    """
    severity = {f.rule: severity_rank(f.severity) for f in review.rules}
    facts = {f.id: f for f in figures.facts}
    practice = figures.power[figures.power["measure"] != "cannot-tell-share"]
    rows = [_power_row(r, facts) for r in records(practice)]
    rows.sort(
        key=lambda r: (
            r["is_rule"],
            severity.get(r["key"], 3) if r["is_rule"] else r["measure"] != "occlusion-rate",
            r["key"],
            r["label"],
        )
    )
    horizon = max((r["horizon"] for r in rows), default=0)
    sets = [
        {"id": id_, "heading": heading, "rows": chosen, "horizon": horizon,
         "finding": _finding(chosen, horizon)}
        for id_, heading, gaps in (
            ("power", "Rates and shares of a month", False),
            ("power-gaps", "Trips between variances, for what is rare", True),
        )
        if (chosen := [_named(r) for r in rows if (r["measure"] == GAPS) == gaps])
    ]  # fmt: skip
    return {"rows": rows, "sets": sets, "horizon": horizon, "finding": _finding(rows, horizon)}


def _named(row: Row) -> Row:
    """The row as it is called under a heading that says which measure it is."""
    gap = row["measure"] == GAPS and row["is_rule"]
    return {**row, "label": words.rule_title(row["key"])} if gap else row


def _power_row(row: Row, facts: dict[str, MeasureFacts]) -> Row:
    measure, key = text(row["measure"]), text(row["group_value"])
    fact = facts.get(measure)
    # the level of a gap between variances is the share they come at
    levelled = facts.get("deviation-share") if measure == GAPS else fact
    monthly = words.some(row["monthly"]) or 0.0
    horizon = int(row["horizon"] or 0)
    is_rule = text(row["group_by"]) == "rule"
    in_hours = measure in BY_HOURS
    return {
        "measure": measure,
        "key": key,
        "is_rule": is_rule,
        "label": _power_label(measure, key, fact, is_rule=is_rule),
        "level": shown(words.some(row["level"]), levelled.unit if levelled else ""),
        "monthly": f"{words.hours(monthly) if in_hours else words.rate(monthly)}"
        f"{words.NBSP}{'h' if in_hours else 'trips'}",
        "few": fact is not None and monthly < fact.minimum,
        "horizon": horizon,
        "false_alarms": words.rate(words.some(row["false_alarms"])),
        **{change: _months(row, change, horizon) for change in CHANGES},
        **({"doubling": CANNOT_DOUBLE} if _past_half(row, levelled) else {}),
    }


def _past_half(row: Row, fact: MeasureFacts | None) -> bool:
    """Whether the level is a share above one half, which nothing can double."""
    level = words.some(row["level"])
    return fact is not None and fact.unit == Unit.SHARE and level is not None and level > 0.5


def _power_label(measure: str, key: str, fact: MeasureFacts | None, *, is_rule: bool) -> str:
    """The rule where it is its variance share, else the measure's own name."""
    if not is_rule:
        return fact.name if fact else words.plain(measure)
    title = words.rule_title(key)
    if measure == "deviation-share" or fact is None:
        return title
    return f"{title}, {fact.name.lower()}"


def _months(row: Row, change: str, horizon: int) -> Row:
    """A cell for the figure: half of the runs by `estimate` months, 9 of 10 by `high`."""
    half, most = words.some(row[f"{change}_months"]), words.some(row[f"{change}_months_90"])
    later = f"over {horizon}"
    text_half = later if half is None else f"{half:.0f}"
    text_most = later if most is None else f"{most:.0f}"
    beyond = horizon * 1.25
    return {
        "estimate": beyond if half is None else half,
        "low": half,
        "high": beyond if most is None else most,
        "half": text_half,
        "most": text_most,
        "line": f"{change}: {text_half} months, 9 of 10 by {text_most}",
    }


def _finding(rows: list[Row], horizon: int) -> str:
    if not rows:
        return "No measure has enough behind it to say how soon a change would be seen."
    able = [r for r in rows if r["doubling"]["estimate"] is not None]
    unseen = [r for r in rows if r["halving"]["most"].startswith("over")]
    sentence = f"No share here can double: all are above 50{words.NBSP}%."
    if able:
        quick = min(able, key=lambda r: (r["doubling"]["estimate"], r["doubling"]["high"]))
        slow = max(able, key=lambda r: (r["doubling"]["estimate"], r["doubling"]["high"]))
        sentence = (
            f"A doubling is noticed within {quick['doubling']['half']} months half of the time for"
            f" {quick['label'].lower()}, the soonest; for {slow['label'].lower()} it takes"
            f" {slow['doubling']['half']}."
        )
    if unseen:
        sentence += (
            f" A halving may go unseen for {horizon} months on"
            f" {len(unseen)} of {words.many(len(rows), 'measure')}."
        )
    return sentence
