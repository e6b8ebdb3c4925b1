"""What stands against publishing a month: one list, asked by the command and by the desk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import problem
from pipeline.errors.mistakes import Problem, Refused
from pipeline.followup.case_states import make_case_states
from pipeline.followup.moves import month_under_review
from pipeline.followup.own_signals import SIGNALS
from pipeline.store.actions_view import OPEN_ACTIONS
from pipeline.store.baseline import baseline_months
from pipeline.store.sql import literal

if TYPE_CHECKING:
    import duckdb

KINDS = ("unread", "open", "overdue", "restated", "missing", "undecided")


@dataclass(frozen=True)
class Unfinished:
    """Things of one kind that are not done: how many, in words, and which.

    `of`: what their keys name: trip, action, signal or month; empty where they have none.
    """

    kind: str
    count: int
    words: str
    of: str
    keys: tuple[str, ...]


def unfinished(con: duckdb.DuckDBPyConnection, month: str) -> list[Unfinished]:
    """What of `month` is unread, open, overdue, restated, missing or undecided; often nothing.

    A month of the baseline opened no cases, so it has none to read. Call after judging.
    """
    baseline = month in baseline_months(con)
    trips = f"SELECT trip_id FROM judged.trip_window WHERE service_month = {literal(month)}"
    make_case_states(con, trips if not baseline else f"{trips} AND FALSE")
    given = {"month": month, "now": month_under_review(con)}
    found = []
    for kind, of, sql, one, more in _LISTED:
        asked = {name: value for name, value in given.items() if f"${name}" in sql}
        keys = tuple(str(key) for (key,) in con.execute(f"{sql} ORDER BY 1", asked).fetchall())
        if keys:
            words = f"{len(keys)} {one if len(keys) == 1 else more}"
            found.append(Unfinished(kind, len(keys), words, of, keys if of else ()))
    return found


def check_ready(con: duckdb.DuckDBPyConnection, month: str, *, anyway: bool) -> dict[str, int]:
    """Refused (not-read) with the whole list unless it is empty or `anyway`.

    What was published over, by kind, for the ledger.
    """
    found = unfinished(con, month)
    if found and not anyway:
        raise Refused([_problem(month, line) for line in found])
    counts: dict[str, int] = {}
    for line in found:
        counts[line.kind] = counts.get(line.kind, 0) + line.count
    return counts


def _problem(month: str, line: Unfinished) -> Problem:
    return problem("not-read", month, f"{line.kind}: {line.words}")


_LISTED = (
    (
        "unread",
        "trip",
        "SELECT trip_id FROM case_state WHERE unread + stale > 0",
        "trip has findings that nobody concluded, or that have changed since",
        "trips have findings that nobody concluded, or that have changed since",
    ),
    (
        "unread",
        "trip",
        """SELECT trip_id FROM (
               SELECT trip_id FROM loop.audit_trip WHERE month = $month
               UNION SELECT trip_id FROM loop.audit WHERE month = $month) a
           SEMI JOIN case_state c ON c.trip_id = a.trip_id AND c.flags = 0 AND c.readings = 0""",
        "trip drawn at random has not been read",
        "trips drawn at random have not been read",
    ),
    (
        "unread",
        "trip",
        """SELECT key FROM loop.standing s JOIN case_state c ON c.trip_id = s.key
           WHERE s.thing = 'added' AND c.flags = 0 AND c.readings = 0""",
        "trip added by hand has not been read",
        "trips added by hand have not been read",
    ),
    (
        "open",
        "trip",
        """SELECT trip_id FROM case_state WHERE unread + stale = 0 AND readings > 0
           AND state NOT IN ('closed', 'withdrawn')""",
        "case is open",
        "cases are open",
    ),
    (
        "open",
        "signal",
        f"SELECT key FROM ({SIGNALS}) WHERE state <> 'closed' AND month <= $month",
        "signal is not closed",
        "signals are not closed",
    ),
    (
        "overdue",
        "action",
        f"SELECT key FROM ({OPEN_ACTIONS}) WHERE due_month < $now",
        "action is overdue",
        "actions are overdue",
    ),
    (
        "restated",
        "month",
        """WITH last AS (
               SELECT month, max(publication_no) AS publication_no FROM loop.publication
               WHERE month < $month GROUP BY month)
           SELECT DISTINCT l.month FROM last l
           JOIN loop.publication p USING (publication_no)
           LEFT JOIN loop.published_verdict v ON v.publication_no = l.publication_no
           LEFT JOIN delivered.holding h ON h.trip_id = v.trip_id
           WHERE h.trip_key IS DISTINCT FROM v.trip_key AND v.trip_id IS NOT NULL
              OR EXISTS (SELECT 1 FROM loop.answer a WHERE a.month = l.month
                         AND a.determination_no > p.last_determination)
              OR EXISTS (SELECT 1 FROM judged.trip_window w WHERE w.service_month = l.month
                         AND w.trip_id NOT IN (
                             SELECT o.trip_id FROM loop.published_verdict o
                             WHERE o.publication_no = l.publication_no))""",
        "month was published before, and its trips or answers have changed since",
        "months were published before, and their trips or answers have changed since",
    ),
    (
        "missing",
        "",
        """SELECT unnest(range(greatest(0, (
               SELECT coalesce(max(trips), 0) FROM delivered.expected_holding
               WHERE month = $month) - (
               SELECT count(*) FROM judged.trip_window WHERE service_month = $month))))""",
        "trip of those expected has not been delivered",
        "trips of those expected have not been delivered",
    ),
    (
        "undecided",
        "trip",
        """SELECT key FROM loop.standing s JOIN case_state c ON c.trip_id = s.key
           WHERE s.thing = 'second_reading' AND s.state IN ('asked', 'differs')""",
        "second reading is not there, or differs and is not settled",
        "second readings are not there, or differ and are not settled",
    ),
    (
        "undecided",
        "trip",
        """SELECT DISTINCT trip_id FROM loop.fetch f SEMI JOIN case_state USING (trip_id)
           JOIN delivered.holding h USING (trip_id)
           SEMI JOIN judged.verdict v ON v.trip_key = h.trip_key AND v.verdict = 'cannot_tell'
           WHERE NOT EXISTS (
               SELECT 1 FROM loop.fetch_said s
               WHERE s.trip_id = f.trip_id AND s.record = f.record
                 AND s.state = 'not_to_be_had')""",
        "trip has a record to fetch that would settle what cannot be told",
        "trips have records to fetch that would settle what cannot be told",
    ),
)
"""Each kind, what its things are, their keys in SQL, and its words for one and for more."""
