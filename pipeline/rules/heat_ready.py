"""Whether the gas was heated when the trip set out."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.departure import departure_answers, departure_sentences
from pipeline.rules.rule import GraceParameters, Parameters, Rule

CODE = "longer_unheated"


class HeatReadyParameters(GraceParameters):
    """Only the grace."""

    grace_min: float = Field(5, ge=0, description="minutes an authorising call may come late")


def answers(parameters: Parameters) -> str:
    """Humidification at departure."""
    return departure_answers(
        answer="""CASE i.humidification WHEN 'heated' THEN 'met'
                       WHEN 'unheated' THEN 'deviation' ELSE 'cannot_tell' END""",
        code=CODE,
    )


RULE = Rule(
    id="heat-ready",
    question="Was the gas heated at departure?",
    asks="Heated gas at departure",
    parameters=HeatReadyParameters,
    answers=answers,
    sentences=departure_sentences(
        met="The gas was heated at departure.",
        deviation="The gas was unheated at departure.",
        unknown="Humidification at departure is not known.",
    ),
    unknown_time="Humidification that is not known at departure cannot tell.",
    reason_to_ask="A heater takes minutes to warm; a trip that sets out cold stays cold for long.",
    source="common practice, no source",
    authorisation=CODE,
    settings_fields=("humidification",),
    evidence=("trips", "settings", "contacts"),
)
