"""Minutes on undiluted oxygen where an order bars it."""

from __future__ import annotations

from dataclasses import replace

from pydantic import Field

from pipeline.rules.duration import (
    DurationParameters,
    duration_answers,
    duration_rule,
    duration_sentences,
)
from pipeline.rules.sql_parameters import SqlParameters
from schemas.units import Severity

CODE = "longer_wall_oxygen"

# false where there is no such order; null where it is not known whether there is one
ORDERED = "CASE WHEN o.spo2_exempt THEN o.blend_ordered ELSE coalesce(o.blend_ordered, FALSE) END"


class BlendRequiredParameters(DurationParameters):
    """How long undiluted oxygen may last although an order bars it."""

    severity: Severity = Field("high", description="how soon a person should read a variance")


_MINUTES = duration_rule(
    id="blend-required",
    question="How long was the child on undiluted oxygen although an order barred it?",
    asks="Where an order bars undiluted oxygen, no more than {limit_min:g} minutes ({count}) on"
    " wall or cylinder oxygen",
    in_state=f"t.source IN ('wall', 'cylinder') AND {ORDERED}",
    joins="JOIN delivered.trips o USING (trip_key)",
    sentences={
        **duration_sentences("Undiluted oxygen against an order"),
        "order_unknown": "Another saturation target is ordered, and whether undiluted oxygen was"
        " barred is not recorded; the child was on it for {observed} min.",
        "not_ordered": "No order that bars undiluted oxygen is recorded.",
    },
    reason_to_ask="Where an order bars undiluted oxygen, as it may with a single ventricle or a"
    " large shunt, oxygen itself can do harm.",
    source="common practice, no source; the limit is the local protocol's",
    authorisation=CODE,
    settings_fields=("source",),
    parameters=BlendRequiredParameters,
)


def answers(p: SqlParameters) -> str:
    """The duration's answers where the order is known to be given; else it decides alone."""
    assert _MINUTES.states
    minutes = duration_answers(p, _MINUTES.states, CODE, "not_applicable")

    def shown(minutes: str) -> str:
        nothing = "m.verdict = 'not_applicable' AND o.blend_ordered IS NULL"
        return f"CASE WHEN {nothing} THEN 0 ELSE {minutes} END"

    applies = "o.blend_ordered OR o.blend_ordered IS NULL AND o.spo2_exempt"
    return f"""
    SELECT m.trip_key,
           CASE WHEN o.blend_ordered THEN m.verdict
                WHEN {applies} THEN 'cannot_tell' ELSE 'not_applicable' END AS verdict,
           CASE WHEN {applies} THEN {shown("m.observed_low")} END AS observed_low,
           CASE WHEN {applies} THEN {shown("m.observed_high")} END AS observed_high,
           CASE WHEN {applies} THEN m.from_s END AS from_s,
           CASE WHEN {applies} THEN m.until_s END AS until_s,
           CASE WHEN o.blend_ordered THEN m.why
                WHEN {applies} THEN 'order_unknown' ELSE 'not_ordered' END AS why
    FROM ({minutes}) m JOIN delivered.trips o USING (trip_key)
    """


RULE = replace(_MINUTES, answers=answers, trigger="blend_required", one_by_one=True)
