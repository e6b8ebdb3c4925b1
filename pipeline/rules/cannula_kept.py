"""Whether the child stayed on the kind of cannula found on."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.first_charted import kept_answers
from pipeline.rules.rule import Rule
from schemas.rule_parameters import GraceParameters

CODE = "cannula_change"


class CannulaKeptParameters(GraceParameters):
    """Which family a child is moved to where the service carries no size of the one found on."""

    convert_to: str = Field("prong", min_length=1, description="family to convert to")


RULE = Rule(
    id="cannula-kept",
    question="Did the child stay on the kind of cannula found on?",
    asks="The first charted cannula is of the family found on, or of family {convert_to} where the"
    " service carries no size of it",
    parameters=CannulaKeptParameters,
    # families by the catalogue of the trip's own delivery
    answers=lambda p: kept_answers(
        p,
        field="cannula",
        code=CODE,
        answer=f"""CASE WHEN used.family IS NULL OR found.family IS NULL THEN 'cannot_tell'
                       WHEN used.family = CASE WHEN r.carried THEN found.family
                                               ELSE {p.convert_to} END THEN 'met'
                       ELSE 'deviation' END""",
        joins="""
        LEFT JOIN delivered.cannula used
            ON used.delivery_no = w.delivery_no AND used.id = f.value
        LEFT JOIN delivered.cannula found
            ON found.delivery_no = w.delivery_no AND found.id = t.sending_cannula
        LEFT JOIN (
            SELECT delivery_no, family, bool_or(carried) AS carried
            FROM delivered.cannula GROUP BY delivery_no, family
        ) r ON r.delivery_no = w.delivery_no AND r.family = found.family""",
    ),
    sentences={
        "met": "The first cannula is of the family the protocol asks for.",
        "deviation": "The first cannula is of another family than the protocol asks for.",
        "authorised": "The first cannula is of another family than the protocol asks for; a call"
        " authorised it in time.",
        "cannot_tell": "The cannula found on or the first one charted is missing or not in the"
        " catalogue.",
        "calls_unknown": "The first cannula is of another family than the protocol asks for, and"
        " not all calls that may have authorised it are known.",
    },
    unknown_time="A cannula that is missing or not in the catalogue cannot tell.",
    reason_to_ask="Each change of cannula disturbs a sick child; it is kept where possible.",
    source="common practice, no source; the exception is the local protocol's",
    authorisation=CODE,
    settings_fields=("cannula",),
    evidence=("settings", "contacts"),
    trip_fields=(),
)
