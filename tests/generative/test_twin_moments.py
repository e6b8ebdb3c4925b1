"""The plain-Python twin on small cases worked out by hand: departure, fallback, occlusions.

Unless a case says otherwise: everything recorded to the second, values hold until changed,
and the limits are those of the examples' protocol (wall 50 min = 3000 s, unheated 15 min).
"""

from __future__ import annotations

from typing import Any

import pytest

from .examples import answer, contact, device, lost, setting

# --- at departure -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "flow", "transit", "verdict"),
    [
        ("ventilator", None, None, "met"),
        ("wall", 18.0, 50.0, "met"),
        ("wall", 18.5, 50.0, "deviation"),
        ("wall", 25.0, None, "deviation"),
        ("wall", 10.0, None, "cannot_tell"),
        (None, 25.0, None, "cannot_tell"),
        (None, 10.0, 30.0, "met"),
    ],
)
def test_source_choice(
    source: str | None, flow: float | None, transit: float | None, verdict: str
) -> None:
    got = answer(
        "source-choice",
        setting(0, source=source, flow_lpm=flow),
        trip={"handover_s": 900, "departed_s": 600, "planned_transit_min": transit},
    )
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("switched_s", "verdict"),
    [(541, "deviation"), (542, "borderline"), (659, "borderline"), (660, "met")],
)
def test_departure_is_asked_of_every_instant_it_may_have_been(
    switched_s: int, verdict: str
) -> None:
    # Minutes in both tables: recorded instants 541 to 659 may be the departure at 600.
    got = answer(
        "source-choice",
        setting(0, source="ventilator", flow_lpm=25.0),
        setting(switched_s, source="wall"),
        trip={"handover_s": 900, "departed_s": 600},
        resolution=60,
    )
    assert got.verdict == verdict
    assert (got.observed_low, got.observed_high, got.from_s) == (25, 25, 600)


@pytest.mark.parametrize("departed_s", [None, 59, 900])
def test_a_departure_outside_the_window_cannot_be_judged(departed_s: int | None) -> None:
    got = answer(
        "source-choice",
        setting(60, source="ventilator"),
        trip={"handover_s": 900, "departed_s": departed_s},
    )
    assert got.verdict == "cannot_tell"


# --- fallback -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reason_s", "verdict"),
    [(699, "deviation"), (700, "met"), (1499, "met"), (1500, "deviation")],
)
def test_fallback_reason_window(reason_s: int, verdict: str) -> None:
    # Unheated on the wall 1000-1500; a reason counts from 700 on, and before 1500.
    rows = [
        setting(0, source="wall", humidification="heated"),
        setting(1000, humidification="unheated"),
        setting(1500, source="ventilator"),
        setting(reason_s, reason="heater_failed"),
    ]
    got = answer("fallback-reason", *rows, trip={"handover_s": 3000})
    assert (got.verdict, got.from_s, got.until_s) == (verdict, 1000, 1500)
    assert got.observed_low == (0 if verdict == "met" else 1)


def test_fallback_unknown_on_one_side_only_where_the_other_allows_it() -> None:
    unheated_only = [setting(0, humidification="unheated")]
    off_the_wall = [setting(0, humidification="unheated", source="blender")]
    got = answer("fallback-reason", *unheated_only, trip={"handover_s": 900})
    assert got.verdict == "cannot_tell"
    got = answer("fallback-reason", *off_the_wall, trip={"handover_s": 900})
    assert got.verdict == "not_applicable"


def test_a_setting_set_aside_within_the_episode_may_have_held_the_reason() -> None:
    # It also ends what is known at 400, so the episode is 0-400; it stands at 400, outside
    # [-300, 400): a deviation. At 0, before the charted row in the file, it is inside.
    rows = [setting(0, source="wall", humidification="unheated")]
    for at_s, position, verdict in [(400, 1, "deviation"), (0, 0, "cannot_tell")]:
        got = answer(
            "fallback-reason",
            *rows,
            trip={"handover_s": 900},
            set_aside=[lost("settings", at_s, position)],
        )
        assert got.verdict == verdict


