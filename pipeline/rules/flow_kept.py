"""Whether the crew began with the flow the sending hospital ran."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.first_charted import kept_answers
from pipeline.rules.fragments import within
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from schemas.rule_parameters import AtLimit, GraceParameters

CODE = "flow_change"


class FlowKeptParameters(GraceParameters):
    """How far the first flow may lie from the sending hospital's."""

    tolerance_lpm: float = Field(1, ge=0, description="difference allowed, L/min")
    tolerance_pct: float = Field(10, ge=0, description="or this percentage of the sending flow")
    at_limit: AtLimit = Field("pass", description="whether exactly the tolerance passes")


def answers(p: SqlParameters) -> str:
    """The larger of the two tolerances counts; rounding keeps 11.1 - 10.1 at 1."""
    larger = f"greatest({p.tolerance_lpm}, t.sending_flow_lpm * {p.tolerance_pct} / 100)"
    fits = within("observed", f"round({larger}, 6)", p.at_limit)
    return kept_answers(
        p,
        field="flow_lpm",
        code=CODE,
        answer=f"""CASE WHEN {fits} THEN 'met' WHEN NOT {fits} THEN 'deviation'
                        ELSE 'cannot_tell' END""",
        observed="round(abs(f.value - t.sending_flow_lpm), 6)",
        allowed="f.reason = 'clinical'",
    )


RULE = Rule(
    id="flow-kept",
    question="Did the crew begin with the flow the sending hospital ran?",
    asks="The first charted flow differs from the sending hospital's by no more than"
    " {tolerance_lpm:g} L/min or {tolerance_pct:g} %, whichever is larger, unless its charted"
    " reason is clinical",
    parameters=FlowKeptParameters,
    answers=answers,
    sentences={
        "met": "The first flow differs from the sending hospital's by {observed} L/min.",
        "deviation": "The first flow differs from the sending hospital's by {observed} L/min, more"
        " than allowed.",
        "authorised": "The first flow differs from the sending hospital's by {observed} L/min; a"
        " call authorised it.",
        "by_reason": "The first flow differs from the sending hospital's by {observed} L/min, for"
        " the charted reason: clinical.",
        "cannot_tell": "The sending hospital's flow or the crew's first flow is not known.",
        "calls_unknown": "The first flow differs from the sending hospital's by {observed} L/min,"
        " and not all calls that may have authorised it are known.",
    },
    unknown_time="Either flow missing cannot tell; so does a set-aside row of settings before the"
    " first charted flow.",
    reason_to_ask="A change of flow at the moment of a change of equipment hides which of the two"
    " the child reacts to.",
    source="common practice, no source; the tolerance is the local protocol's",
    unit="L/min",
    limit="tolerance_lpm",
    authorisation=CODE,
    settings_fields=("flow_lpm", "reason"),
    evidence=("settings", "contacts"),
    trip_fields=(),
)
