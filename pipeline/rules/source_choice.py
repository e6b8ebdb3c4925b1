"""Whether the ventilator was used where flow or transit asked for it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.rules.departure import departure_answers, departure_sentences
from pipeline.rules.fragments import beyond
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from schemas.rule_parameters import AtLimit, GraceParameters

CODE = "wall_instead_of_ventilator"
ASKED = ("deviation", "authorised", "calls_unknown")
"""Answers that say what asked for the ventilator: at no flow above the limit it was the transit."""

ANSWERS = departure_sentences(
    met="At departure the source in use served the flow ({observed} L/min) and planned transit, or"
    " neither asked for the ventilator.",
    deviation="At departure the flow ({observed} L/min, limit {limit}) asked for the ventilator,"
    " and another source was in use.",
    unknown="At departure the source, or the flow and transit that decide, are not known well"
    " enough.",
)
BY_TRANSIT = departure_sentences(
    met="",
    deviation="At departure the planned transit asked for the ventilator, whatever the flow, and"
    " another source was in use.",
    unknown="",
)


class SourceChoiceParameters(GraceParameters):
    """When the ventilator is needed, and which sources do as well."""

    flow_limit_lpm: float = Field(gt=0, description="above this flow the ventilator is needed")
    transit_limit_min: float = Field(gt=0, description="above this planned transit, too")
    at_limit: AtLimit = Field("pass", description="whether exactly the limit does without")
    satisfied_by: list[Literal["ventilator", "blender", "other"]] = Field(
        ["ventilator", "blender"], description="sources that satisfy the rule", min_length=1
    )


def answers(p: SqlParameters) -> str:
    """One answer for each instant that may have been the departure, then one verdict."""
    needed = (
        f"({beyond('i.flow_lpm', p.flow_limit_lpm, p.at_limit)}"
        f" OR {beyond('t.planned_transit_min', p.transit_limit_min, p.at_limit)})"
    )
    departures = departure_answers(
        p,
        answer=f"""CASE WHEN list_contains({p.satisfied_by}, i.source) THEN 'met'
                        WHEN NOT {needed} THEN 'met'
                        WHEN {needed} AND i.source IS NOT NULL THEN 'deviation'
                        ELSE 'cannot_tell' END""",
        code=CODE,
        observed="i.flow_lpm",
    )
    by_flow = f"coalesce({beyond('observed_high', p.flow_limit_lpm, p.at_limit)}, FALSE)"
    return f"""
    SELECT * REPLACE (
        CASE WHEN list_contains({list(ASKED)}, why) AND NOT {by_flow}
             THEN why || '_transit' ELSE why END AS why)
    FROM ({departures})"""


def blended_minutes(p: SqlParameters) -> str:
    """The minutes from departure on a known source that is not one asked for."""
    return f"""
    SELECT trip_key,
           coalesce(sum(l.until_s - greatest(l.from_s, t.departed_s)) / 60.0, 0) AS minutes
    FROM variances
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN timeline_now l ON l.trip_key = t.trip_key AND l.until_s > t.departed_s
        AND l.source IS NOT NULL AND NOT list_contains({p.satisfied_by}, l.source)
    GROUP BY trip_key
    """


RULE = Rule(
    id="source-choice",
    question="Where flow or transit asked for the ventilator, was it in use at departure?",
    asks="At departure, flow above {flow_limit_lpm:g} L/min or planned transit above"
    " {transit_limit_min:g} min needs the ventilator (or another source that blends)",
    parameters=SourceChoiceParameters,
    answers=answers,
    sentences={**ANSWERS, **{f"{why}_transit": BY_TRANSIT[why] for why in ASKED}},
    unknown_time="Flow or transit alone can decide: at a flow above the limit the transit does not"
    " matter, and below it an unknown transit does. A source that satisfies the rule needs neither."
    " A missing departure time cannot tell.",
    reason_to_ask="The wall outlet gives 100 % oxygen and runs short at high flow; the ventilator"
    " blends, and lasts.",
    source="common practice, no source; the limits are the local protocol's",
    unit="L/min",
    limit="flow_limit_lpm",
    authorisation=CODE,
    settings_fields=("source", "flow_lpm"),
    evidence=("settings", "contacts"),
    trip_fields=("departed_s",),
    transit_limit="transit_limit_min",
    curves=("flow_limit_lpm", "transit_limit_min"),
    curves_place=3,
    blended_minutes=blended_minutes,
)