# --- occlusions and calls -----------------------------------------------------------------

ON_VENTILATOR = setting(0, source="ventilator")
THREE_IN_TEN_MIN = [device(400), device(700), device(1000)]


@pytest.mark.parametrize(
    ("call_s", "verdict", "low", "high"),
    [
        (1300, "met", 2.98, 7.02),
        (1479, "met", 5.97, 10),
        (1480, "borderline", 5.98, 10.02),
        (1721, "borderline", 10, 14.03),
        (1722, "deviation", 10.02, 14.05),
        (None, "deviation", None, None),
    ],
)
def test_call_after_the_third_occlusion(
    call_s: int | None, verdict: str, low: float | None, high: float | None
) -> None:
    # Trigger at 1000 (600 s after the first). No `started`, so the tolerance is 120 s: a call
    # at c has a delay of c - 1000 - 121 to c - 1000 + 121 s against 600 s.
    got = answer(
        "repeated-occlusion-call",
        ON_VENTILATOR,
        trip={"handover_s": 3000},
        device_events=THREE_IN_TEN_MIN,
        contacts=[] if call_s is None else [contact(call_s)],
    )
    assert got.verdict == verdict
    if call_s is not None:
        assert got.observed_low == round((call_s - 1000 - 121) / 60, 2) == low
        assert got.observed_high == round((call_s - 1000 + 121) / 60, 2) == high
    assert (got.from_s, got.until_s) == (400, 1000)


@pytest.mark.parametrize(
    ("log", "events", "verdict"),
    [
        ("complete", [], "not_applicable"),
        (None, [], "cannot_tell"),
        (None, [device(10, "paused")], "not_applicable"),
        ("partial", [device(10)], "cannot_tell"),
        ("partial", THREE_IN_TEN_MIN, "deviation"),
    ],
)
def test_an_incomplete_log_cannot_say_nothing_happened(
    log: str | None, events: list[dict[str, Any]], verdict: str
) -> None:
    got = answer(
        "repeated-occlusion-call",
        ON_VENTILATOR,
        trip={"handover_s": 3000, "device_log": log},
        device_events=events,
    )
    assert got.verdict == verdict


def test_the_device_clock_is_corrected_by_its_matched_start() -> None:
    # The device is 500 s fast: its `started` at 500 is the setting at 0. Corrected, the
    # trigger is at 1000 and the tolerance 60 s: the call at 1539 is at most 600 s late.
    got = answer(
        "repeated-occlusion-call",
        ON_VENTILATOR,
        trip={"handover_s": 3000},
        device_events=[device(500, "started"), device(900), device(1200), device(1500)],
        contacts=[contact(1539)],
    )
    assert (got.verdict, got.observed_high, got.from_s, got.until_s) == ("met", 10, 400, 1000)


def test_events_of_one_blockage_count_once() -> None:
    # 400, 420 and 440 are one blockage (each within 30 s of the one before).
    got = answer(
        "repeated-occlusion-call",
        ON_VENTILATOR,
        trip={"handover_s": 3000},
        device_events=[device(400), device(420), device(440), device(900)],
        merge_within_s=30,
    )
    assert got.verdict == "not_applicable"


def test_a_trip_off_the_ventilator_asks_for_no_call() -> None:
    got = answer("repeated-occlusion-call", setting(0, source="wall"), trip={"handover_s": 3000})
    assert got.verdict == "not_applicable"


def test_occlusions_after_the_last_setting_of_an_open_trip_leave_it_open() -> None:
    got = answer(
        "repeated-occlusion-call",
        ON_VENTILATOR,
        setting(500, fio2=0.4),
        device_events=THREE_IN_TEN_MIN,
    )
    assert (got.verdict, got.from_s) == ("cannot_tell", None)
