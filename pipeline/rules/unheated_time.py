"""Minutes on unheated gas."""

from __future__ import annotations

from pipeline.rules.duration import (
    UNKNOWN_TIME,
    DurationParameters,
    duration_answers,
    duration_sentences,
)
from pipeline.rules.rule import Parameters, Rule

CODE = "longer_unheated"
STATES = """
    SELECT trip_key, from_s, until_s, humidification = 'unheated' AS in_state
    FROM version_timeline
"""


def answers(parameters: Parameters) -> str:
    """In the state while unheated; unknown where humidification is."""
    return duration_answers(parameters, STATES, CODE)


RULE = Rule(
    id="unheated-time",
    question="How long was the child on unheated gas?",
    asks="No more than {limit_min:g} minutes ({count}) unheated",
    parameters=DurationParameters,
    answers=answers,
    sentences=duration_sentences("Unheated gas"),
    unknown_time=UNKNOWN_TIME,
    reason_to_ask="Cold, dry gas at high flow dries and irritates the airway;"
    " unheated flow is a fallback for as short a time as possible.",
    source="common practice, no source; the limit is the local protocol's",
    unit="min",
    limit="limit_min",
    states=STATES,
    authorisation=CODE,
    settings_fields=("humidification",),
    evidence=("settings", "contacts"),
)
