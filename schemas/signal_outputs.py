"""Data files of signals, of what is shown one by one, and of twelve months against twelve.

As in `schemas.outputs`: null means not known or too little to say.
"""

from __future__ import annotations

from schemas import kinds as dt
from schemas import shape as pa


class Signals(pa.DataFrameModel):
    """Every signal up to the month under review, as that month's own data said it.

    A signal stays as first said; where trips came or were corrected later, a revision stands beside
    it, with another `said_in`.
    """

    month: dt.String = pa.text("The month whose data gave it")
    said_in: dt.String = pa.text("The month under review when it was said")
    kind: dt.String = pa.code(
        ["headline", "watch", "exploratory"],
        "headline: for leads and packs; watch: to read more closely; exploratory: a"
        " control chart outside the family",
    )
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule, base, or rule at base")
    group_value: dt.String = pa.text("Which group; 'all' for the service, 'RULE at BASE'")
    side: dt.String = pa.code(["worse", "better"], "Which way it went")
    since: dt.String = pa.text("The likely first month of the change", nullable=True)
    since_low: dt.String = pa.text("The earliest that is plausible", nullable=True)
    since_high: dt.String = pa.text("The latest", nullable=True)
    ratio: dt.Float64 = pa.value("1", "The months since over those before")
    ratio_low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    ratio_high: dt.Float64 = pa.value("1", "Upper 95 % bound")
    statistic: dt.Float64 = pa.value("1", "The cumulative sum that passed the threshold")
    threshold: dt.Float64 = pa.value("1", "The threshold")
    certainty: dt.String = pa.code(
        ["sure", "depends"],
        "sure: whatever the month's missing trips would ordinarily hold; else depends",
    )
    missing: dt.Int32 = pa.count("Trips of the month missing then")
    standing: dt.String = pa.text(
        "stands; closed: by a person; ended: twelve months at the level before; revised: a later"
        " row holds; found no more; empty for an exploratory chart",
        nullable=True,
    )
    noticed_in_100: dt.Float64 = pa.value(
        "1", "Of 100 years with the change watched for, how many would signal"
    )
    sentence: dt.String = pa.text("The signal in words")
    so_far: dt.String = pa.text(
        "Its counts up to the month under review, where that is a later one and the signal stands",
        nullable=True,
    )
    conclusion: dt.String = pa.text("What a person closed it with", nullable=True)


class SignalCharts(pa.DataFrameModel):
    """Each month of each chart watched: what its sum is made from, and where the sum stands."""

    month: dt.String = pa.text("The month")
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule, base, or rule at base")
    group_value: dt.String = pa.text("Which group")
    charts: dt.String = pa.text("Whose threshold holds: service, sizes, rules, bases or records")
    numerator: dt.Float64 = pa.value("1", "Events, or trips with a variance", nullable=False)
    denominator: dt.Float64 = pa.value("see measure", "Hours, or trips judged", nullable=False)
    level: dt.Float64 = pa.value("see measure", "Rate an hour or share, of the months before")
    expected: dt.Float64 = pa.value("1", "Events expected at that level")
    k_eff: dt.Float64 = pa.value("1", "Shape of their count; null for shares")
    restart: dt.Boolean = pa.flag(
        "Whether sum and level begin anew: another protocol, or a retraining before"
    )
    increment: dt.Float64 = pa.value("1", "What the month adds to the sum")
    statistic: dt.Float64 = pa.value("1", "The sum that headlines are told by")
    threshold: dt.Float64 = pa.value("1", "Its threshold; null before one is set")
    watch_statistic: dt.Float64 = pa.value("1", "The sum that watches are told by")
    watch_threshold: dt.Float64 = pa.value("1", "Its threshold")
    certainty: dt.String = pa.code(
        ["sure", "ordinary", "depends"],
        "Of a headline, whatever the missing trips would ordinarily hold",
    )
    missing: dt.Int32 = pa.count("Trips of the month that are missing")
    noticed_in_100: dt.Float64 = pa.value(
        "1", "Of 100 years with the change watched for, how many would signal"
    )


