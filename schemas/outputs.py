"""Every table the review writes: the data files beside a page, and what the page is drawn from.

Percentages and shares are fractions of 1; rates carry their unit. Null means "not known" or
"does not apply", never zero.
"""

from __future__ import annotations

from typing import Any

from schemas import kinds as dt
from schemas import shape as pa
from schemas.contract import BEHAVIOURS, HUMIDIFICATIONS, SOURCES
from schemas.units import SEVERITIES
from schemas.work import FINDING_STATES, WORK_STATES
from schemas.work import KINDS as WORK_KINDS

VERDICTS = ["met", "authorised", "borderline", "cannot_tell", "deviation", "not_applicable"]
PROBLEM_KINDS = ["missing_trip", "set_aside", "doubtful", "contradiction", "mention"]
HELD_PATTERNS = ["flow_above_range", "cannula_small", "child_unsettled"]
"""The columns that say whether a pattern holds at an occlusion; the first that does leads."""
PATTERNS = [*HELD_PATTERNS, "none_of_these", "unknown"]
ACTIONS = ["less_flow", "larger_cannula", "reseated", "to_wall", "contact"]
"""What a crew may do next; of several at one second the first in this order leads."""
NEXT_ACTIONS = [*ACTIONS, "nothing"]
WHAT_FOLLOWED = "What followed is not what helped: crews act on the worst cases."
"""Goes wherever what followed an occlusion is shown."""


def _maybe(description: str) -> Any:
    return pa.flag(f"{description}; null where it cannot be said", nullable=True)


class Verdicts(pa.DataFrameModel):
    """One row for each trip of the month and each rule of its protocol version."""

    trip_id: dt.String = pa.text("Token of the trip")
    rule: dt.String = pa.text("Id of the rule")
    verdict: dt.String = pa.code(VERDICTS, "The rule's answer for the trip")
    observed_low: dt.Float64 = pa.value("see unit", "Least value the record allows")
    observed_high: dt.Float64 = pa.value("see unit", "Largest value; null where unbounded")
    limit: dt.Float64 = pa.value("see unit", "The protocol's limit")
    unit: dt.String = pa.text("Unit of observed and limit", nullable=True)
    from_s: dt.Int32 = pa.value("s", "Start of what the verdict rests on")
    until_s: dt.Int32 = pa.value("s", "End of what the verdict rests on")
    reason: dt.String = pa.text("The verdict in a sentence")
    protocol_version: dt.String = pa.text("Id of the protocol version that judged the trip")


class Evidence(pa.DataFrameModel):
    """The delivered rows a verdict rests on, for verdicts that are not met."""

    trip_id: dt.String = pa.text("Token of the trip")
    rule: dt.String = pa.text("Id of the rule")
    delivery: dt.Int32 = pa.value("1", "Number of the delivery in the store", nullable=False)
    file: dt.String = pa.text("File of the delivery")
    line: dt.Int32 = pa.value("line", "Line of the file; the header is line 1", nullable=False)


class Timeline(pa.DataFrameModel):
    """A trip cut into half-open intervals [from_s, until_s) of constant support."""

    trip_id: dt.String = pa.text("Token of the trip")
    from_s: dt.Int32 = pa.value("s", "Start, elapsed since the bedside", nullable=False)
    until_s: dt.Int32 = pa.value("s", "End, not included", nullable=False)
    source: dt.String = pa.code(SOURCES, "Gas source; null where unknown", nullable=True)
    flow_lpm: dt.Float64 = pa.value("L/min", "Flow; null where unknown")
    fio2: dt.Float64 = pa.value("1", "Inspired oxygen fraction; null where unknown")
    humidification: dt.String = pa.code(
        HUMIDIFICATIONS, "Heated or unheated; null where unknown", nullable=True
    )
    cannula: dt.String = pa.text("Catalogue id; null where unknown", nullable=True)


