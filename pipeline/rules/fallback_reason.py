"""Whether every fall-back to unheated, undiluted gas has a charted reason."""

from __future__ import annotations

from typing import Literal, get_args

from pydantic import Field

from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from schemas.rule_parameters import Parameters

Reason = Literal[
    "start",
    "clinical",
    "heater_failed",
    "ventilator_failed",
    "power_lost",
    "supply_low",
    "repeated_occlusion",
    "comfort",
    "check",
]
"""The contract's reasons; named again because importing the contract takes pandera a second."""


class FallbackReasonParameters(Parameters):
    """Which reasons explain a fall-back, and how long before it they may be charted."""

    accepted_reasons: list[Reason] = Field(
        ["heater_failed", "ventilator_failed", "power_lost", "supply_low", "repeated_occlusion"],
        description="reasons that explain a fall-back",
        min_length=1,
    )
    reason_window_min: float = Field(
        5, ge=0, description="minutes before the fall-back in which the reason may be charted"
    )


def _answered(p: SqlParameters) -> str:
    """CTEs up to `answered`: each episode of a trip with its answer."""
    return f"""
    states AS (
        SELECT t.trip_key, t.from_s, t.until_s,
               t.humidification = 'unheated' AND t.source IN ('wall', 'cylinder') AS in_state
        FROM timeline_now t SEMI JOIN version_trips USING (trip_key)
    ),
    perhaps AS (SELECT DISTINCT trip_key FROM states WHERE in_state IS NULL),
    marked AS (
        SELECT *, lag(until_s) OVER trip IS DISTINCT FROM from_s AS begins
        FROM states WHERE in_state
        WINDOW trip AS (PARTITION BY trip_key ORDER BY from_s)
    ),
    numbered AS (
        SELECT *, sum(begins::INTEGER) OVER (PARTITION BY trip_key ORDER BY from_s) AS episode
        FROM marked
    ),
    episodes AS (
        SELECT trip_key, episode, min(from_s) AS from_s, max(until_s) AS until_s
        FROM numbered GROUP BY trip_key, episode
    ),
    charted AS (
        SELECT s.trip_key, s.at_s, FALSE AS lost, s.reason,
               coalesce(list_contains({p.accepted_reasons}, s.reason), FALSE) AS accepted
        FROM settings_now s SEMI JOIN episodes USING (trip_key)
        UNION ALL
        -- a set-aside row may have held the reason
        SELECT trip_key, at_s, TRUE, NULL, FALSE FROM lost_now WHERE table_name = 'settings'
    ),
    answered AS (
        SELECT e.trip_key, e.episode, e.from_s, e.until_s,
               min(c.reason) FILTER (c.accepted) AS first_reason,
               max(c.reason) FILTER (c.accepted) AS last_reason,
               CASE WHEN bool_or(c.accepted) THEN 'met'
                    WHEN bool_or(c.lost) THEN 'cannot_tell'
                    ELSE 'deviation' END AS answer
        FROM episodes e
        LEFT JOIN charted c
            ON c.trip_key = e.trip_key
            AND c.at_s >= e.from_s - {p.reason_window_s} AND c.at_s < e.until_s
        GROUP BY ALL
    )"""


def stretches(p: SqlParameters) -> str:
    """The episodes without a reason, or whose reason may have been set aside."""
    return f"""
    WITH {_answered(p)}
    SELECT trip_key, from_s, until_s,
           CASE answer WHEN 'deviation' THEN TRUE WHEN 'met' THEN FALSE END AS in_state
    FROM answered
    """


def answers(p: SqlParameters) -> str:
    """Every known fall-back needs a reason; unknown time matters only where there is none."""
    return f"""
    WITH {_answered(p)},
    judged AS (
        SELECT w.trip_key, w.open_end OR w.start_s IS NULL OR p.trip_key IS NOT NULL AS perhaps,
               count(a.answer) AS episodes, count(*) FILTER (a.answer = 'deviation') AS unexplained,
               count(*) FILTER (a.answer = 'cannot_tell') AS undecided,
               min(a.from_s) AS from_s, max(a.until_s) AS until_s,
               CASE WHEN min(a.first_reason) = max(a.last_reason) THEN min(a.first_reason) END
                   AS the_reason
        FROM version_trips w
        LEFT JOIN perhaps p USING (trip_key)
        LEFT JOIN answered a USING (trip_key)
        GROUP BY ALL
    )
    SELECT trip_key,
           CASE WHEN unexplained > 0 THEN 'deviation'
                WHEN undecided > 0 THEN 'cannot_tell'
                WHEN episodes > 0 THEN 'met'
                WHEN perhaps THEN 'cannot_tell'
                ELSE 'not_applicable' END AS verdict,
           CASE WHEN episodes > 0 THEN unexplained END AS observed_low,
           CASE WHEN episodes > 0 THEN unexplained + undecided END AS observed_high,
           from_s, until_s,
           CASE WHEN verdict = 'cannot_tell' AND undecided > 0 THEN 'reason_set_aside'
                WHEN verdict = 'met' AND the_reason IS NOT NULL THEN 'by_' || the_reason
                ELSE verdict END AS why
    FROM judged
    """


RULE = Rule(
    id="fallback-reason",
    question="Does every stretch of unheated, undiluted gas have a charted reason?",
    asks="Unheated gas straight from wall or cylinder has one of the accepted reasons charted from"
    " {reason_window_min:g} min before it begins until it ends",
    parameters=FallbackReasonParameters,
    answers=answers,
    stretches=stretches,
    sentences={
        "met": "Every charted stretch of unheated gas from wall or cylinder has an accepted"
        " reason.",
        **{
            f"by_{reason}": "Every charted stretch of unheated gas from wall or cylinder has an"
            f" accepted reason: {reason.replace('_', ' ')}."
            for reason in get_args(Reason)
        },
        "deviation": "Stretches of unheated gas from wall or cylinder without an accepted reason:"
        " {observed}.",
        "cannot_tell": "Source or humidification is unknown for a time that may have been a"
        " fall-back.",
        "reason_set_aside": "A row of settings near the fall-back was set aside; it may have held"
        " the reason.",
        "not_applicable": "No stretch of unheated gas from wall or cylinder.",
    },
    unknown_time="Stretches known to be both unheated and undiluted are judged. Unknown time"
    " matters only where there is no such stretch: then it may hide one, and the answer is cannot"
    " tell.",
    reason_to_ask="Straight to the wall without heat is the last resort; the chart should say what"
    " failed.",
    source="common practice, no source; the accepted reasons are the local protocol's",
    unit="episodes",
    settings_fields=("source", "humidification", "reason"),
    evidence=("settings",),
    evidence_margin_s=900,
)
