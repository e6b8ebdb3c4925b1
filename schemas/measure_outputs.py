"""Tables made from the measures: charts through time, groups compared, power, before and after.

As in `schemas.outputs`: shares are fractions of 1, null means not known or too little to say.
"""

from __future__ import annotations

from schemas import kinds as dt
from schemas import shape as pa
from schemas.record import dataclass
from schemas.signal_outputs import SIGNAL_OUTPUTS
from schemas.trip_outputs import TRIP_OUTPUTS
from schemas.units import Unit


@dataclass(frozen=True)
class MeasureFacts:
    """What a measure is, for pages, handbook and data files; one entry of the registry.

    `page` and `section`: where it is drawn, by the page's id and the section's.
    """

    id: str
    name: str
    question: str
    numerator: str
    denominator: str
    left_out: str
    unit: Unit
    interval: str
    chart: str
    better: str
    least: str
    minimum: float
    sentence: str
    source: str
    page: str = ""
    section: str = ""


class Charts(pa.DataFrameModel):
    """One row a point of a control chart: a month, or for a g chart a gap between two events."""

    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule or base")
    group_value: dt.String = pa.text("Which group; 'all' for the service")
    chart: dt.String = pa.text("u, u', p, p', XmR or g")
    point: dt.Int32 = pa.value("1", "Order of the point, from 1", nullable=False)
    month: dt.String = pa.text("Month of the point; of a gap, the month it ended in")
    numerator: dt.Float64 = pa.value("see measure", "Numerator")
    denominator: dt.Float64 = pa.value("see measure", "Denominator")
    value: dt.Float64 = pa.value("see measure", "The point; null without a denominator")
    centre: dt.Float64 = pa.value("see measure", "Centre line")
    lower: dt.Float64 = pa.value("see measure", "Lower 3-sigma limit")
    upper: dt.Float64 = pa.value("see measure", "Upper 3-sigma limit")
    sigma_z: dt.Float64 = pa.value(
        "1", "Factor on the limits for over-dispersion, 1 for plain ones"
    )
    baseline: dt.Boolean = pa.flag("Whether the point set the limits")
    phase: dt.Int32 = pa.value("1", "Phase, from 1; a new one begins at a protocol change")
    provisional: dt.Boolean = pa.flag("Whether fewer than 12 points set the limits")
    reason: dt.String = pa.text("Why limits are provisional or missing", nullable=True)
    incomplete: dt.Boolean = pa.flag("Whether trips of the month are missing: no signal then")
    signal: dt.String = pa.text("The rule that the point meets, in words", nullable=True)


class Runs(pa.DataFrameModel):
    """Longest run and crossings of a chart's last phase, beside its signals."""

    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule or base")
    group_value: dt.String = pa.text("Which group")
    points: dt.Int32 = pa.count("Points off the median", "points")
    longest_run: dt.Int32 = pa.count("Longest run on one side", "points")
    longest_run_limit: dt.Int32 = pa.count("Longest that is ordinary", "points")
    crossings: dt.Int32 = pa.value("1", "Crossings of the median", nullable=False)
    crossings_limit: dt.Int32 = pa.value("1", "Fewest that are ordinary", nullable=False)
    signal: dt.Boolean = pa.flag("Whether either is out of the ordinary")
    words: dt.String = pa.text("What was found")


class Sizes(pa.DataFrameModel):
    """Occlusion rate by cannula size over all months, crude and adjusted, trips as clusters."""

    cannula: dt.String = pa.text("Catalogue id")
    events: dt.Float64 = pa.count("Occlusions counted", "events")
    hours: dt.Float64 = pa.value("h", "Ventilator hours counted", nullable=False)
    trips: dt.Int32 = pa.count("Trips that contribute")
    trips_with_event: dt.Int32 = pa.count("Trips with an occlusion")
    crude: dt.Float64 = pa.value("per 100 h", "Crude rate")
    crude_low: dt.Float64 = pa.value("per 100 h", "Lower bound, trips as clusters")
    crude_high: dt.Float64 = pa.value("per 100 h", "Upper bound, trips as clusters")
    naive_low: dt.Float64 = pa.value("per 100 h", "Lower bound if events were independent")
    naive_high: dt.Float64 = pa.value("per 100 h", "Upper bound if events were independent")
    dispersion: dt.Float64 = pa.value("1", "Variance over that of independent events")
    adjusted: dt.Float64 = pa.value(
        "per 100 h", "Rate at the service's own mix of flow and behaviour"
    )
    adjusted_low: dt.Float64 = pa.value("per 100 h", "Lower bound")
    adjusted_high: dt.Float64 = pa.value("per 100 h", "Upper bound")
    ratio: dt.Float64 = pa.value("1", "Crude ratio to the reference size")
    ratio_low: dt.Float64 = pa.value("1", "Lower bound")
    ratio_high: dt.Float64 = pa.value("1", "Upper bound")
    adjusted_ratio: dt.Float64 = pa.value("1", "Adjusted ratio to the reference size")
    adjusted_ratio_low: dt.Float64 = pa.value("1", "Lower bound")
    adjusted_ratio_high: dt.Float64 = pa.value("1", "Upper bound")
    reference: dt.String = pa.text("The size compared with: the one with the most hours")
    reason: dt.String = pa.text("Why there is no ratio", nullable=True)
    method: dt.String = pa.text("Method, terms adjusted for, and rows left out")