class Occlusions(pa.DataFrameModel):
    """One row an occlusion event after blockages are merged, with the setting in force."""

    trip_id: dt.String = pa.text("Token of the trip")
    at_s: dt.Int32 = pa.value("s", "When, on the charts' clock", nullable=False)
    device_at_s: dt.Int32 = pa.value("s", "When, on the device's clock", nullable=False)
    logged_events: dt.Int32 = pa.count("Logged events merged into it", "events")
    pressure_cmh2o: dt.Float64 = pa.value("cmH2O", "Largest pressure logged")
    cutoff_s: dt.Float64 = pa.value("s", "How long the flow stayed cut; null where not logged")
    source: dt.String = pa.text("Gas source in force; null where unknown", nullable=True)
    cannula: dt.String = pa.text("Cannula in force; null where unknown", nullable=True)
    flow_lpm: dt.Float64 = pa.value("L/min", "Flow in force; null where unknown")
    counted: dt.Boolean = pa.flag("Whether the occlusion rates count it")
    not_counted_because: dt.String = pa.text("Why the rates leave it out", nullable=True)
    fio2: dt.Float64 = pa.value("1", "Inspired oxygen fraction in force; null where unknown")
    humidification: dt.String = pa.code(
        HUMIDIFICATIONS, "In force; null where unknown", nullable=True
    )
    behaviour: dt.String = pa.code(
        BEHAVIOURS, "Charted nearest to it; null where none within 2 min either side", nullable=True
    )
    spo2_after_pct: dt.Float64 = pa.value(
        "%", "Lowest SpO2 charted within 10 min after it; null where none is"
    )
    heart_rate_after: dt.Float64 = pa.value(
        "1/min", "Lowest heart rate charted within 10 min after it; null where none is"
    )
    pattern: dt.String = pa.code(
        PATTERNS, "The first pattern that holds; none_of_these where surely none does"
    )
    flow_above_range: dt.Boolean = _maybe("The flow was above the cannula's range")
    cannula_small: dt.Boolean = _maybe("The weight was above the cannula's range")
    child_unsettled: dt.Boolean = _maybe("Crying, coughing or agitated within 2 min either side")
    watched: dt.Boolean = pa.flag("Whether the known record goes on for 15 min after it")
    next_action: dt.String = pa.code(
        NEXT_ACTIONS, f"What the crew charted first within 15 min. {WHAT_FOLLOWED}", nullable=True
    )
    action_after_s: dt.Int32 = pa.value(
        "s", "When that was charted, after the occlusion; below 0 where times are truncated"
    )
    less_flow: dt.Boolean = _maybe("Flow was lowered within 15 min")
    larger_cannula: dt.Boolean = _maybe("A larger cannula of the family was put on within 15 min")
    reseated: dt.Boolean = _maybe(
        "The same cannula was charted anew for repeated occlusion, and nothing else changed, within"
        " 15 min: perhaps reseated, for which the record has no word"
    )
    to_wall: dt.Boolean = _maybe("The child was moved to wall or cylinder within 15 min")
    contact: dt.Boolean = _maybe("A call was recorded within 15 min")
    another_within_15_min: dt.Boolean = _maybe(
        f"Another came within 15 min; null unless watched. {WHAT_FOLLOWED}"
    )
    prolonged: dt.Boolean = _maybe(
        "The cut-off passed the protocol's longest; null without its length or that limit"
    )
    restart_logged: dt.Boolean = _maybe(
        "A restart is logged before the next occlusion; null where the log has none at all"
    )
    unrecovered: dt.Boolean = _maybe("Neither a restart nor the length of the cut-off is logged")
    outside_ventilator: dt.Boolean = pa.flag(
        "Further from any ventilator or unknown time than the clock may be off"
    )


class OcclusionPatterns(pa.DataFrameModel):
    """What the counted occlusions came with, and what followed.

    What followed is not what helped: crews act on the worst cases. An event that fits several
    patterns stands in the row of each; next actions add up to the events of their row.
    """

    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    pattern: dt.String = pa.code([*PATTERNS, "all"], "Which events; all of them")
    events: dt.Int32 = pa.count("Events the rates count", "events")
    only_this: dt.Int32 = pa.count("Those that fit no other pattern", "events")
    trips: dt.Int32 = pa.count("Trips with such an event")
    less_flow: dt.Int32 = pa.count("Flow was lowered first", "events")
    larger_cannula: dt.Int32 = pa.count("A larger cannula came first", "events")
    reseated: dt.Int32 = pa.count("Perhaps reseated first", "events")
    to_wall: dt.Int32 = pa.count("Moved to wall or cylinder first", "events")
    contact: dt.Int32 = pa.count("A call came first", "events")
    nothing: dt.Int32 = pa.count("No change was charted in 15 min", "events")
    next_unknown: dt.Int32 = pa.count("Nothing seen, and the record ends or has holes", "events")
    watched: dt.Int32 = pa.count("Known whether another came in 15 min", "events")
    another_within_15_min: dt.Int32 = pa.count("Of these, another came", "events")
    prolonged: dt.Int32 = pa.count("Cut-off surely past the longest", "events")
    unrecovered: dt.Int32 = pa.count("No sign that flow came back", "events")


