"""What an occlusion came with and what followed: small cases, and a slow twin of the SQL."""

from __future__ import annotations

from typing import Any

from pipeline.measures.occlusion_patterns import occlusion_patterns
from schemas.outputs import ACTIONS, HELD_PATTERNS

from .examples import CATALOGUE, contact, delivery, device, lost, observation, setting, together
from .into_store import judged

AT = 1000
LARGER = CATALOGUE[0] | {
    "id": "prong-3", "size_rank": 3, "flow_min_lpm": 10, "flow_max_lpm": 20,
    "weight_min_kg": 7, "weight_max_kg": 15,
}  # fmt: skip
WIDE = LARGER | {"id": "wide-3", "family": "wide"}
START = {
    "support": "high_flow", "source": "ventilator", "flow_lpm": 8.0, "fio2": 0.4,
    "humidification": "heated", "cannula": "prong-2", "reason": "start",
}  # fmt: skip
TRIP = {
    "base": "b1", "vehicle": "ground", "diagnosis_group": "g1", "weight_kg": 5.0,
    "handover_s": 7200, "device_log": "complete",
}  # fmt: skip


def trip_with(
    *after: dict[str, Any], start: dict[str, Any] | None = None, **parts: Any
) -> dict[str, Any]:
    """One trip on the ventilator with an occlusion at AT; `after` are its later settings."""
    parts.setdefault("rules", {})
    trip = TRIP | parts.pop("trip", {})
    events = parts.pop("device_events", [device(AT)])
    made = delivery(
        setting(0, **(START | (start or {}))), *after, trip=trip, device_events=events, **parts
    )
    made["export"]["months"] = ["2026-03"]
    made["cannulas"]["cannula"] = [CATALOGUE[0], LARGER, WIDE]
    return made


def all_explained(given_delivery: dict[str, Any]) -> list[dict[str, Any]]:
    found = judged(given_delivery).execute(
        "SELECT o.at_s, o.not_counted_because, e.* FROM judged.occlusion_context e"
        " JOIN judged.occlusion o USING (trip_key, line) ORDER BY o.at_s, o.line"
    )
    names = [column[0] for column in found.description or []]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def explained(*after: dict[str, Any], **parts: Any) -> dict[str, Any]:
    return all_explained(trip_with(*after, **parts))[0]


def each_explained(*trips: dict[str, Any]) -> list[dict[str, Any]]:
    """The first occlusion of each trip; the trips are judged together."""
    found = judged(together(trips)).execute(
        "SELECT t.trip_id, o.at_s, o.not_counted_because, e.* FROM judged.occlusion_context e"
        " JOIN judged.occlusion o USING (trip_key, line) JOIN delivered.trips t USING (trip_key)"
        " ORDER BY o.at_s DESC, o.line DESC"
    )
    names = [column[0] for column in found.description or []]
    first = {row[0]: dict(zip(names, row, strict=True)) for row in found.fetchall()}
    return [first[f"T{n}"] for n in range(len(trips))]


def test_setting_and_behaviour_in_force_are_beside_it() -> None:
    row = explained(
        observations=[observation(940, behaviour="calm"), observation(1090, behaviour="asleep")]
    )
    assert (row["fio2"], row["humidification"], row["behaviour"]) == (0.4, "heated", "calm")
    assert row["pattern"] == "none_of_these"


def test_the_lowest_saturation_and_heart_rate_soon_after_it_are_beside_it() -> None:
    """At 1000 s, observed to the minute: 940 lies before, 960 may be after, 1601 is too late."""
    low = {"spo2_pct": 71.0, "heart_rate": 60.0}
    row = explained(
        observations=[
            observation(940, **low),
            observation(960, spo2_pct=93.0, heart_rate=95.0),
            observation(1300, spo2_pct=84.0, heart_rate=None),
            observation(1600, spo2_pct=None, heart_rate=96.0),
            observation(1601, **low),
        ],
        resolution=60,
    )
    assert (row["spo2_after_pct"], row["heart_rate_after"]) == (84, 95)
    row = explained(observations=[observation(1100, spo2_pct=None, heart_rate=None)])
    assert (row["spo2_after_pct"], row["heart_rate_after"]) == (None, None)


def test_several_patterns_may_hold_and_all_are_kept() -> None:
    row = explained(
        start={"flow_lpm": 12.5},
        trip={"weight_kg": 8.5},
        observations=[observation(1120, behaviour="crying")],
    )
    assert [row[pattern] for pattern in HELD_PATTERNS] == [True, True, True]
    assert row["pattern"] == "flow_above_range"


