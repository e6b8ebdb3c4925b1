"""Every rule of the protocol asked of every trip of a delivery."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .departure import cannula_weight, heat_ready, source_choice
from .durations import blend_required, cannula_flow_range, unheated_time, wall_oxygen_time
from .first_charted import cannula_kept, flow_kept
from .gaps import escalation_call, monitoring_gap, settings_gap
from .model import Case, Delivery, Finding, Row, Verdict, gather
from .observations import low_saturation_response, oxygen_titration
from .occlusions import flow_interruption, repeated_occlusion_call
from .reasons import fallback_reason
from .series import known_timeline

RULES: dict[str, Callable[[Case, Row], Finding]] = {
    "wall-oxygen-time": wall_oxygen_time,
    "unheated-time": unheated_time,
    "source-choice": source_choice,
    "fallback-reason": fallback_reason,
    "flow-kept": flow_kept,
    "cannula-kept": cannula_kept,
    "cannula-flow-range": cannula_flow_range,
    "cannula-weight": cannula_weight,
    "repeated-occlusion-call": repeated_occlusion_call,
    "flow-interruption": flow_interruption,
    "heat-ready": heat_ready,
    "oxygen-titration": oxygen_titration,
    "low-saturation-response": low_saturation_response,
    "monitoring-gap": monitoring_gap,
    "settings-gap": settings_gap,
    "escalation-call": escalation_call,
    "blend-required": blend_required,
}


def judge(delivery: Delivery) -> list[Verdict]:
    """A verdict for every trip and every enabled rule of the version in force for it."""
    verdicts = []
    for case in gather(delivery):
        for name, rule in case.version["rules"].items():
            if rule.get("enabled", True):
                verdicts.append(_verdict(case, name, RULES[name](case, rule)))
    return verdicts


def _verdict(case: Case, name: str, finding: Finding) -> Verdict:
    trip_id, version = case.trip["trip_id"], case.version["id"]
    if finding.verdict == "not_applicable":
        finding = Finding("not_applicable", limit=finding.limit, unit=finding.unit)
    return Verdict(trip_id, name, **vars(finding), protocol_version=version)


def timeline(delivery: Delivery) -> list[tuple[Any, ...]]:
    """(trip_id, from_s, until_s, source, flow, fio2, humidification, cannula); None is unknown."""
    return [
        (case.trip["trip_id"], *vars(interval).values())
        for case in gather(delivery)
        for interval in known_timeline(case)
    ]