class SignalTrips(pa.DataFrameModel):
    """The trips behind each signal towards worse that stands."""

    month: dt.String = pa.text("The signal's month")
    kind: dt.String = pa.text("headline or watch")
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("As in `signals`")
    group_value: dt.String = pa.text("Which group")
    trip_id: dt.String = pa.text("Token of a trip with an event or a variance, since the change")
    trip_month: dt.String = pa.text("Its service month")
    events: dt.Int32 = pa.count("Occlusions counted; 1 for a variance", "events")
    read: dt.Boolean = pa.flag("Whether a reader has concluded on it")
    held: dt.Boolean = pa.flag("Whether the reader confirmed it")


class SignalUnits(pa.DataFrameModel):
    """Vehicles and units that most trips behind a signal share, and few others."""

    month: dt.String = pa.text("The signal's month")
    kind: dt.String = pa.text("headline or watch")
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("As in `signals`")
    group_value: dt.String = pa.text("Which group")
    unit_kind: dt.String = pa.text("vehicle, ventilator or heater")
    unit: dt.String = pa.text("Which of them")
    trips: dt.Int32 = pa.count("Trips behind the signal with it")
    of: dt.Int32 = pa.count("Trips behind the signal")
    others: dt.Int32 = pa.count("Other trips of the same bases and months with it")
    of_others: dt.Int32 = pa.count("Other trips of the same bases and months")


class OneByOne(pa.DataFrameModel):
    """Rules of which each variance is shown by itself, and the trips since the last."""

    month: dt.String = pa.text("Month under review")
    rule: dt.String = pa.text("Id of the rule")
    came: dt.Int32 = pa.count("Variances of the month")
    all_came: dt.Int32 = pa.count("Variances up to the month")
    asked: dt.Int32 = pa.count("Trips of the month that the rule asks about")
    last_month: dt.String = pa.text("Month of the last variance; null if none", nullable=True)
    later: dt.Int32 = pa.count("Trips asked about since the last")
    undecided: dt.Int32 = pa.count("Of these, not told or borderline")
    watched: dt.Boolean = pa.flag("False where more than a fifth of the later trips are undecided")
    sentence: dt.String = pa.text("The same in words")


class Years(pa.DataFrameModel):
    """The twelve months to the one under review against the twelve before."""

    month: dt.String = pa.text("Month under review")
    measure: dt.String = pa.text("Id of the measure")
    group_by: dt.String = pa.text("service, cannula, rule or outcome")
    group_value: dt.String = pa.text("Which group")
    now_numerator: dt.Float64 = pa.value(
        "see measure", "Numerator of the last twelve", nullable=False
    )
    now_denominator: dt.Float64 = pa.value("see measure", "Their denominator", nullable=False)
    now: dt.Float64 = pa.value("see measure", "Their figure; a rate per 100 h")
    now_low: dt.Float64 = pa.value(
        "see measure", "Lower 95 % bound; null below ten trips of a rate"
    )
    now_high: dt.Float64 = pa.value("see measure", "Upper 95 % bound")
    before_numerator: dt.Float64 = pa.value("see measure", "Of the twelve before", nullable=False)
    before_denominator: dt.Float64 = pa.value("see measure", "Their denominator", nullable=False)
    before: dt.Float64 = pa.value("see measure", "Their figure")
    before_low: dt.Float64 = pa.value("see measure", "Lower 95 % bound")
    before_high: dt.Float64 = pa.value("see measure", "Upper 95 % bound")
    ratio: dt.Float64 = pa.value("1", "The last twelve over the twelve before")
    ratio_low: dt.Float64 = pa.value("1", "Lower 95 % bound")
    ratio_high: dt.Float64 = pa.value("1", "Upper 95 % bound; null where there is none")


SIGNAL_OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "signals": Signals,
    "signal_charts": SignalCharts,
    "signal_trips": SignalTrips,
    "signal_units": SignalUnits,
    "one_by_one": OneByOne,
    "years": Years,
}
"""Tables of signals by name; each is a data file of the month."""
