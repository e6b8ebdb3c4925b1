"""How often this service's charts would signal though nothing changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from reports.text import words

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures


class FalseSignals(NamedTuple):
    """Series charted, how many signal a year by chance (None: not simulated), and that in words."""

    series: int
    yearly: float | None
    caution: str


def false_signals_data(figures: MeasureFigures) -> FalseSignals:
    """How often the charts would signal though nothing changed; no words under one a year."""
    rates = [a for r in figures.power.records() if (a := words.some(r["false_alarms"])) is not None]
    series = len(set(figures.charts.keys("measure", "group_by", "group_value")))
    yearly = sum(rates) if rates else None
    if yearly is None or yearly < 1:
        return FalseSignals(series, yearly, "")
    caution = (
        f"With nothing changed, the {len(rates)} series simulated (figures of the service and"
        f" of each rule) would signal in {words.rate(yearly)}"
        f" series-months a year, about {words.rate(yearly / 12)} in each month: expect a false"
        " signal somewhere, and read one signal as a question."
    )
    rest = series - len(rates)
    if rest > 0:
        caution += f" The other {rest} series charted come on top; theirs were not simulated."
    return FalseSignals(series, yearly, caution)
