"""The plain-Python twin on small cases worked out by hand: the other eleven rules.

Unless a case says otherwise: everything recorded to the second, values hold until changed.
"""

from __future__ import annotations

from typing import Any

import pytest

from .examples import contact, delivery, device, lost, observation, setting
from .twin import Verdict, judge

RULES: dict[str, dict[str, Any]] = {
    "flow-kept": {"tolerance_lpm": 1, "tolerance_pct": 10, "grace_min": 5},
    "cannula-kept": {"convert_to": "prong", "grace_min": 5},
    "cannula-flow-range": {"limit_min": 5, "count": "longest", "grace_min": 0},
    "cannula-weight": {"grace_min": 5},
    "flow-interruption": {"longest_limit_s": 15, "total_limit_s": 60},
    "heat-ready": {"grace_min": 5},
    "oxygen-titration": {"spo2_pct": 98, "fio2": 0.4, "limit_min": 15, "max_spacing_min": 20},
    "low-saturation-response": {"spo2_pct": 90, "within_min": 5, "max_spacing_min": 10},
    "monitoring-gap": {"limit_min": 15},
    "settings-gap": {"limit_min": 30},
    "escalation-call": {},
    "blend-required": {"limit_min": 5, "count": "total", "grace_min": 0},
}


def answer(rule: str, *settings: dict[str, Any], **kwargs: Any) -> Verdict:
    """The verdict of one rule; a second family, not carried, joins the catalogue."""
    trip = {"handover_s": 6000, "departed_s": 600} | kwargs.pop("trip", {})
    case = delivery(*settings, trip=trip, rules={rule: RULES[rule]}, **kwargs)
    prong = case["cannulas"]["cannula"][0]
    followup = prong | {"id": "loop-1", "family": "loop", "carried": False}
    case["cannulas"] = {"cannula": [prong, followup]}
    return judge(case)[0]


@pytest.mark.parametrize(
    ("sending", "first", "reason", "verdict"),
    [
        (8.0, 9.0, None, "met"),
        (8.0, 9.5, None, "deviation"),
        (20.0, 22.0, None, "met"),
        (20.0, 17.5, None, "deviation"),
        (20.0, 10.0, "clinical", "authorised"),
        (None, 10.0, None, "cannot_tell"),
        (8.0, None, None, "cannot_tell"),
    ],
)
def test_flow_kept(
    sending: float | None, first: float | None, reason: str | None, verdict: str
) -> None:
    # Within 1 L/min, or within 10 % where that is more.
    row = setting(60, flow_lpm=first, reason=reason)
    assert answer("flow-kept", row, trip={"sending_flow_lpm": sending}).verdict == verdict


def test_a_set_aside_setting_before_the_first_flow_may_have_charted_it() -> None:
    for position, verdict in [(0, "cannot_tell"), (1, "met")]:
        got = answer(
            "flow-kept",
            setting(60, flow_lpm=8.0),
            trip={"sending_flow_lpm": 8.0},
            set_aside=[lost("settings", [30, 90][position], position)],
        )
        assert got.verdict == verdict


@pytest.mark.parametrize(
    ("sending", "first", "calls_s", "verdict"),
    [
        ("prong-2", "prong-2", [], "met"),
        ("prong-2", "loop-1", [], "deviation"),
        ("prong-2", "loop-1", [360], "authorised"),
        ("prong-2", "loop-1", [361], "deviation"),
        ("loop-1", "prong-2", [], "met"),
        ("loop-1", "loop-1", [], "deviation"),
        ("other-1", "prong-2", [], "cannot_tell"),
        (None, "prong-2", [], "cannot_tell"),
        ("prong-2", None, [], "cannot_tell"),
    ],
)
def test_cannula_kept(
    sending: str | None, first: str | None, calls_s: list[int], verdict: str
) -> None:
    # No loop is carried, so a child found on one is converted to prongs.
    calls = [contact(at_s, "cannula_change") for at_s in calls_s]
    row = setting(60, cannula=first)
    got = answer("cannula-kept", row, trip={"sending_cannula": sending}, contacts=calls)
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("flow", "until_s", "verdict"),
    [
        (12.0, 900, "met"),
        (12.5, 299, "met"),
        (12.5, 300, "borderline"),
        (1.5, 302, "deviation"),
        (None, 900, "cannot_tell"),
    ],
)
def test_cannula_flow_range(flow: float | None, until_s: int, verdict: str) -> None:
    # 2 to 12 L/min, bounds included, for this size.
    rows = [setting(0, cannula="prong-2", flow_lpm=flow), setting(until_s, flow_lpm=5.0)]
    assert answer("cannula-flow-range", *rows).verdict == verdict