def test_the_bounds_of_the_catalogue_belong_to_its_ranges() -> None:
    row = explained(start={"flow_lpm": 12.0}, trip={"weight_kg": 8.0})
    assert [row[pattern] for pattern in HELD_PATTERNS] == [False, False, None]
    assert row["pattern"] == "unknown"


def test_what_is_not_charted_is_not_denied() -> None:
    calm = [observation(AT, behaviour="calm")]
    sizeless, weightless = each_explained(
        trip_with(start={"cannula": None}, observations=calm),
        trip_with(trip={"weight_kg": None}, observations=calm),
    )
    assert (sizeless["flow_above_range"], sizeless["pattern"]) == (None, "unknown")
    assert (weightless["cannula_small"], weightless["pattern"]) == (None, "unknown")


def test_crying_counts_within_two_minutes_either_side() -> None:
    rows = each_explained(*(
        trip_with(observations=[observation(at_s, behaviour="agitated")])
        for at_s in (880, 1120, 879)
    ))  # fmt: skip
    assert [row["child_unsettled"] for row in rows] == [True, True, None]


def test_a_lost_observation_may_have_been_of_crying() -> None:
    calm = [observation(AT, behaviour="calm")]
    sure, unsure = each_explained(
        trip_with(observations=calm),
        trip_with(observations=calm, set_aside=[lost("observations", AT, 0)]),
    )
    assert (sure["child_unsettled"], unsure["child_unsettled"]) == (False, None)


NEXT: list[tuple[str, dict[str, Any]]] = [
    ("less_flow", {"after": [setting(1200, flow_lpm=7.0)]}),
    ("larger_cannula", {"after": [setting(1200, cannula="prong-3")]}),
    ("reseated", {"after": [setting(1200, cannula="prong-2", reason="repeated_occlusion")]}),
    ("to_wall", {"after": [setting(1200, source="wall")]}),
    ("to_wall", {"after": [setting(1200, source="cylinder")]}),
    ("contact", {"contacts": [contact(1200)]}),
    ("nothing", {"after": [setting(1200, flow_lpm=9.0, cannula="prong-2", reason="check")]}),
    ("nothing", {"after": [setting(1200, cannula="wide-3")]}),
    ("nothing", {}),
]


def test_what_the_crew_did_next() -> None:
    rows = each_explained(*(
        trip_with(*parts.get("after", []), contacts=parts.get("contacts")) for _, parts in NEXT
    ))  # fmt: skip
    for (action, parts), row in zip(NEXT, rows, strict=True):
        assert row["next_action"] == action, parts
        assert [a for a in ACTIONS if row[a]] == [a for a in ACTIONS if a == action]
        others = [row[a] for a in ACTIONS if a != action]
        assert others == [False] * (4 + (action == "nothing")), parts
        assert row["action_after_s"] == (None if action == "nothing" else 200)


def test_the_first_of_several_actions_leads_and_all_are_kept() -> None:
    row = explained(setting(1300, flow_lpm=6.0), setting(1400, source="wall"), contacts=[
        contact(1250)])  # fmt: skip
    assert row["next_action"] == "contact"
    assert [a for a in ACTIONS if row[a]] == ["less_flow", "to_wall", "contact"]


def test_an_action_counts_from_the_occlusion_to_fifteen_minutes_after() -> None:
    rows = each_explained(
        *(trip_with(setting(at_s, flow_lpm=7.0)) for at_s in (1000, 999, 1900, 1901))
    )
    assert [row["less_flow"] for row in rows] == [True, False, True, False]


def test_an_action_charted_in_the_minute_of_the_occlusion_may_have_followed_it() -> None:
    rows = each_explained(
        *(trip_with(setting(at_s, flow_lpm=7.0), resolution=60) for at_s in (960, 900))
    )
    assert [row["less_flow"] for row in rows] == [True, False]


def test_nothing_cannot_be_said_of_a_record_that_ends_or_has_holes() -> None:
    short = {"handover_s": AT + 899}
    *unsaid, acted, long_enough = each_explained(
        trip_with(trip=short),
        trip_with(set_aside=[lost("settings", 1100, 1)]),
        trip_with(trip={"handover_s": None}),
        trip_with(setting(1100, flow_lpm=7.0), trip=short),
        trip_with(trip={"handover_s": AT + 900}),
    )
    assert [row["next_action"] for row in unsaid] == [None] * 3
    assert explained(not_recorded=["contacts"])["next_action"] is None
    assert acted["next_action"] == "less_flow"
    assert long_enough["next_action"] == "nothing"


