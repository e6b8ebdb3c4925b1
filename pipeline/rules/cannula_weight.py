"""Whether the cannula at departure suited the child's weight."""

from pipeline.rules.departure import departure_answers, departure_sentences
from pipeline.rules.rule import Rule
from schemas.rule_parameters import GraceParameters

CODE = "cannula_change"


RULE = Rule(
    id="cannula-weight",
    question="Did the cannula at departure suit the child's weight?",
    asks="The weight lies in the catalogue's range of the cannula in use at departure",
    parameters=GraceParameters,
    # both bounds belong to the range; a bound the catalogue leaves out does not limit
    answers=lambda p: departure_answers(
        p,
        answer="""CASE WHEN c.id IS NULL OR t.weight_kg IS NULL THEN 'cannot_tell'
                       WHEN t.weight_kg < c.weight_min_kg OR t.weight_kg > c.weight_max_kg
                           THEN 'deviation' ELSE 'met' END""",
        joins="""LEFT JOIN delivered.cannula c
                     ON c.delivery_no = i.delivery_no AND c.id = i.cannula""",
        code=CODE,
        observed="t.weight_kg",
    ),
    sentences=departure_sentences(
        met="The weight ({observed} kg) lies in the range of the cannula in use at departure.",
        deviation="The weight ({observed} kg) lies outside the range of the cannula in use at"
        " departure.",
        unknown="The weight or the cannula at departure is not known, or the cannula is not in the"
        " catalogue.",
    ),
    unknown_time="A weight or cannula that is not known at departure cannot tell.",
    reason_to_ask="Too large a cannula blocks the nostril, too small a one raises the pressure.",
    source="common practice, no source; the ranges are the service's catalogue",
    unit="kg",
    authorisation=CODE,
    settings_fields=("cannula",),
    evidence=("settings", "contacts"),
    trip_fields=("departed_s",),
    fit="Weight outside the range",
)