@pytest.mark.parametrize(
    ("weight", "cannula", "calls_s", "verdict"),
    [
        (3.0, "prong-2", [], "met"),
        (8.0, "prong-2", [], "met"),
        (8.1, "prong-2", [], "deviation"),
        (8.1, "prong-2", [900], "authorised"),
        (8.1, "prong-2", [901], "deviation"),
        (None, "prong-2", [], "cannot_tell"),
        (5.0, None, [], "cannot_tell"),
        (5.0, "other-1", [], "cannot_tell"),
    ],
)
def test_cannula_weight(
    weight: float | None, cannula: str | None, calls_s: list[int], verdict: str
) -> None:
    calls = [contact(at_s, "cannula_change") for at_s in calls_s]
    row = setting(0, cannula=cannula)
    got = answer("cannula-weight", row, trip={"weight_kg": weight}, contacts=calls)
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("cutoffs", "log", "verdict"),
    [
        ([15], "complete", "met"),
        ([15.5], "complete", "deviation"),
        ([15, 15, 15, 15], "complete", "met"),
        ([15, 15, 15, 15, 1], "complete", "deviation"),
        ([8, None], "complete", "cannot_tell"),
        ([16, None], "complete", "deviation"),
        ([15, 15, 15, 15, 1, None], "complete", "deviation"),
        ([], "complete", "not_applicable"),
        ([], "partial", "cannot_tell"),
        ([8], "partial", "cannot_tell"),
        ([16], "partial", "deviation"),
    ],
)
def test_flow_interruption(cutoffs: list[float | None], log: str, verdict: str) -> None:
    events = [device(600 + 120 * n, cutoff_s=cutoff) for n, cutoff in enumerate(cutoffs)]
    row = setting(0, source="ventilator")
    got = answer("flow-interruption", row, trip={"device_log": log}, device_events=events)
    assert got.verdict == verdict


def test_merged_events_are_one_cut_off_as_long_as_all_of_them() -> None:
    events = [device(600, cutoff_s=10), device(620, cutoff_s=10)]
    for within, verdict in [(0, "met"), (20, "deviation")]:
        got = answer(
            "flow-interruption",
            setting(0, source="ventilator"),
            device_events=events,
            merge_within_s=within,
        )
        assert got.verdict == verdict


@pytest.mark.parametrize(("known", "verdict"), [(17, "deviation"), (8, "cannot_tell")])
def test_the_known_part_of_a_merged_cut_off_is_the_least_it_was(known: int, verdict: str) -> None:
    got = answer(
        "flow-interruption",
        setting(0, source="ventilator"),
        device_events=[device(600, cutoff_s=known), device(620, cutoff_s=None)],
        merge_within_s=20,
    )
    assert (got.verdict, got.observed_low, got.observed_high) == (verdict, known, None)


@pytest.mark.parametrize(
    ("humidification", "calls_s", "verdict"),
    [
        ("heated", [], "met"),
        ("unheated", [], "deviation"),
        ("unheated", [900], "authorised"),
        (None, [], "cannot_tell"),
    ],
)
def test_heat_ready(humidification: str | None, calls_s: list[int], verdict: str) -> None:
    calls = [contact(at_s, "longer_unheated") for at_s in calls_s]
    row = setting(0, humidification=humidification)
    assert answer("heat-ready", row, contacts=calls).verdict == verdict


RICH = setting(0, source="ventilator", fio2=0.5)


def saturated(*times: int, spo2: float = 98) -> list[dict[str, Any]]:
    return [observation(at_s, spo2_pct=spo2) for at_s in times]


