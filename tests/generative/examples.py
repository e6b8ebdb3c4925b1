"""Small cases of one trip, and the twin's answers to them."""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from typing import Any

from .twin import Verdict, judge

TABLES = ("trips", "settings", "device_events", "observations", "contacts")
PROTOCOL: dict[str, Any] = {
    "id": "2026.1",
    "from_month": "2026-01",
    "carry_forward_min": "until_changed",
    "merge_within_s": 0,
    "clock_tolerance_s": 120,
    "matched_tolerance_s": 60,
    "rules": {
        "wall-oxygen-time": {"limit_min": 50, "count": "total", "grace_min": 5},
        "unheated-time": {"limit_min": 15, "count": "longest", "grace_min": 0},
        "source-choice": {
            "flow_limit_lpm": 18,
            "transit_limit_min": 50,
            "at_limit": "pass",
            "satisfied_by": ["ventilator", "blender"],
            "grace_min": 5,
        },
        "fallback-reason": {
            "accepted_reasons": ["heater_failed", "ventilator_failed", "power_lost"],
            "reason_window_min": 5,
        },
        "repeated-occlusion-call": {
            "count": 3,
            "window_min": 10,
            "lead_min": 5,
            "within_min": 10,
        },
    },
}
CATALOGUE = [
    {
        "id": "prong-2",
        "family": "prong",
        "size_rank": 2,
        "label": "prong 2",
        "flow_min_lpm": 2,
        "flow_max_lpm": 12,
        "weight_min_kg": 3,
        "weight_max_kg": 8,
        "carried": True,
    }
]


def setting(at_s: int, **charted: Any) -> dict[str, Any]:
    fields = ("support", "source", "flow_lpm", "fio2", "humidification", "cannula", "reason")
    return {"trip_id": "T1", "at_s": at_s, **dict.fromkeys(fields), **charted}


def contact(at_s: int, authorised: str | None = None) -> dict[str, Any]:
    return {
        "trip_id": "T1",
        "at_s": at_s,
        "contacted": "medical_direction",
        "about": None,
        "authorised": authorised,
    }


def device(at_s: int, event: str = "occlusion", cutoff_s: float | None = 8) -> dict[str, Any]:
    return {
        "trip_id": "T1",
        "at_s": at_s,
        "event": event,
        "pressure_cmh2o": None,
        "cutoff_s": cutoff_s,
    }


def observation(at_s: int, **seen: Any) -> dict[str, Any]:
    fields = ("spo2_pct", "resp_rate", "heart_rate", "behaviour")
    return {"trip_id": "T1", "at_s": at_s, **dict.fromkeys(fields), **seen}


def lost(table: str, at_s: int | None, position: int) -> dict[str, Any]:
    return {"table": table, "trip_id": "T1", "at_s": at_s, "position": position}


def delivery(
    *settings: dict[str, Any],
    trip: dict[str, Any] | None = None,
    contacts: list[dict[str, Any]] | None = None,
    device_events: list[dict[str, Any]] | None = None,
    observations: list[dict[str, Any]] | None = None,
    set_aside: list[dict[str, Any]] | None = None,
    resolution: int = 1,
    not_recorded: list[str] | None = None,
    **version: Any,
) -> dict[str, Any]:
    """A delivery of the one trip T1; `version` overrides keys of the protocol version."""
    columns = ["age_months", "weight_kg", "planned_transit_min", "sending_cannula"]
    columns += ["sending_flow_lpm", "sending_fio2", "departed_s", "arrived_s", "handover_s"]
    columns += ["outcome", "device_log", "spo2_exempt"]
    row = {"trip_id": "T1", "service_month": "2026-03", **dict.fromkeys(columns), **(trip or {})}
    return {
        "export": {
            "time_resolution_s": dict.fromkeys(TABLES, resolution),
            "not_recorded": not_recorded or [],
        },
        "protocol": {"version": [deepcopy(PROTOCOL) | version]},
        "cannulas": {"cannula": CATALOGUE},
        "tables": {
            "trips": [row],
            "settings": list(settings),
            "contacts": contacts or [],
            "device_events": device_events or [],
            "observations": observations or [],
        },
        "lost": set_aside or [],
    }


def together(cases: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """One delivery of the trips of several that have the same export and catalogue.

    The trips are T0, T1 and so on, each in a month of its own (`month_of`), with its own version in
    force; all of them are judged in about the time that one takes.
    """
    whole = {**cases[0], "protocol": {"version": []}, "tables": {t: [] for t in TABLES}, "lost": []}
    assert all(c["cannulas"] == whole["cannulas"] for c in cases)
    assert all({**c["export"], "months": []} == {**whole["export"], "months": []} for c in cases)
    whole["export"] = {**whole["export"], "months": [month_of(n) for n in range(len(cases))]}
    for n, case in enumerate(cases):
        (version,), trip = case["protocol"]["version"], f"T{n}"
        own = {"id": f"version-{n}", "from_month": month_of(n)}
        whole["protocol"]["version"].append({**version, **own})
        for row in case["lost"]:
            name = row["table"]
            before = len(whole["tables"][name]) + sum(r["table"] == name for r in whole["lost"])
            before -= sum(r["table"] == name and r["trip_id"] == trip for r in whole["lost"])
            whole["lost"].append({**row, "trip_id": trip, "position": before + row["position"]})
        for name, rows in case["tables"].items():
            month = {"service_month": month_of(n)} if name == "trips" else {}
            whole["tables"][name] += [{**row, "trip_id": trip, **month} for row in rows]
    return whole


def month_of(n: int) -> str:
    """The month of the n-th trip of deliveries put together."""
    return f"{2000 + n // 12}-{n % 12 + 1:02d}"


def answer(rule: str, *args: Any, **kwargs: Any) -> Verdict:
    return next(v for v in judge(delivery(*args, **kwargs)) if v.rule == rule)