class Funnels(pa.DataFrameModel):
    """Bases compared over the last 12 months: limits by volume, and each drawn to the others."""

    measure: dt.String = pa.text("Id of the measure")
    rule: dt.String = pa.text("Id of the rule; empty for a rate", nullable=True)
    base: dt.String = pa.text("Token of the base")
    numerator: dt.Float64 = pa.value("see measure", "Numerator", nullable=False)
    denominator: dt.Float64 = pa.value("see measure", "Denominator", nullable=False)
    value: dt.Float64 = pa.value("see measure", "The base's own figure")
    target: dt.Float64 = pa.value("see measure", "All bases together")
    inner_lower: dt.Float64 = pa.value("see measure", "Lower 95 % limit at this volume")
    inner_upper: dt.Float64 = pa.value("see measure", "Upper 95 % limit at this volume")
    outer_lower: dt.Float64 = pa.value("see measure", "Lower 99.8 % limit at this volume")
    outer_upper: dt.Float64 = pa.value("see measure", "Upper 99.8 % limit at this volume")
    outside: dt.Int32 = pa.value(
        "1",
        "Of a base that may be named: 1 above the service, -1 below; else 0. It may where p_differ"
        " is below 0.05 and its own bounds leave out the target",
        nullable=False,
    )
    p_differ: dt.Float64 = pa.value(
        "1", "p of all bases differing no more than chance would have it"
    )
    power: dt.Float64 = pa.value(
        "1", "Of a rate: share of such years in which a doubling at one base gives p below 0.05"
    )
    shrunk: dt.Float64 = pa.value("see measure", "The base's figure drawn towards the service's")
    shrunk_low: dt.Float64 = pa.value("see measure", "Lower 95 % bound")
    shrunk_high: dt.Float64 = pa.value("see measure", "Upper 95 % bound")


class Power(pa.DataFrameModel):
    """What this service could notice at its own volume with its own chart rules."""

    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service or rule")
    group_value: dt.String = pa.text("Which group")
    level: dt.Float64 = pa.value(
        "see measure", "The figure assumed to hold: the last 12 months' (of a gap, the share)"
    )
    monthly: dt.Float64 = pa.value("see measure", "Mean denominator of a month")
    doubling_months: dt.Float64 = pa.value(
        "months", "Months until half the runs signal; null: later"
    )
    doubling_months_90: dt.Float64 = pa.value("months", "Months until 90 % do; null: later")
    halving_months: dt.Float64 = pa.value("months", "Months to notice a halving; null: later")
    halving_months_90: dt.Float64 = pa.value("months", "Months until 90 % do; null: later")
    false_alarms: dt.Float64 = pa.value(
        "months a year", "Months with a signal though nothing changed"
    )
    horizon: dt.Int32 = pa.value("months", "How far the simulation looked", nullable=False)


class BeforeAfterTraining(pa.DataFrameModel):
    """Each retraining of a base: the rule's deviation share after over before.

    Beside the flags stand those that a reader concluded on, and put down to practice.
    """

    month: dt.String = pa.text("Month of the retraining")
    base: dt.String = pa.text("Token of the base")
    rule: dt.String = pa.text("Id of the rule")
    before_events: dt.Float64 = pa.count("Deviations before")
    before_trips: dt.Float64 = pa.count("Trips judged before")
    before_low: dt.Float64 = pa.value("1", "Lower 95 % bound of the share before")
    before_high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    after_events: dt.Float64 = pa.count("Deviations after")
    after_trips: dt.Float64 = pa.count("Trips judged after")
    after_low: dt.Float64 = pa.value("1", "Lower 95 % bound of the share after")
    after_high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    before_read: dt.Int32 = pa.count("Deviations before that were read")
    before_practice: dt.Int32 = pa.count("Of these, put down to practice")
    after_read: dt.Int32 = pa.count("Deviations after that were read")
    after_practice: dt.Int32 = pa.count("Of these, put down to practice")
    ratio: dt.Float64 = pa.value("1", "Share after over share before")
    low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    too_few: dt.Boolean = pa.flag("Whether there is too little to compare")
    window: dt.String = pa.text("Which months were compared")
    warning: dt.String = pa.text("The caution about regression to the mean")


MEASURE_OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "charts": Charts,
    "runs": Runs,
    "sizes": Sizes,
    "funnels": Funnels,
    "power": Power,
    "before_after": BeforeAfterTraining,
    **SIGNAL_OUTPUTS,
    **TRIP_OUTPUTS,
}
"""Every table made from the measures, by name; each is a data file of the month."""
