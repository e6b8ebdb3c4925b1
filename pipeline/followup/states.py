"""What people look after, the states of each thing, and which move between them is allowed.

Data and pure functions: no store, no clock. Every way in (the desk, the sheet, the commands) asks
`refusal` before it stores a move, so that nothing can be done in one that another forbids.
"""

from __future__ import annotations

from dataclasses import field

from schemas.record import dataclass

UNREAD, CONCLUDED, STALE = "unread", "concluded", "stale"
OPEN, AWAITING, REFERRED, CLOSED, WITHDRAWN = (
    "open", "awaiting_crew", "referred", "closed", "withdrawn",
)  # fmt: skip
ASKED, AGREED, DIFFERS, SETTLED = "asked", "agreed", "differs", "settled"
PROPOSED, UNDER_WAY, DONE, NOT_PURSUED = "proposed", "under_way", "done", "not_pursued"
ARRIVED, NOT_TO_BE_HAD = "arrived", "not_to_be_had"
LOOKED_INTO = "looked_into"
ANSWERED, REPLIED = "answered", "replied"


@dataclass(frozen=True)
class Facts:
    """What a move may rest on; everything is absent unless it is known to be there.

    `worked_out`: the program found it, no person said it. `open_findings`: findings of the case
    that nobody has concluded, or that have gone stale. `flags`: findings still flagged.
    `unread_trips`: those behind a signal that nobody has read, unless whoever closes it says so.
    `asks_words`: why the case is closed in words, if nobody wrote any; empty where that is met.
    `by` is whoever moves, `readers` those who read before, `directors` those who approve limits.
    """

    worked_out: bool = False
    empty: bool = False
    open_findings: int = 0
    flags: int = 1
    unread_trips: int = 0
    why: str = ""
    by: str | None = None
    readers: tuple[str, ...] = ()
    asks_words: str = ""
    directors: tuple[str, ...] = ()


@dataclass(frozen=True)
class Thing:
    """One kind of thing: its states, the one it begins in, and its moves with what each needs."""

    states: tuple[str, ...]
    begins: str
    moves: dict[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)


Needs = tuple[str, ...]


def _any_to(states: tuple[str, ...], end: str, *needs: str) -> dict[tuple[str, str], Needs]:
    return {(state, end): needs for state in states}


IN_WORDS = "words where they are asked for"
CLOSING = ("every finding concluded", IN_WORDS)

