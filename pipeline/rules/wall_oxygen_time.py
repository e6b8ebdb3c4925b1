"""Minutes on undiluted oxygen from the wall or a cylinder."""

from __future__ import annotations

from pipeline.rules.duration import (
    UNKNOWN_TIME,
    DurationParameters,
    duration_answers,
    duration_sentences,
)
from pipeline.rules.rule import Parameters, Rule

CODE = "longer_wall_oxygen"
STATES = """
    SELECT trip_key, from_s, until_s, source IN ('wall', 'cylinder') AS in_state
    FROM version_timeline
"""


def answers(parameters: Parameters) -> str:
    """In the state on wall or cylinder; unknown where the source is."""
    return duration_answers(parameters, STATES, CODE)


RULE = Rule(
    id="wall-oxygen-time",
    question="How long was the child on undiluted oxygen from the wall or a cylinder?",
    asks="No more than {limit_min:g} minutes ({count}) on wall or cylinder oxygen",
    parameters=DurationParameters,
    answers=answers,
    sentences=duration_sentences("Undiluted oxygen from wall or cylinder"),
    unknown_time=UNKNOWN_TIME,
    reason_to_ask="The wall outlet cannot blend, so time on it is time on 100 % oxygen;"
    " more than the child needs is avoidable exposure to hyperoxia.",
    source="common practice, no source; the limit is the local protocol's",
    unit="min",
    limit="limit_min",
    states=STATES,
    authorisation=CODE,
    settings_fields=("source",),
    evidence=("settings", "contacts"),
)