def test_whether_another_came_is_asked_where_fifteen_minutes_were_left() -> None:
    asked = [(1900, 7200, True), (1901, 7200, False), (1100, 1899, None), (None, 7200, False)]
    rows = each_explained(*(
        trip_with(
            device_events=[device(AT), *([] if second is None else [device(second)])],
            trip={"handover_s": handover},
        )
        for second, handover, _ in asked
    ))  # fmt: skip
    for (*_, another), row in zip(asked, rows, strict=True):
        assert row["another_within_15_min"] is another
        assert row["watched"] is (another is not None)


def test_an_incomplete_log_cannot_show_that_no_other_came() -> None:
    partial = {"device_log": "partial"}
    one, two = each_explained(
        trip_with(trip=partial),
        trip_with(trip=partial, device_events=[device(AT), device(1100)]),
    )
    assert (one["another_within_15_min"], two["another_within_15_min"]) == (None, True)


def test_a_cut_off_is_prolonged_beyond_the_protocols_longest() -> None:
    asked = [(15, "pass", False), (15, "fail", True), (15.5, "pass", True), (None, "pass", None)]
    rows = each_explained(*(
        trip_with(
            device_events=[device(AT, cutoff_s=cutoff_s)],
            rules={"flow-interruption": {
                "longest_limit_s": 15, "total_limit_s": 60, "at_limit": at_limit,
            }},
        )
        for cutoff_s, at_limit, _ in asked
    ))  # fmt: skip
    assert [row["prolonged"] for row in rows] == [prolonged for *_, prolonged in asked]
    without = each_explained(
        *(trip_with(device_events=[device(AT, cutoff_s=cutoff_s)]) for cutoff_s, *_ in asked)
    )
    assert [row["prolonged"] for row in without] == [None] * len(asked)


RESTORED = device(AT + 8, "restored", None)


def test_an_occlusion_is_unrecovered_without_a_restart_or_a_length() -> None:
    asked: list[tuple[list[dict[str, Any]], bool | None, bool | None]] = [
        ([device(AT, cutoff_s=None), RESTORED], True, False),
        ([device(500, cutoff_s=None), device(AT, cutoff_s=None), RESTORED], False, True),
        ([device(500, cutoff_s=8), device(AT), RESTORED], False, False),
        ([device(AT, cutoff_s=None)], None, None),
        ([device(AT, cutoff_s=8)], None, False),
    ]
    rows = each_explained(*(trip_with(device_events=events) for events, *_ in asked))
    for (events, restart, unrecovered), row in zip(asked, rows, strict=True):
        assert (row["restart_logged"], row["unrecovered"]) == (restart, unrecovered), events


def test_the_last_event_of_a_blockage_says_whether_it_recovered() -> None:
    events = [
        device(AT), RESTORED, device(AT + 20, cutoff_s=None),
        device(2000, cutoff_s=None), device(2009, "restored", None),
    ]  # fmt: skip
    first, second = all_explained(trip_with(device_events=events, merge_within_s=30))
    assert (first["at_s"], first["unrecovered"]) == (AT, True)
    assert (second["at_s"], second["unrecovered"]) == (2000, False)


def test_an_occlusion_off_the_ventilator_by_more_than_the_clock_is_a_data_problem() -> None:
    """On the wall from 1500 to 5400 s, the source unknown after; the tolerance is 120 s."""
    asked = [(1620, False), (1621, True), (5279, True), (5280, False), (7400, True)]
    rows = each_explained(*(
        trip_with(
            setting(1500, source="wall"), device_events=[device(at_s)],
            set_aside=[lost("settings", 5400, 2)],
        )
        for at_s, _ in asked
    ))  # fmt: skip
    for (at_s, outside), row in zip(asked, rows, strict=True):
        assert row["outside_ventilator"] is outside, at_s
        if outside:
            assert row["not_counted_because"] is not None, at_s


def test_patterns_are_counted_for_the_month() -> None:
    """Two events fit two patterns at once, one fits one; the last is off the ventilator."""
    made = trip_with(
        setting(1200, flow_lpm=11.0), setting(4000, source="wall"),
        start={"flow_lpm": 12.5}, trip={"weight_kg": 8.5},
        device_events=[device(AT), device(AT + 60), device(3000), device(5000)],
    )  # fmt: skip
    con = judged(made)
    con.execute(occlusion_patterns(), {"month": "2026-03"})
    found = con.execute(
        "SELECT pattern, events, only_this, trips, less_flow, nothing, watched,"
        " another_within_15_min FROM month_occlusion_pattern WHERE month = '2026-03' ORDER BY 1"
    ).fetchall()
    assert found == [
        ("all", 3, 1, 1, 2, 1, 3, 1),
        ("cannula_small", 3, 1, 1, 2, 1, 3, 1),
        ("flow_above_range", 2, 0, 1, 2, 0, 2, 1),
    ]
