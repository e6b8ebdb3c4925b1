"""Whether repeated occlusions led to a call to medical direction in time."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.flow_interruption import RULE as FLOW_INTERRUPTION
from pipeline.rules.fragments import excused
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from pipeline.rules.ventilator_log import as_logged, ventilator_use
from schemas.rule_parameters import Parameters


class RepeatedOcclusionCallParameters(Parameters):
    """How many occlusions within how long ask for a call, and when the call counts."""

    count: int = Field(3, ge=1, description="occlusions that make a repetition")
    window_min: float = Field(10, gt=0, description="minutes within which they fall")
    lead_min: float = Field(5, ge=0, description="minutes a call may come before the last of them")
    within_min: float = Field(10, gt=0, description="minutes within which the call must follow")


def _trigger(p: SqlParameters, table: str) -> str:
    """The last of the first repetition, and its first."""
    return f"""
    SELECT trip_key, min(at_s) AS at_s, arg_min(first_s, at_s) AS first_s
    FROM (
        SELECT trip_key, at_s, lag(at_s, {p.count} - 1) OVER (
                   PARTITION BY trip_key ORDER BY at_s, line) AS first_s
        FROM {table}
    )
    WHERE at_s - first_s <= {p.window_s}
    GROUP BY trip_key
    """


def answers(p: SqlParameters) -> str:
    """The first repetition against every call; both clocks' error is carried in the delay."""
    return f"""
    WITH trigger AS ({_trigger(p, "(FROM occlusion_now WHERE in_window = 'inside')")}),
    perhaps AS ({_trigger(p, "occlusion_if_open_now")}),
    use AS ({ventilator_use()}),
    delays AS (
        SELECT g.trip_key, c.at_s,
               abs(c.at_s - g.at_s) AS distance_s,
               CASE WHEN c.at_s - g.at_s - w.r_device - k.tolerance_s >= -{p.lead_s}
                     AND c.at_s - g.at_s + w.r_contacts + k.tolerance_s <= {p.within_s}
                    THEN 0 ELSE 1 END AS in_time,
               c.at_s - g.at_s - w.r_device - k.tolerance_s AS low_s,
               c.at_s - g.at_s + w.r_contacts + k.tolerance_s AS high_s
        FROM trigger g
        JOIN version_trips w USING (trip_key)
        JOIN clock_now k USING (trip_key)
        JOIN contacts_now c USING (trip_key)
        WHERE c.contacted = 'medical_direction'
    ),
    calls AS (
        SELECT trip_key,
               bool_or(low_s >= -{p.lead_s} AND high_s <= {p.within_s}) AS surely,
               bool_and(high_s < -{p.lead_s} OR low_s > {p.within_s}) AS surely_not,
               -- the call shown is the one that keeps the rule, else the nearest
               arg_min(low_s, (in_time, distance_s, at_s)) AS low_s,
               arg_min(high_s, (in_time, distance_s, at_s)) AS high_s
        FROM delays GROUP BY trip_key
    ),
    judged AS (
        SELECT w.trip_key, w.start_s, w.log_complete, w.contacts_known,
               g.first_s, g.at_s, c.low_s, c.high_s,
               u.no_ventilator,
               CASE WHEN g.trip_key IS NULL
                        THEN CASE WHEN p.trip_key IS NULL THEN 'not_applicable'
                                  ELSE 'cannot_tell' END
                    WHEN c.surely THEN 'met'
                    WHEN coalesce(c.surely_not, TRUE) THEN 'deviation'
                    ELSE 'borderline' END AS plain
        FROM version_trips w
        LEFT JOIN trigger g USING (trip_key)
        LEFT JOIN perhaps p USING (trip_key)
        LEFT JOIN calls c USING (trip_key)
        JOIN use u USING (trip_key)
    )
    SELECT trip_key,
           {as_logged(excused("plain", "FALSE", "contacts_known"))} AS verdict,
           CASE WHEN NOT no_ventilator THEN round(low_s / 60, 2) END AS observed_low,
           CASE WHEN NOT no_ventilator THEN round(high_s / 60, 2) END AS observed_high,
           CASE WHEN NOT no_ventilator THEN first_s END AS from_s,
           CASE WHEN NOT no_ventilator THEN at_s END AS until_s,
           CASE WHEN no_ventilator THEN 'no_ventilator'
                WHEN start_s IS NULL THEN 'no_settings'
                WHEN verdict = 'cannot_tell' AND plain = 'cannot_tell' THEN 'after_known_end'
                WHEN verdict = 'cannot_tell' AND plain IN ('deviation', 'borderline')
                    THEN 'calls_unknown'
                WHEN verdict = 'cannot_tell' THEN 'log_incomplete'
                WHEN verdict = 'deviation' AND low_s IS NULL THEN 'no_call'
                ELSE verdict END AS why
    FROM judged
    """


RULE = Rule(
    id="repeated-occlusion-call",
    trigger="repeated_occlusion_without_call",
    question="When occlusions came repeatedly, was medical direction called in time?",
    asks="After {count} occlusions within {window_min:g} min, a call to medical direction from"
    " {lead_min:g} min before to {within_min:g} min after the last of them",
    parameters=RepeatedOcclusionCallParameters,
    answers=answers,
    sentences={
        "met": "Repeated occlusions, and medical direction was called in time ({observed} min after"
        " the last of them; below 0 is before).",
        "deviation": "Repeated occlusions; the nearest call to medical direction came {observed}"
        " min after the last of them (below 0 is before), outside the time allowed.",
        "no_call": "Repeated occlusions, and no call to medical direction is recorded.",
        "borderline": "Repeated occlusions; the nearest call came {observed} min after the last of"
        " them (below 0 is before), and the clocks do not agree well enough to say whether that was"
        " in time.",
        "not_applicable": "Occlusions did not repeat.",
        "no_ventilator": "The ventilator was not in use.",
        "no_settings": "No settings are charted, so the trip has no review window.",
        "log_incomplete": "The device log is missing or incomplete, so occlusions may be missing.",
        "after_known_end": "Occlusions repeat only after the last charted setting, and there is no"
        " hand-over time.",
        "calls_unknown": "Repeated occlusions, and not all calls of this trip are known.",
    },
    unknown_time="An incomplete device log cannot show that nothing happened or that a call was in"
    " time, so met and not applicable become cannot tell. The device's clock offset is removed"
    " where a start stands in both records; what remains widens the delay.",
    reason_to_ask="Once or twice is ordinary; repeatedly means that the cannula, its position or"
    " the flow is wrong for the child, and a second mind is needed.",
    source="common practice, no source; the counts are the local protocol's",
    unit="min",
    limit="within_min",
    limit_runs_from="until_s",
    due="call",
    within=FLOW_INTERRUPTION.id,
    settings_fields=("source",),
    evidence=("device_events", "contacts"),
    one_by_one=True,
)
