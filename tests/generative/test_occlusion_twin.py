"""What followed an occlusion: the set-based SQL against a slow twin, on generated deliveries."""

from __future__ import annotations

from collections import Counter
from copy import deepcopy
from itertools import pairwise
from typing import Any
from unittest.mock import patch

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.timeline import occlusion_context
from schemas.outputs import NEXT_ACTIONS
from tests.deep import examples

from .examples import setting
from .strategies import deliveries
from .test_occlusion_context import ACTIONS, judged
from .twin.model import Case, gather
from .twin.occlusions import blockages, log_complete
from .twin.series import LOST, marks
from .twin.window import review_window, settings_that_count


def twin_actions(case: Case) -> list[tuple[int, int, str]]:
    """Every action of a trip as (second, rank, action)."""
    window = review_window(case)
    rows = [] if window is None or case.untimed_setting else settings_that_count(case, window)
    done = []
    for before, (at_s, value) in pairwise(marks(rows, "flow_lpm")):
        if LOST not in (before[1], value) and value < before[1]:
            done.append((at_s, "less_flow"))
    for before, (at_s, value) in pairwise(marks(rows, "source")):
        off = ("wall", "cylinder")
        if before[1] is not LOST and value in off and before[1] not in off:
            done.append((at_s, "to_wall"))
    sizes = case.catalogue
    pairs = list(pairwise(marks(rows, "cannula")))
    for before, (at_s, value) in pairs:
        old, new = sizes.get(before[1]), sizes.get(value)
        if old and new and (old["family"], old["size_rank"]) < (new["family"], new["size_rank"]):
            done += [(at_s, "larger_cannula")] * (old["family"] == new["family"])
    changed = {at_s for at_s, _ in done}
    for before, (at_s, value) in pairs:
        anew = [
            s.row for s in rows
            if s.at_s == at_s and s.row and s.row["reason"] == "repeated_occlusion"
            and s.row["cannula"] == value == before[1]
        ]  # fmt: skip
        if anew and at_s not in changed:
            done.append((at_s, "reseated"))
    done += [(row["at_s"], "contact") for row in case.contacts]
    return sorted((at_s, ACTIONS.index(action), action) for at_s, action in done)


def twin_context(case: Case, watch_s: int) -> list[tuple[Any, ...]]:
    """(trip, second, another, actions in order, next action) of each occlusion in the window."""
    window = review_window(case)
    if window is None:
        return []
    events = blockages(case, window.start, window.end)
    actions = twin_actions(case)
    found = []
    for number, event in enumerate(events):
        watched = event.at_s + watch_s <= window.end
        later = events[number + 1 : number + 2]
        another: bool | None = bool(later) and later[0].at_s - event.at_s <= watch_s
        if not watched or not (another or log_complete(case)):
            another = None
        seen = [
            action for at_s, _, action in actions
            if event.at_s - case.resolution["contacts" if action == "contact" else "settings"]
            < at_s <= event.at_s + watch_s
        ]  # fmt: skip
        known = [
            True if action in seen else (False if watched and certain else None)
            for action in ACTIONS
            for certain in [case.certain("contacts" if action == "contact" else "settings")]
        ]
        nothing = "nothing" if known == [False] * len(ACTIONS) else None
        found.append(
            (case.trip["trip_id"], event.at_s, another, *known, seen[0] if seen else nothing)
        )
    return found


REACTION = st.fixed_dictionaries({
    "after_s": st.sampled_from([-60, -1, 0, 1, 30, 60, 61, 300, 900]),
    "flow_lpm": st.sampled_from([None, None, 7.0, 9.0, 11.0]),
    "source": st.sampled_from([None, None, None, "ventilator", "wall"]),
    "cannula": st.sampled_from([None, "prong-1", "prong-2", "cushion-1"]),
    "reason": st.sampled_from([None, "repeated_occlusion"]),
})  # fmt: skip


def with_reactions(generated: dict[str, Any], reactions: list[dict[str, Any]]) -> dict[str, Any]:
    """Add the reactions, in turn, as settings charted around the trips' device events."""
    made = deepcopy(generated)
    events = made["tables"]["device_events"]
    for event, reaction in zip(events, reactions, strict=False):
        charted = {key: value for key, value in reaction.items() if key != "after_s"}
        at_s = max(0, event["at_s"] + reaction["after_s"])
        made["tables"]["settings"].append(setting(at_s, **charted) | {"trip_id": event["trip_id"]})
    return made


FEWEST, MOST = examples(10, 5), examples(20, 12)
"""Trips of a delivery: one judging costs about the same whether it has two or twenty."""


def test_what_followed_agrees_with_the_twin() -> None:
    seen: Counter[Any] = Counter()

    @settings(
        max_examples=examples(6, 100),
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(
        deliveries(max_trips=MOST, rules=["settings-gap"], min_trips=FEWEST),
        st.lists(REACTION, min_size=4 * FEWEST, max_size=8 * FEWEST),
        st.sampled_from([60, 300, 900]),
    )
    def agree(generated: dict[str, Any], reactions: list[dict[str, Any]], watch_s: int) -> None:
        made = with_reactions(generated, reactions)
        with patch.object(occlusion_context, "FOLLOWED_S", watch_s):
            con = judged(made)
        there = con.execute(
            "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'occlusion_context'"
        ).fetchone()
        sql = (
            con.execute(f"""
            SELECT t.trip_id, o.at_s, e.another_within_15_min, {", ".join(ACTIONS)}, e.next_action
            FROM judged.occlusion_context e
            JOIN judged.occlusion o USING (trip_key, line)
            JOIN delivered.trips t USING (trip_key)
            WHERE o.in_window = 'inside'""").fetchall()
            if there != (0,)
            else []
        )
        twin = [row for case in gather(made) for row in twin_context(case, watch_s)]
        assert sorted(sql, key=repr) == sorted(twin, key=repr)
        for _, _, another, *known, following in twin:
            seen.update([following, ("another", another)])
            seen.update(zip(ACTIONS, known, strict=True))

    agree()
    # the agreement is worth something only if everything was met with
    assert {*NEXT_ACTIONS, None} <= set(seen)
    assert {(action, known) for action in ACTIONS for known in (True, False, None)} <= set(seen)
    assert {("another", True), ("another", False), ("another", None)} <= set(seen)
