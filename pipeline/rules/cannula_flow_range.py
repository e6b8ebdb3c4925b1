"""Minutes at a flow outside the range of the cannula in use."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.rules.duration import DurationParameters, duration_rule


class CannulaFlowRangeParameters(DurationParameters):
    """As any duration rule; by itself the longest episode counts."""

    count: Literal["total", "longest"] = Field(
        "longest", description="the sum of all episodes, or the longest one"
    )


RULE = duration_rule(
    id="cannula-flow-range",
    question="How long did the flow lie outside the range of the cannula in use?",
    asks="No more than {limit_min:g} minutes ({count}) at a flow outside the cannula's range",
    parameters=CannulaFlowRangeParameters,
    in_state="t.flow_lpm < c.flow_min_lpm OR t.flow_lpm > c.flow_max_lpm",
    joins="""
    JOIN version_trips w USING (trip_key)
    LEFT JOIN delivered.cannula c
        ON c.delivery_no = w.delivery_no AND c.id = t.cannula
    """,
    sentences={
        "met": "Flow outside the cannula's range for {observed} min; the limit is {limit} min.",
        "deviation": "Flow outside the cannula's range for {observed} min, past the limit of"
        " {limit} min.",
        "authorised": "Flow outside the cannula's range for {observed} min, which is or may be past"
        " the limit of {limit} min; a call authorised it in time.",
        "borderline": "Flow outside the cannula's range for {observed} min; the recorded times are"
        " too coarse, or the record too broken, to say which side of {limit} min.",
        "unknown_time": "Flow outside the cannula's range for {observed} min; stretches where flow"
        " or cannula is not known, or the cannula not in the catalogue, could take it past {limit}"
        " min.",
        "calls_unknown": "Flow outside the cannula's range for {observed} min against a limit of"
        " {limit} min, and not all calls that may have authorised it are known.",
    },
    reason_to_ask="Too much flow for a cannula raises the pressure in it and the ventilator cuts"
    " the flow; too little does not support the child.",
    source="common practice, no source; the ranges are the service's catalogue",
    authorisation="flow_change",
    nothing="met",
    settings_fields=("flow_lpm", "cannula"),
    curves=("limit_min",),
    curves_place=4,
    fit="Flow outside the range",
)