@pytest.mark.parametrize(
    ("times", "more", "verdict", "low", "high"),
    [
        ((0, 899), [], "met", 14.97, 15),
        ((0, 900), [], "borderline", 14.98, 15.02),
        ((0, 902), [], "deviation", 15.02, 15.05),
        # Lowered in between, to what is still rich: two runs of one.
        ((0, 902), [setting(500, fio2=0.45)], "met", 0, 0),
        ((0, 902), [setting(500, fio2=0.6)], "deviation", 15.02, 15.05),
        # Source unknown from 800 on: the second may or may not belong to the run.
        ((0, 600, 902), [None], "cannot_tell", 9.98, 15.05),
        # More than 20 min apart: not one run.
        ((0, 1201), [], "met", 0, 0),
        ((), [], "cannot_tell", 0, 0),
    ],
)
def test_oxygen_titration(
    times: tuple[int, ...], more: list[Any], verdict: str, low: float, high: float
) -> None:
    unknown = [lost("settings", 800, 1)] if more == [None] else []
    rows = [] if unknown else more
    got = answer("oxygen-titration", RICH, *rows, observations=saturated(*times), set_aside=unknown)
    assert (got.verdict, got.observed_low, got.observed_high) == (verdict, low, high)


def test_beside_a_set_aside_setting_of_no_known_time_no_fio2_is_surely_lower() -> None:
    # it may have charted 0.4 before 500 s, so that 0.5 then was more
    rows, aside = [RICH, setting(500, fio2=0.5)], [lost("settings", None, 1)]
    got = answer("oxygen-titration", *rows, observations=saturated(0, 902), set_aside=aside)
    assert (got.verdict, got.observed_low, got.observed_high) == ("cannot_tell", 0, 15.05)


def test_oxygen_titration_does_not_apply_off_the_ventilator_or_under_another_target() -> None:
    seen = saturated(0, 1000)
    wall = setting(0, source="wall", fio2=1.0)
    assert answer("oxygen-titration", wall, observations=seen).verdict == "not_applicable"
    exempt = answer("oxygen-titration", RICH, observations=seen, trip={"spo2_exempt": True})
    assert exempt.verdict == "not_applicable"


@pytest.mark.parametrize(
    ("response", "verdict"),
    [
        # Low at 1000 and 1300: answered surely from 1001 until 1599 (recorded to a second).
        (setting(1000, flow_lpm=12.0), "borderline"),
        (setting(1001, flow_lpm=12.0), "met"),
        (setting(1599, fio2=0.6), "met"),
        (setting(1600, source="wall"), "borderline"),
        (setting(1601, cannula="loop-1"), "borderline"),
        (setting(1602, cannula="loop-1"), "deviation"),
        (setting(1400, flow_lpm=8.0, fio2=0.4, source="ventilator"), "deviation"),
        (None, "cannot_tell"),
    ],
)
def test_low_saturation_response(response: dict[str, Any] | None, verdict: str) -> None:
    start = setting(0, source="ventilator", flow_lpm=10.0, fio2=0.5, cannula="prong-2")
    got = answer(
        "low-saturation-response",
        start,
        *([] if response is None else [response]),
        observations=saturated(1000, 1300, spo2=89) + saturated(1500, spo2=95),
        set_aside=[lost("settings", 1400, 1)] if response is None else [],
    )
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("low_s", "handover_s", "verdict"),
    [
        ((1000, 1600), 6000, "deviation"),
        ((1000, 1601), 6000, "not_applicable"),
        ((1000, 1600), 1900, "deviation"),
        ((1000, 1600), 1899, "not_applicable"),
        ((1000,), 6000, "cannot_tell"),
    ],
)
def test_which_low_saturations_ask_for_a_response(
    low_s: tuple[int, ...], handover_s: int, verdict: str
) -> None:
    # No more than 10 min apart, and 5 min after the second left to respond.
    got = answer(
        "low-saturation-response",
        setting(0),
        observations=saturated(*low_s, spo2=85),
        trip={"handover_s": handover_s},
    )
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("times", "handover_s", "verdict", "low", "high"),
    [
        ((800, 1600), 2400, "met", 13.32, 13.35),
        ((899, 1700), 2500, "met", 14.97, 15),
        ((900, 1700), 2500, "borderline", 14.98, 15.02),
        ((902, 1700), 2500, "deviation", 15.02, 15.05),
        ((), 800, "met", 13.32, 13.35),
        ((800, 1600), None, "cannot_tell", 13.32, None),
        ((902,), None, "deviation", 15.02, None),
    ],
)
def test_monitoring_gap(
    times: tuple[int, ...], handover_s: int | None, verdict: str, low: float, high: float | None
) -> None:
    seen = [observation(at_s, spo2_pct=95.0, resp_rate=40.0) for at_s in times]
    seen += [observation(400, spo2_pct=95.0)]
    got = answer("monitoring-gap", setting(0), observations=seen, trip={"handover_s": handover_s})
    assert (got.verdict, got.observed_low, got.observed_high) == (verdict, low, high)