class ClockOffsets(pa.DataFrameModel):
    """How far device clocks were off the charts, over the trips with device events.

    Offsets are device minus charts, of every start matched to a charted one. Only starts within
    15 min of it can match: a clock further off is among the unmatched.
    """

    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    trips: dt.Int32 = pa.count("Trips with device events")
    matched: dt.Int32 = pa.count("Offset measured and removed")
    beyond_limit: dt.Int32 = pa.count("Measured, too large to remove")
    unmatched: dt.Int32 = pa.count("No start to match")
    p5_s: dt.Float64 = pa.value("s", "5 % of offsets lie below; null where none was measured")
    p25_s: dt.Float64 = pa.value("s", "25 % lie below")
    median_s: dt.Float64 = pa.value("s", "Half lie below")
    p75_s: dt.Float64 = pa.value("s", "75 % lie below")
    p95_s: dt.Float64 = pa.value("s", "95 % lie below")
    mean_abs_s: dt.Float64 = pa.value("s", "Mean of the offsets without their sign")


class Measures(pa.DataFrameModel):
    """Every figure of the pages, one a row, with what it was made from."""

    measure: dt.String = pa.text("Id of the measure, e.g. occlusion-rate")
    month: dt.String = pa.text("Month, or 'to YYYY-MM' for all months up to the one reviewed")
    group_by: dt.String = pa.text("service, cannula, flow_share, rule, base or source")
    group_value: dt.String = pa.text("Which group; 'all' for the service")
    numerator: dt.Float64 = pa.value("see unit", "Numerator", nullable=False)
    denominator: dt.Float64 = pa.value("see unit", "Denominator", nullable=False)
    unit: dt.String = pa.text("Unit of the estimate")
    estimate: dt.Float64 = pa.value("see unit", "Numerator over denominator; null where nothing")
    low: dt.Float64 = pa.value(
        "see unit", "Lower 95 % bound; null for an occlusion rate of fewer than ten trips"
    )
    high: dt.Float64 = pa.value("see unit", "Upper 95 % bound")
    method: dt.String = pa.text("Method of the interval")
    trips: dt.Int32 = pa.count("Trips that contribute")
    left_out: dt.Int32 = pa.count("Trips that could not be counted")
    bound_low: dt.Float64 = pa.value("1", "Share if every undecided trip were none")
    bound_high: dt.Float64 = pa.value("1", "Share if every undecided trip were one")
    k_eff: dt.Float64 = pa.value(
        "1", "Of an occlusion rate: shape of its count, from the service's k and the trips' hours"
    )


class Problems(pa.DataFrameModel):
    """What is wrong with the records, and what to do; never a value that may identify."""

    kind: dt.String = pa.code(PROBLEM_KINDS, "What became of it")
    problem: dt.String = pa.text("Short id of the problem")
    delivery: dt.Int32 = pa.value("1", "Number of the delivery in the store")
    file: dt.String = pa.text("File of the delivery", nullable=True)
    line: dt.Int32 = pa.value("line", "Line of the file")
    column: dt.String = pa.text("Column", nullable=True)
    trip_id: dt.String = pa.text("Token of the trip", nullable=True)
    what: dt.String = pa.text("The problem in a sentence")
    remedy: dt.String = pa.text("One thing to do")


class Cases(pa.DataFrameModel):
    """One row a trip with work on it: those to read first, then the audit, then the batches."""

    reading_order: dt.Int32 = pa.value("1", "1 is read first", nullable=False)
    trip_id: dt.String = pa.text("Token of the trip")
    base: dt.String = pa.text("Token of the base")
    vehicle: dt.String = pa.text("Kind of vehicle")
    cannula: dt.String = pa.text("Cannula used longest; null where unknown", nullable=True)
    kind: dt.String = pa.code(
        WORK_KINDS[:3], "read, audit, or batch: concluded with others of its rule"
    )
    group: dt.String = pa.text(
        "Why it is here: always_read, deviation, borderline (the kind of the leading flag), audit"
        " or batch"
    )
    severity: dt.String = pa.text("Severity of the leading finding", nullable=True)
    leading_rule: dt.String = pa.text("The rule that put it here", nullable=True)
    rules: dt.String = pa.text("Every rule with a finding, separated by spaces", nullable=True)
    why: dt.String = pa.text("Why the trip is here, in a sentence")