THINGS: dict[str, Thing] = {
    "finding": Thing(
        (UNREAD, CONCLUDED, STALE), UNREAD,
        {
            **_any_to((UNREAD, CONCLUDED, STALE), CONCLUDED, "an answer"),
            (CONCLUDED, STALE): ("worked out",),
        },
    ),
    "case": Thing(
        (OPEN, AWAITING, REFERRED, CLOSED, WITHDRAWN), OPEN,
        {
            **_any_to((OPEN, AWAITING), OPEN),
            **_any_to((OPEN, AWAITING), AWAITING),
            **_any_to((OPEN, AWAITING, CLOSED), REFERRED),
            **_any_to((OPEN, AWAITING, CLOSED), CLOSED, *CLOSING),
            (REFERRED, REFERRED): (),
            (REFERRED, OPEN): ("the director",),
            (REFERRED, AWAITING): ("the director",),
            (REFERRED, CLOSED): (*CLOSING, "the director"),
            (CLOSED, OPEN): (),
            (CLOSED, AWAITING): (),
            **_any_to((OPEN, AWAITING, REFERRED, CLOSED), WITHDRAWN, "worked out", "nothing left"),
            (WITHDRAWN, OPEN): ("worked out",),
        },
    ),
    "second_reading": Thing(
        (ASKED, AGREED, DIFFERS, SETTLED), ASKED,
        {
            (ASKED, AGREED): ("worked out",),
            (ASKED, DIFFERS): ("worked out",),
            (DIFFERS, SETTLED): ("a third token",),
        },
    ),
    "action": Thing(
        (PROPOSED, UNDER_WAY, DONE, NOT_PURSUED), PROPOSED,
        {
            **_any_to((PROPOSED,), PROPOSED),
            **_any_to((PROPOSED, UNDER_WAY, DONE), UNDER_WAY),
            **_any_to((PROPOSED, UNDER_WAY), DONE),
            **_any_to((PROPOSED, UNDER_WAY), NOT_PURSUED, "a why"),
        },
    ),
    "fetch": Thing(
        (OPEN, ASKED, ARRIVED, NOT_TO_BE_HAD), OPEN,
        {
            (OPEN, ASKED): (),
            (ASKED, ASKED): (),
            **_any_to((OPEN, ASKED, NOT_TO_BE_HAD), ARRIVED, "worked out"),
            **_any_to((OPEN, ASKED), NOT_TO_BE_HAD),
        },
    ),
    "signal": Thing(
        (OPEN, LOOKED_INTO, CLOSED), OPEN,
        {
            (OPEN, LOOKED_INTO): (),
            (LOOKED_INTO, LOOKED_INTO): (),
            (LOOKED_INTO, CLOSED): ("a why, or worked out", "every trip read, or said"),
            (OPEN, CLOSED): ("worked out",),
            (CLOSED, LOOKED_INTO): ("a why",),
        },
    ),
    "query": Thing(
        (ASKED, ANSWERED, REPLIED), ASKED,
        {(ASKED, ANSWERED): ("a why",), (ANSWERED, REPLIED): ()},
    ),
}  # fmt: skip
"""Page by page of the design: what there is, and how it moves. What is not here is refused."""


NO_FACTS = Facts()


def refusal(thing: str, before: str, after: str, facts: Facts = NO_FACTS) -> str | None:
    """Why this move cannot be made, as a clause for a sentence; None if it can."""
    known = THINGS[thing]
    if after not in known.states or before not in known.states:
        return (
            f"a {_plain(thing)} is never {_plain(after if after not in known.states else before)}"
        )
    needs = known.moves.get((before, after))
    if needs is None:
        return f"a {_plain(thing)} that is {_plain(before)} does not become {_plain(after)}"
    if facts.worked_out and not any("worked out" in need for need in needs):
        return f"only a person says that a {_plain(thing)} is {_plain(after)}"
    return next((why for need in needs if (why := _missing(need, facts))), None)


def _missing(need: str, facts: Facts) -> str | None:
    """What of a need is not met, as a clause."""
    held = {
        "worked out": (facts.worked_out, "that is worked out from the record, and not said"),
        "an answer": (not facts.empty, "an empty answer concludes nothing"),
        "every finding concluded": (
            facts.open_findings == 0,
            f"{facts.open_findings} of its findings"
            f" {'is' if facts.open_findings == 1 else 'are'} not concluded",
        ),
        IN_WORDS: (
            not facts.asks_words,
            f"{facts.asks_words}, so the case is closed with a conclusion in words",
        ),
        "nothing left": (facts.flags == 0, "something is still flagged"),
        "a why": (bool(facts.why.strip()), "it needs a word on why"),
        "a why, or worked out": (
            facts.worked_out or bool(facts.why.strip()),
            "it needs a word on why",
        ),
        "every trip read, or said": (
            facts.worked_out or not facts.unread_trips,
            f"{facts.unread_trips} of its trips {'is' if facts.unread_trips == 1 else 'are'}"
            " unread, and it was not said to close it all the same",
        ),
        "the director": (
            facts.by in facts.directors,
            "a referred case is the director's: whoever approves the limits"
            + (f" ({', '.join(facts.directors)})" if facts.directors else ""),
        ),
        "a third token": (
            facts.by is not None and facts.by not in facts.readers,
            "a difference is settled by somebody who has not read it yet",
        ),
    }
    met, words = held[need]
    return None if met else words


def _plain(name: str) -> str:
    return name.replace("_", " ")