@pytest.mark.parametrize(("handover_s", "verdict"), [(1500, "cannot_tell"), (5000, "deviation")])
def test_an_unreadable_observation_may_have_stood_in_the_gap(handover_s: int, verdict: str) -> None:
    # one row leaves at least half of a gap: 12 min of 25, but 41 min of 83
    got = answer(
        "monitoring-gap",
        setting(0),
        set_aside=[lost("observations", None, 0)],
        trip={"handover_s": handover_s},
    )
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("times", "verdict"),
    [((0, 1700, 3400, 5000), "met"), ((0, 1800, 3500, 5000), "borderline"), ((0,), "deviation")],
)
def test_settings_gap(times: tuple[int, ...], verdict: str) -> None:
    assert answer("settings-gap", *[setting(at_s) for at_s in times]).verdict == verdict


@pytest.mark.parametrize(
    ("outcome", "calls_s", "verdict"),
    [
        ("intubated", [6000], "met"),
        ("intubated", [6001], "deviation"),
        ("more_support", [], "deviation"),
        ("weaned", [], "not_applicable"),
        (None, [100], "cannot_tell"),
    ],
)
def test_escalation_call(outcome: str | None, calls_s: list[int], verdict: str) -> None:
    calls = [contact(at_s) for at_s in calls_s]
    got = answer("escalation-call", setting(0), contacts=calls, trip={"outcome": outcome})
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("ordered", "exempt", "until_s", "verdict"),
    [
        (True, True, 300, "borderline"),
        (True, None, 302, "deviation"),
        (False, True, 3000, "not_applicable"),
        (None, False, 3000, "not_applicable"),
        (None, True, 3000, "cannot_tell"),
        (True, True, 299, "met"),
    ],
)
def test_blend_required(
    ordered: bool | None, exempt: bool | None, until_s: int, verdict: str
) -> None:
    # To the second: 302 s recorded are at least 301, 299 s at most 300. 300 s are borderline.
    rows = (setting(0, source="wall"), setting(until_s, source="blender"))
    trip = {"blend_ordered": ordered, "spo2_exempt": exempt}
    assert answer("blend-required", *rows, trip=trip).verdict == verdict


@pytest.mark.parametrize(
    ("at_s", "care", "spo2", "counts", "verdict"),
    [
        (1559, "suction", None, False, "met"),
        (1561, "suction", None, False, "borderline"),
        (1562, "suction", None, False, "deviation"),
        (1559, None, 90.0, True, "met"),
        (1561, None, 90.0, True, "borderline"),
        (1562, None, 90.0, True, "deviation"),
        (1559, None, 90.0, False, "deviation"),
        (1559, None, 89.0, True, "deviation"),
    ],
)
def test_care_and_recovery_answer_a_low_saturation(
    at_s: int, care: str | None, spo2: float | None, counts: bool, verdict: str
) -> None:
    """Low at 1200 and 1260 s: due by 1560 s, and each time may be a second later than recorded."""
    seen = [observation(1200, spo2_pct=88.0), observation(1260, spo2_pct=88.0)]
    seen.append(observation(at_s, spo2_pct=spo2) | {"care": care})
    rules = {
        "low-saturation-response": {**RULES["low-saturation-response"], "recovery_counts": counts}
    }
    case = delivery(
        setting(0, source="ventilator"), trip={"handover_s": 6000}, rules=rules, observations=seen
    )
    assert judge(case)[0].verdict == verdict
