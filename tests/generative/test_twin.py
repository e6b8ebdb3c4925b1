"""The plain-Python twin on small cases worked out by hand: timeline, durations, versions.

Unless a case says otherwise: everything recorded to the second, values hold until changed,
and the limits are those of the examples' protocol (wall 50 min = 3000 s, unheated 15 min).
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest

from .examples import answer, contact, delivery, lost, setting
from .twin import judge, timeline

# --- timeline -----------------------------------------------------------------------------


def test_a_null_is_not_charted_and_the_later_row_of_a_second_holds() -> None:
    got = timeline(
        delivery(
            setting(0, source="wall", humidification="heated"),
            setting(60, flow_lpm=10.0),
            setting(60, flow_lpm=12.0, source=None),
            setting(100, source="ventilator"),
            trip={"handover_s": 200},
        )
    )
    assert got == [
        ("T1", 0, 60, "wall", None, None, "heated", None),
        ("T1", 60, 100, "wall", 12.0, None, "heated", None),
        ("T1", 100, 200, "ventilator", 12.0, None, "heated", None),
    ]


def test_carry_forward_ends_unless_the_next_charted_value_is_the_same() -> None:
    # 1 min: 8 L/min known over [0, 60); at 100 another value: [60, 100) unknown.
    # 9 at 100 and again at 400: known throughout, then 60 s more; [460, 600) unknown.
    got = timeline(
        delivery(
            setting(0, flow_lpm=8.0),
            setting(100, flow_lpm=9.0),
            setting(400, flow_lpm=9.0),
            trip={"handover_s": 600},
            carry_forward_min=1,
        )
    )
    assert [(row[1], row[2], row[4]) for row in got] == [
        (0, 60, 8.0),
        (60, 100, None),
        (100, 460, 9.0),
        (460, 600, None),
    ]


def test_without_handover_the_last_setting_bridges_but_nothing_follows_it() -> None:
    got = timeline(delivery(setting(0, fio2=0.5), setting(300, fio2=0.5), carry_forward_min=1))
    assert [(row[1], row[2], row[5]) for row in got] == [(0, 300, 0.5)]


def test_other_support_ends_the_window_and_its_own_row_tells_nothing_before_it() -> None:
    # At 300 the child goes to low flow; the 0.5 charted with it does not bridge [60, 300).
    got = timeline(
        delivery(
            setting(0, fio2=0.5),
            setting(300, fio2=0.5, support="low_flow"),
            setting(400, fio2=0.5, support="high_flow"),
            trip={"handover_s": 900},
            carry_forward_min=1,
        )
    )
    assert [(row[1], row[2], row[5]) for row in got] == [(0, 60, 0.5), (60, 300, None)]


def test_a_set_aside_setting_makes_everything_unknown_until_charted_again() -> None:
    # The set-aside row stands second in the file, at 100.
    got = timeline(
        delivery(
            setting(0, source="wall", flow_lpm=8.0),
            setting(200, source="wall"),
            trip={"handover_s": 300},
            set_aside=[lost("settings", 100, 1)],
        )
    )
    assert [(row[1], row[2], row[3], row[4]) for row in got] == [
        (0, 100, "wall", 8.0),
        (100, 200, None, None),
        (200, 300, "wall", None),
    ]


def test_a_setting_set_aside_without_its_time_leaves_nothing_known() -> None:
    got = timeline(
        delivery(
            setting(0, source="wall"),
            trip={"handover_s": 300},
            set_aside=[lost("settings", None, 0)],
        )
    )
    assert got == [("T1", 0, 300, None, None, None, None, None)]


@pytest.mark.parametrize(("position", "source"), [(0, "wall"), (1, None)])
def test_at_one_second_file_order_decides_between_charted_and_set_aside(
    position: int, source: str | None
) -> None:
    got = timeline(
        delivery(
            setting(0, source="wall"),
            trip={"handover_s": 300},
            set_aside=[lost("settings", 0, position)],
        )
    )
    assert [row[3] for row in got] == [source]


# --- how long -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_wall_s", "verdict"),
    [(2999, "met"), (3000, "borderline"), (3001, "borderline"), (3002, "deviation")],
)
def test_wall_time_around_its_limit(off_wall_s: int, verdict: str) -> None:
    # True length lies between length - 1 and length + 1: 2999 is at most 3000; 3002 at
    # least 3001.
    got = answer(
        "wall-oxygen-time",
        setting(0, source="wall"),
        setting(off_wall_s, source="ventilator"),
        trip={"handover_s": 9000},
    )
    assert (got.verdict, got.from_s, got.until_s) == (verdict, 0, off_wall_s)
    assert got.observed_low == round((off_wall_s - 1) / 60, 2)
    assert got.observed_high == round((off_wall_s + 1) / 60, 2)


def test_wall_and_cylinder_count_together_and_each_episode_widens_the_bounds() -> None:
    # Wall 0-1500 and cylinder 2000-3500 at minute resolution: 2 x (1500 - 60) = 2880 s = 48
    # min to 2 x (1500 + 60) = 3120 s = 52 min.
    got = answer(
        "wall-oxygen-time",
        setting(0, source="wall"),
        setting(1500, source="blender"),
        setting(2000, source="cylinder"),
        setting(3500, source="blender"),
        trip={"handover_s": 9000},
        resolution=60,
    )
    assert (got.verdict, got.observed_low, got.observed_high) == ("borderline", 48, 52)


@pytest.mark.parametrize(("off_wall_s", "verdict"), [(1000, "cannot_tell"), (3002, "deviation")])
def test_unknown_source_counts_only_above_what_is_known(off_wall_s: int, verdict: str) -> None:
    # The source of [4000, 9000) is unknown (set aside): up to 5001 s more.
    got = answer(
        "wall-oxygen-time",
        setting(0, source="wall"),
        setting(off_wall_s, source="ventilator"),
        trip={"handover_s": 9000},
        set_aside=[lost("settings", 4000, 2)],
    )
    assert got.verdict == verdict
    assert got.observed_high == round((off_wall_s + 1 + 5001) / 60, 2)


def test_without_handover_nothing_bounds_the_duration() -> None:
    got = answer("wall-oxygen-time", setting(0, source="ventilator"), setting(60, fio2=0.4))
    assert (got.verdict, got.observed_low, got.observed_high) == ("cannot_tell", 0, None)


def test_no_wall_time_at_all_is_not_applicable() -> None:
    got = answer("wall-oxygen-time", setting(0, source="blender"), trip={"handover_s": 900})
    assert (got.verdict, got.observed_low, got.from_s) == ("not_applicable", None, None)


def test_no_setting_at_all_is_cannot_tell() -> None:
    verdicts = judge(delivery(trip={"handover_s": 900, "departed_s": 60}))
    assert {v.verdict for v in verdicts} == {"cannot_tell"}


@pytest.mark.parametrize(
    ("call_s", "verdict"), [(3300, "authorised"), (3301, "deviation"), (0, "authorised")]
)
def test_wall_time_needs_its_call_by_the_limit_moment_and_grace(call_s: int, verdict: str) -> None:
    # The limit is reached at 3000 s; 5 min of grace: 3300 s.
    got = answer(
        "wall-oxygen-time",
        setting(0, source="wall"),
        trip={"handover_s": 6000},
        contacts=[contact(call_s, "longer_wall_oxygen")],
    )
    assert got.verdict == verdict


@pytest.mark.parametrize(
    ("calls_s", "verdict"),
    [
        ([900], "deviation"),
        ([900, 2900], "authorised"),
        ([0, 0], "authorised"),
        ([901, 901], "deviation"),
        ([900, 2901], "deviation"),
    ],
)
def test_each_long_unheated_episode_needs_its_own_call(calls_s: list[int], verdict: str) -> None:
    # Unheated 0-1000 and 2000-3100: limit moments 900 and 2900.
    got = answer(
        "unheated-time",
        setting(0, humidification="unheated"),
        setting(1000, humidification="heated"),
        setting(2000, humidification="unheated"),
        setting(3100, humidification="heated"),
        trip={"handover_s": 6000},
        contacts=[contact(at_s, "longer_unheated") for at_s in calls_s],
    )
    assert (got.verdict, got.from_s, got.until_s) == (verdict, 2000, 3100)


@pytest.mark.parametrize("how", ["set aside", "not recorded"])
def test_a_contact_nobody_can_read_leaves_the_deviation_open(how: str) -> None:
    unread: dict[str, Any] = (
        {"set_aside": [lost("contacts", None, 0)]}
        if how == "set aside"
        else {"not_recorded": ["contacts"]}
    )
    got = answer("wall-oxygen-time", setting(0, source="wall"), trip={"handover_s": 6000}, **unread)
    assert got.verdict == "cannot_tell"


# --- protocol versions --------------------------------------------------------------------


def test_each_month_is_judged_by_the_version_then_in_force() -> None:
    case = delivery(setting(0, source="wall"), trip={"handover_s": 1500})
    stricter = deepcopy(case["protocol"]["version"][0])
    stricter |= {"id": "2026.2", "from_month": "2026-04"}
    stricter["rules"] = {"wall-oxygen-time": {"limit_min": 20, "count": "total"}}
    case["protocol"]["version"].append(stricter)
    case["tables"]["trips"].append(case["tables"]["trips"][0] | {"service_month": "2026-04"})
    got = [(v.verdict, v.protocol_version) for v in judge(case) if v.rule == "wall-oxygen-time"]
    assert got == [("met", "2026.1"), ("deviation", "2026.2")]
    case["tables"]["trips"][0]["service_month"] = "2025-12"
    assert {v.protocol_version for v in judge(case)} == {"2026.2"}
