"""A case as the desk shows it: its picture, its findings and what was said, who may read it."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Any

from pipeline.followup.answers import trips_of
from pipeline.followup.case_rules import Standing, standing_of_cases
from pipeline.followup.case_states import CaseNow
from pipeline.followup.given import Trip
from schemas.connection import Connection
from schemas.record import dataclass

if TYPE_CHECKING:
    from reports.case.data import CasePage
    from schemas.month_review import MonthReview


@dataclass(frozen=True)
class CaseView:
    """What one reader may see and say of a trip.

    `mark` changes with the trip's record, its verdicts and the answers the reader may see.
    `kept_from`: why this reader may not read it, empty where they may. `said`: answers to show, by
    rule; `own`: the reader's own, from which the form begins. `notes`: each with who wrote it.
    """

    trip_id: str
    trip: Trip
    now: CaseNow
    mark: str
    kept_from: str
    said: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    own: dict[str, dict[str, Any]] = field(default_factory=dict)
    notes: list[tuple[str, str]] = field(default_factory=list)


def case_view(con: Connection, trip_id: str, by: str | None) -> CaseView | None:
    """The case as `by` may see it; None if the store has no such trip."""
    trips = trips_of(con, [trip_id])
    if trip_id not in trips:
        return None
    standing = standing_of_cases(con)
    now = standing.cases[trip_id]
    last, rows = _answers(con, trip_id, by)
    said: dict[str, list[dict[str, Any]]] = {}
    own: dict[str, dict[str, Any]] = {}
    for row in rows:
        if row["shown"]:
            said.setdefault(row["rule"] or "", []).append(row)
        if row["reviewer"] == by and row["conclusion"] is not None and not row["stale"]:
            own[row["rule"] or ""] = row
    return CaseView(
        trip_id, trips[trip_id], now, f"{trips[trip_id].seen}.{last}",
        kept_from(standing, trip_id, by), said, own,
        [] if (trip_id, by) in standing.kept_from else _notes(con),
    )  # fmt: skip


def _notes(con: Connection) -> list[tuple[str, str]]:
    """What was noted on the one case of `case_reading`, in order; none that a second reader of it
    must not see.
    """
    return con.execute("""
        SELECT note, reviewer FROM case_reading
        WHERE note IS NOT NULL AND determination_no IN (SELECT determination_no FROM loop.answer)
        GROUP BY ALL ORDER BY min(determination_no)
    """).fetchall()


def mark_now(con: Connection, trip: Trip, trip_id: str, by: str) -> str:
    """The mark that the case would be shown to `by` with."""
    return f"{trip.seen}.{_answers(con, trip_id, by)[0]}"


def _answers(con: Connection, trip_id: str, by: str | None) -> tuple[int, list[dict[str, Any]]]:
    """The last answer that `by` may know of, and each reader's latest to each rule.

    Call after the case's standing was made.
    """
    found = con.execute(
        """
        SELECT r.rule, r.reviewer, r.finding AS conclusion, r.contributed, r.status, r.verdict,
               r.determination_no, r.basis, r.note IS NOT NULL AS noted,
               a.determination_no IS NOT NULL AS shown,
               r.rule IS NOT NULL AND r.verdict IS DISTINCT FROM v.verdict AS stale
        FROM case_reading r
        LEFT JOIN (SELECT DISTINCT determination_no FROM loop.answer WHERE trip_id = $trip) a
            ON a.determination_no = r.determination_no
        LEFT JOIN (SELECT trip_key FROM delivered.holding WHERE trip_id = $trip) h ON TRUE
        LEFT JOIN judged.verdict v ON v.trip_key = h.trip_key AND v.rule = r.rule
        WHERE r.trip_id = $trip AND r.latest_of_reviewer
        ORDER BY r.determination_no, r.rule
        """,
        {"trip": trip_id},
    )
    names = [column[0] for column in found.description or []]
    rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
    known = [r["determination_no"] for r in rows if r["shown"] or r["reviewer"] == by]
    return max(known, default=0), rows


def kept_from(standing: Standing, trip_id: str, by: str | None) -> str:
    """Why `by` may not read the trip; empty where they may."""
    now = standing.cases[trip_id]
    if (trip_id, by) in standing.kept_from:
        return "Its crew or its authorising call carries your token, so somebody else reads it."
    if now.second == "differs" and by in now.readers:
        return "You and another reader differ. Somebody who has not read it settles that."
    return ""


def drawn_case(con: Connection, trip_id: str, version: str) -> CasePage | None:
    """The data of the trip's case page as `reports.case` makes it; None if it is not judged."""
    from pipeline.judging.versions import versions_in_store
    from pipeline.month.one_case import one_case
    from reports.case.data import case_pages
    from reports.text.navigation import Site

    review: MonthReview | None = one_case(con, versions_in_store(con), trip_id, version)
    if review is None:
        return None
    return next(case_pages(review, Site()), None)
