"""What this service could notice, and how often its charts would signal for nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row, records

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures

CHANGES = ("doubling", "halving")
GAPS = "trips-between-deviations"


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


def _named(row: Row) -> Row:
    """The row as it is called under a heading that says which measure it is."""
    gap = row["measure"] == GAPS and row["is_rule"]
    return {**row, "label": words.rule_title(row["key"])} if gap else row


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
