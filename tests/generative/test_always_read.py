"""What puts a trip before a reader whatever the rules say: each trigger, chosen and not chosen."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from pipeline.judging.versions import versions_in_store
from pipeline.month.cases import cases, month_words
from pipeline.rules import all_rules
from schemas.protocol import TRIGGERS, trigger_of

from .examples import delivery, device, month_of, observation, setting, together
from .into_store import judged

LOW = {
    "flow-interruption": {"longest_limit_s": 15, "total_limit_s": 600, "severity": "low"},
    "repeated-occlusion-call": {
        **{"count": 2, "window_min": 10, "lead_min": 5, "within_min": 10},
        "severity": "low",
    },
    "blend-required": {"limit_min": 5, "severity": "low"},
}
CALM = (setting(0, source="ventilator", humidification="heated", flow_lpm=8.0),)


def cold(source: str) -> dict[str, Any]:
    return setting(600, source=source, humidification="unheated")


def failed(reason: str) -> dict[str, Any]:
    return setting(600, reason=reason)


TRIPS: dict[str, dict[str, Any]] = {
    "died": {"trip": {"outcome": "died"}},
    "arrest": {"trip": {"outcome": "arrest"}},
    "intubated": {"trip": {"outcome": "intubated"}},
    "more_support": {"trip": {"outcome": "more_support"}},
    "bagged": {"observations": [observation(60, spo2_pct=95.0) | {"care": "bagged"}]},
    "spo2_below_80": {"observations": [observation(60, spo2_pct=79.0)]},
    "long_cut": {"device_events": [device(60, "occlusion", cutoff_s=16.0)]},
    "ventilator_failed": {"settings": [failed("ventilator_failed")]},
    "power_lost": {"settings": [failed("power_lost")]},
    "supply_low": {"settings": [failed("supply_low")]},
    "unheated_fallback": {"settings": [cold("cylinder")]},
    "blend_required": {
        "trip": {"blend_ordered": True},
        "settings": [setting(600, source="wall"), setting(1200, source="ventilator")],
    },
    "repeated_occlusion_without_call": {
        "device_events": [device(60, "occlusion", cutoff_s=5.0) for _ in range(2)]
    },
}
NEAR: dict[str, dict[str, Any]] = {
    "spo2_below_80": {"observations": [observation(60, spo2_pct=80.0)]},
    "spo2_below_80 where another target is ordered": {
        "trip": {"spo2_exempt": True},
        "observations": [observation(60, spo2_pct=79.0)],
    },
    "long_cut": {"device_events": [device(60, "occlusion", cutoff_s=15.0)]},
    "unheated_fallback": {"settings": [cold("blender")]},
    "bagged": {"observations": [observation(60, spo2_pct=95.0) | {"care": "suction"}]},
    "supply_low": {"settings": [failed("heater_failed")]},
}


def one_trip(trip: dict[str, Any], always_read: list[str]) -> dict[str, Any]:
    parts = dict(trip)
    settings = (*CALM, *parts.pop("settings", []))
    row = {"handover_s": 3600, "outcome": "unchanged", "device_log": "complete"}
    row |= {"base": "b", "vehicle": "ground", "diagnosis_group": "g"} | parts.pop("trip", {})
    return delivery(*settings, trip=row, rules=LOW, always_read=always_read, **parts)


ASKED: dict[str, tuple[dict[str, Any], list[str]]] = {
    **{f"{code} chosen": (TRIPS[code], list(TRIPS)) for code in TRIPS},
    **{f"near {what}": (NEAR[what], list(TRIPS)) for what in NEAR},
    **{f"{code} alone not": (TRIPS[code], [o for o in TRIPS if o != code]) for code in TRIPS},
    "of several": (
        {**TRIPS["spo2_below_80"], "trip": {"outcome": "died"}}, ["spo2_below_80", "died"],
    ),
    "within a day": ({"trip": {"outcome_24h": "died"}}, ["died"]),
}  # fmt: skip
"""Every trip that is asked about here, and what the service chose.

A trip is read where every trigger is chosen, and not where all but its own are.
"""


@cache
def found() -> dict[str, list[tuple[str, str]]]:
    """Group and sentence of each trip, if it is read; those of one choice are of one month."""
    months: dict[str, str] = {}
    made = together([one_trip(*asked) for asked in ASKED.values()])
    for n, (_, chosen) in enumerate(ASKED.values()):
        made["tables"]["trips"][n]["service_month"] = months.setdefault(str(chosen), month_of(n))
    con = judged(made)
    versions = versions_in_store(con)
    read: dict[str, list[tuple[str, str]]] = {}
    for month in months.values():
        month_words(con, versions, month)
        cases(con, versions, month)
        rows = con.execute('SELECT trip_id, "group", why FROM month_case').fetchall()
        for trip, group, why in rows:
            read.setdefault(trip, []).append((group, why))
    return {name: read.get(f"T{n}", []) for n, name in enumerate(ASKED)}


def test_there_is_a_trip_for_every_trigger() -> None:
    assert {trigger_of(code)[0] for code in TRIPS} == set(TRIGGERS)
    assert {rule.trigger for rule in all_rules().values()} - {""} <= set(TRIGGERS)


@pytest.mark.parametrize("code", list(TRIPS))
def test_a_trigger_is_read_first_where_the_service_chose_it(code: str) -> None:
    ((group, why),) = found()[f"{code} chosen"]
    assert group == "always_read"
    assert why.startswith("Always read: ")
    assert "always_read" not in {group for group, _ in found()[f"{code} alone not"]}


@pytest.mark.parametrize("what", list(NEAR))
def test_what_is_just_short_of_a_trigger_is_not_read_for_it(what: str) -> None:
    assert "always_read" not in {group for group, _ in found()[f"near {what}"]}


def test_of_several_the_first_is_the_reason() -> None:
    ((_, why),) = found()["of several"]
    assert why.startswith("Always read: outcome died.")
    assert "SpO2 of" not in why


def test_a_death_within_a_day_is_one() -> None:
    ((group, _),) = found()["within a day"]
    assert group == "always_read"