class Flags(pa.DataFrameModel):
    """One row a flag: a deviation or a borderline of one trip under one rule, with its kind."""

    trip_id: dt.String = pa.text("Token of the trip")
    base: dt.String = pa.text("Token of the base")
    rule: dt.String = pa.text("Id of the rule")
    verdict: dt.String = pa.code(["deviation", "borderline"], "The rule's answer for the trip")
    severity: dt.String = pa.code(SEVERITIES, "Severity in the protocol")
    kind: dt.String = pa.code(
        ["read", "batch"],
        "read: concluded on a trip that a person reads; batch: with others of its rule",
    )
    reason: dt.String = pa.text("The verdict in a sentence")
    state: dt.String = pa.code(
        FINDING_STATES, "stale: concluded, and the record or the verdict has changed since"
    )
    conclusion: dt.String = pa.text("What was concluded; null: nothing that holds", nullable=True)


class Work(pa.DataFrameModel):
    """The month's work, in order: trips to read, the random audit, batches, records to fetch.

    A trip stands once in what is read, under its first reason.
    """

    kind: dt.String = pa.code(
        WORK_KINDS,
        "read and audit: a trip; batch: a flag, concluded with others of its rule;"
        " fetch: records of a trip that somebody can still get",
    )
    trip_id: dt.String = pa.text("Token of the trip")
    base: dt.String = pa.text("Token of the base")
    why: dt.String = pa.text("Why it is here, in a sentence")
    rule: dt.String = pa.text("The first rule it is here for; null: none", nullable=True)
    severity: dt.String = pa.text("Severity of that rule", nullable=True)
    place: dt.Int32 = pa.value("1", "Place in the order of its kind; 1 is first", nullable=False)
    state: dt.String = pa.code(WORK_STATES, "Where it stands")
    rules: dt.String = pa.text(
        "Every rule with a flag, separated by spaces; fetch: every rule it may settle",
        nullable=True,
    )


class Equipment(pa.DataFrameModel):
    """Units on whose trips the flow was cut too long, or that were charted to have failed.

    Counts are of trips; a trip on which power was lost stands under both of its units.
    """

    months: dt.String = pa.text("Month, or 'to YYYY-MM' for the twelve months to the one reviewed")
    kind: dt.String = pa.code(["ventilator", "heater"], "Kind of unit")
    unit: dt.String = pa.text("Token of the unit; null where the trips name none", nullable=True)
    trips: dt.Int32 = pa.count("Trips with the unit")
    interruptions: dt.Int32 = pa.count("Trips flagged for how long the flow was cut")
    longest_cutoff_s: dt.Float64 = pa.value("s", "Longest cut-off of these; null where not known")
    ventilator_failed: dt.Int32 = pa.count("Charted: ventilator failed")
    heater_failed: dt.Int32 = pa.count("Charted: heater failed")
    power_lost: dt.Int32 = pa.count("Charted: power lost")
    trip_ids: dt.String = pa.text("Tokens of those trips, the latest month first")


class RuleCounts(pa.DataFrameModel):
    """The rules table of a month: how many trips got which verdict."""

    rule: dt.String = pa.text("Id of the rule")
    severity: dt.String = pa.code(SEVERITIES, "Severity in the protocol")
    met: dt.Int32 = pa.count("Trips met")
    authorised: dt.Int32 = pa.count("Trips authorised")
    borderline: dt.Int32 = pa.count("Trips borderline")
    cannot_tell: dt.Int32 = pa.count("Trips that could not be judged")
    deviation: dt.Int32 = pa.count("Trips with a variance for review")
    not_applicable: dt.Int32 = pa.count("Trips the rule does not ask about")


OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "verdicts": Verdicts,
    "evidence": Evidence,
    "timeline": Timeline,
    "occlusions": Occlusions,
    "occlusion_patterns": OcclusionPatterns,
    "clock_offsets": ClockOffsets,
    "measures": Measures,
    "problems": Problems,
    "cases": Cases,
    "work": Work,
    "flags": Flags,
    "equipment": Equipment,
    "rule_counts": RuleCounts,
}
"""Every table written, by name; all but rule_counts are also data files of the month."""
