"""What may be said of a case, asked of every way in: who may read it, and when it is closed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import replace

from pipeline.errors import Problem, in_cell
from pipeline.followup.case_states import CaseNow, cases_now
from pipeline.followup.given import Answer, Trip
from pipeline.followup.states import (
    AWAITING,
    CLOSED,
    DIFFERS,
    OPEN,
    REFERRED,
    WITHDRAWN,
    Facts,
    refusal,
)
from pipeline.store.sql import in_table
from schemas.connection import Connection
from schemas.record import dataclass


@dataclass(frozen=True)
class Standing:
    """Cases as they stand, who is kept from which trip, and who closes what is referred."""

    cases: Mapping[str, CaseNow]
    kept_from: Set[tuple[str, str]]
    directors: tuple[str, ...]


def standing_of_cases(con: Connection) -> Standing:
    """How the cases of the trips in `answered_trip` stand."""
    return Standing(
        cases_now(con, "SELECT trip_id FROM answered_trip"),
        own_trips(con, in_table(con, "answered_trip")),
        directors(con),
    )


def case_problems(
    standing: Standing, trips: Mapping[str, Trip], file: str, answers: Sequence[Answer]
) -> Iterator[Problem]:
    """Why answers that are sound by themselves cannot stand beside what the store holds.

    All answers to one trip are taken together: a case is closed with its last finding.
    """
    for trip_id in dict.fromkeys(answer.trip_id for answer in answers):
        same = [answer for answer in answers if answer.trip_id == trip_id]
        case = standing.cases[trip_id]
        left = _left_open(case, trips[trip_id], same)
        for answer in same:
            if (trip_id, answer.reviewer) in standing.kept_from:
                what = "its crew or its authorising call carries this reader's token"
                yield in_cell("own-trip", file, answer.line, "reviewer", what)
            elif case.second == DIFFERS and answer.conclusion and answer.reviewer in case.readers:
                what = str(refusal("second_reading", DIFFERS, "settled",
                                   Facts(by=answer.reviewer, readers=case.readers)))  # fmt: skip
                yield in_cell("case-move", file, answer.line, "reviewer", what)
            else:
                facts = Facts(
                    open_findings=len(left), by=answer.reviewer, directors=standing.directors,
                )  # fmt: skip
                before = _before(case, answer)
                if why := refusal("case", before, answer.status, facts):
                    remedy = _remedy(answer, left)
                    yield in_cell("case-move", file, answer.line, "status", why, remedy=remedy)
                elif why := refusal(
                    "case", before, answer.status,
                    replace(facts, asks_words=_words_missing(case, answer, same)),
                ):  # fmt: skip
                    remedy = "Write in the note what you concluded, naming nobody."
                    yield in_cell("missing-value", file, answer.line, "note", why, remedy=remedy)


def _before(case: CaseNow, answer: Answer) -> str:
    """Where the case stands for this answer to move it."""
    if case.state == WITHDRAWN:
        # what is said of a withdrawn case is kept, and withdrawn it stays
        return OPEN
    if case.state == AWAITING and case.refer_to and answer.status in (OPEN, CLOSED):
        # a query and its answer do not take a referral from whom it was made to
        return REFERRED
    return case.state


def _words_missing(case: CaseNow, answer: Answer, same: Sequence[Answer]) -> str:
    """Why words are asked for that the reader does not write; empty where nothing is missing.

    Who closed it before, of an earlier version without a word, is not asked again.
    """
    wrote = any(a.note for a in same if a.reviewer == answer.reviewer)
    return "" if wrote or answer.reviewer in case.closers else case.asks_words


def _left_open(case: CaseNow, trip: Trip, answers: Sequence[Answer]) -> list[str]:
    """Findings that would still be open with these answers."""
    concluded = {rule for a in answers if a.conclusion for rule in a.rules}
    return [rule for rule in case.open_findings if rule in trip.flags and rule not in concluded]


def _remedy(answer: Answer, left: Sequence[str]) -> str:
    if answer.status == CLOSED and left:
        return f"Conclude {', '.join(left)} too, or leave the case open."
    return "Leave the case as it is, or let the one do it whose turn it is."


def own_trips(con: Connection, asked: str) -> set[tuple[str, str]]:
    """Trips with each token that is kept from reading them: crew and authorisers.

    `asked`: as SQL after a trip_id, which trips.
    """
    return set(
        con.execute(f"""
            WITH held AS (SELECT trip_id, trip_key FROM delivered.holding
                          WHERE trip_id {asked})
            SELECT trip_id, crew_member FROM held JOIN delivered.crew USING (trip_key)
            UNION SELECT trip_id, authorised_by FROM held JOIN delivered.contacts USING (trip_key)
            WHERE authorised_by IS NOT NULL
        """).fetchall()
    )


def directors(con: Connection) -> tuple[str, ...]:
    """Who has approved limits of this store, by token, sorted."""
    rows = con.execute("""
        SELECT approved_by FROM delivered.protocol_version WHERE approved_by IS NOT NULL
        UNION SELECT recorded_by FROM loop.move WHERE thing = 'approval' ORDER BY 1
    """).fetchall()
    return tuple(token for (token,) in rows if token)
