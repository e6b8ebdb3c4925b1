"""The table of states, move by move: what is allowed, what it needs, and that all else is refused.

Read off the design of the desk: a second telling of it, so that one alone cannot be wrong.
"""

from __future__ import annotations

from itertools import product

import pytest

from pipeline.followup.states import THINGS, Facts, refusal

BY_HAND = Facts(by="R1", why="because", readers=("R1", "R2"), directors=("D1",), open_findings=2)
DONE = Facts(by="R1", why="because", open_findings=0, directors=("D1",))
DIRECTOR = Facts(by="D1", open_findings=0, directors=("D1",))
THIRD = Facts(by="R3", readers=("R1", "R2"))
FOUND = Facts(worked_out=True)
NOTHING_LEFT = Facts(worked_out=True, flags=0)
EMPTY = Facts(empty=True, by="R1")

# thing, from, to, facts that allow it, facts that do not (None: it is always allowed by a person)
ALLOWED = [
    ("finding", "unread", "concluded", BY_HAND, EMPTY),
    ("finding", "concluded", "concluded", BY_HAND, EMPTY),
    ("finding", "stale", "concluded", BY_HAND, EMPTY),
    ("finding", "concluded", "stale", FOUND, BY_HAND),
    ("case", "open", "open", BY_HAND, FOUND),
    ("case", "awaiting_crew", "open", BY_HAND, FOUND),
    ("case", "closed", "open", BY_HAND, FOUND),
    ("case", "open", "awaiting_crew", BY_HAND, FOUND),
    ("case", "awaiting_crew", "awaiting_crew", BY_HAND, FOUND),
    ("case", "closed", "awaiting_crew", BY_HAND, FOUND),
    ("case", "open", "referred", BY_HAND, FOUND),
    ("case", "awaiting_crew", "referred", BY_HAND, FOUND),
    ("case", "closed", "referred", BY_HAND, FOUND),
    ("case", "referred", "referred", BY_HAND, FOUND),
    ("case", "open", "closed", DONE, BY_HAND),
    ("case", "awaiting_crew", "closed", DONE, BY_HAND),
    ("case", "closed", "closed", DONE, BY_HAND),
    ("case", "referred", "closed", DIRECTOR, DONE),
    ("case", "referred", "open", DIRECTOR, DONE),
    ("case", "referred", "awaiting_crew", DIRECTOR, DONE),
    ("case", "open", "withdrawn", NOTHING_LEFT, FOUND),
    ("case", "awaiting_crew", "withdrawn", NOTHING_LEFT, FOUND),
    ("case", "referred", "withdrawn", NOTHING_LEFT, FOUND),
    ("case", "closed", "withdrawn", NOTHING_LEFT, FOUND),
    ("case", "withdrawn", "open", FOUND, BY_HAND),
    ("second_reading", "asked", "agreed", FOUND, BY_HAND),
    ("second_reading", "asked", "differs", FOUND, BY_HAND),
    ("second_reading", "differs", "settled", THIRD, BY_HAND),
    ("action", "proposed", "proposed", BY_HAND, FOUND),
    ("action", "proposed", "under_way", BY_HAND, FOUND),
    ("action", "under_way", "under_way", BY_HAND, FOUND),
    ("action", "done", "under_way", BY_HAND, FOUND),
    ("action", "proposed", "done", BY_HAND, FOUND),
    ("action", "under_way", "done", BY_HAND, FOUND),
    ("action", "proposed", "not_pursued", BY_HAND, EMPTY),
    ("action", "under_way", "not_pursued", BY_HAND, EMPTY),
    ("fetch", "open", "asked", BY_HAND, FOUND),
    ("fetch", "asked", "asked", BY_HAND, FOUND),
    ("fetch", "open", "arrived", FOUND, BY_HAND),
    ("fetch", "asked", "arrived", FOUND, BY_HAND),
    ("fetch", "not_to_be_had", "arrived", FOUND, BY_HAND),
    ("fetch", "open", "not_to_be_had", BY_HAND, FOUND),
    ("fetch", "asked", "not_to_be_had", BY_HAND, FOUND),
    ("signal", "open", "looked_into", BY_HAND, FOUND),
    ("signal", "looked_into", "looked_into", BY_HAND, FOUND),
    ("signal", "looked_into", "closed", BY_HAND, EMPTY),
    ("signal", "looked_into", "closed", FOUND, EMPTY),
    ("signal", "open", "closed", FOUND, BY_HAND),
    ("signal", "closed", "looked_into", BY_HAND, EMPTY),
    ("query", "asked", "answered", BY_HAND, EMPTY),
    ("query", "answered", "replied", BY_HAND, FOUND),
]


@pytest.mark.parametrize(
    ("thing", "before", "after", "enough", "short"), ALLOWED, ids=lambda v: str(v)[:24]
)
def test_a_move_is_allowed_with_what_it_needs_and_not_without(
    thing: str, before: str, after: str, enough: Facts, short: Facts
) -> None:
    assert refusal(thing, before, after, enough) is None
    assert refusal(thing, before, after, short)


def test_every_other_move_is_refused_whoever_makes_it() -> None:
    told = {(thing, before, after) for thing, before, after, *_ in ALLOWED}
    everything = Facts(by="D1", why="x", readers=("R1",), directors=("D1",), flags=0)
    tried = 0
    for thing, known in THINGS.items():
        for before, after in product(known.states, known.states):
            if (thing, before, after) in told:
                continue
            tried += 1
            for worked_out in (False, True):
                facts = Facts(**{**vars(everything), "worked_out": worked_out})
                assert refusal(thing, before, after, facts), (thing, before, after)
    assert tried + len(told) == sum(len(known.states) ** 2 for known in THINGS.values())


def test_the_tables_states_are_those_of_the_design() -> None:
    assert {name: list(thing.states) for name, thing in THINGS.items()} == {
        "finding": ["unread", "concluded", "stale"],
        "case": ["open", "awaiting_crew", "referred", "closed", "withdrawn"],
        "second_reading": ["asked", "agreed", "differs", "settled"],
        "action": ["proposed", "under_way", "done", "not_pursued"],
        "fetch": ["open", "asked", "arrived", "not_to_be_had"],
        "signal": ["open", "looked_into", "closed"],
        "query": ["asked", "answered", "replied"],
    }


def test_a_strange_state_is_refused_in_words() -> None:
    assert "never" in str(refusal("action", "proposed", "burnt", BY_HAND))
