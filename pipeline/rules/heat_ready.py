"""Whether the gas was heated when the trip set out."""

from pipeline.rules.departure import departure_answers, departure_sentences
from pipeline.rules.rule import Rule
from schemas.rule_parameters import GraceParameters

CODE = "longer_unheated"


RULE = Rule(
    id="heat-ready",
    question="Was the gas heated at departure?",
    asks="Heated gas at departure",
    parameters=GraceParameters,
    answers=lambda p: departure_answers(
        p,
        answer="""CASE i.humidification WHEN 'heated' THEN 'met'
                       WHEN 'unheated' THEN 'deviation' ELSE 'cannot_tell' END""",
        code=CODE,
    ),
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
    evidence=("settings", "contacts"),
    trip_fields=("departed_s",),
)
