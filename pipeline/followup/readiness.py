"""What stands against publishing a month: one list, asked by the command and by the desk."""

from __future__ import annotations

from pipeline.errors import problem
from pipeline.errors.mistakes import Problem, Refused
from pipeline.followup.case_states import make_case_states
from pipeline.followup.moves import month_under_review
from pipeline.followup.own_signals import SIGNALS
from pipeline.month.cases import always_read
from pipeline.store.actions_view import OPEN_ACTIONS
from pipeline.store.baseline import baseline_months
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.record import dataclass

KINDS = ("unread", "open", "overdue", "restated", "missing", "undecided")


@dataclass(frozen=True)
class Unfinished:
    """Things of one kind that are not done: how many, in words, and which.

    `of`: what their keys name: trip, action, signal or month; empty where they have none. `why`:
    beside each key why it matters, where the kind says so; else empty.
    """

    kind: str
    count: int
    words: str
    of: str
    keys: tuple[str, ...]
    why: tuple[str, ...] = ()


def unfinished(con: Connection, month: str) -> list[Unfinished]:
    """What of `month` is unread, open, overdue, restated, missing or undecided; often nothing.

    The trips that are always read come first, the gravest of them first, each with why.

    A month of the baseline opened no cases, so it has none to read. Call after judging.
    """
    baseline = month in baseline_months(con)
    trips = f"SELECT trip_id FROM judged.trip_window WHERE service_month = {literal(month)}"
    make_case_states(con, trips if not baseline else f"{trips} AND FALSE")
    always_read(con, [month])
    given = {"month": month, "now": month_under_review(con)}
    found = []
    for kind, of, sql, one, more in _LISTED:
        asked = {name: value for name, value in given.items() if f"${name}" in sql}
        order = "" if "ORDER BY" in sql else " ORDER BY 1"
        rows = con.execute(f"{sql}{order}", asked).fetchall()
        if rows:
            keys = tuple(str(row[0]) for row in rows) if of else ()
            why = tuple(str(row[1]) for row in rows if len(row) > 1)
            words = f"{len(rows)} {one if len(rows) == 1 else more}"
            found.append(Unfinished(kind, len(rows), words, of, keys, why))
    return found


def check_ready(con: Connection, month: str, *, anyway: bool) -> dict[str, int]:
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
    named = ", ".join(f"{key} ({why})" for key, why in zip(line.keys, line.why, strict=False))
    return problem("not-read", month, f"{line.kind}: {line.words}{': ' if named else ''}{named}")


_ALWAYS_READ = """
    SELECT w.trip_id, t.said, t.place
    FROM month_trigger t JOIN judged.trip_window w USING (trip_key)
"""

_UNREAD = "(unread + stale > 0 OR flags = 0 AND readings = 0 AND state <> 'withdrawn')"
"""Of a case that must be read, whether somebody must still do so; without a finding it is read
once it is closed."""

_LISTED = (
    (
        "unread",
        "trip",
        f"""SELECT trip_id, said FROM ({_ALWAYS_READ}) JOIN case_state USING (trip_id)
            WHERE {_UNREAD} ORDER BY place, trip_id""",
        "trip that is always read has not been read to its end, or has changed since",
        "trips that are always read have not been read to their end, or have changed since",
    ),
    (
        "unread",
        "trip",
        f"""SELECT trip_id FROM case_state WHERE unread + stale > 0
            AND trip_id NOT IN (SELECT trip_id FROM ({_ALWAYS_READ}))""",
        "other trip has findings that nobody concluded, or that have changed since",
        "other trips have findings that nobody concluded, or that have changed since",
    ),
    (
        "unread",
        "trip",
        f"""SELECT trip_id FROM case_state WHERE audit AND readings = 0
            AND trip_id NOT IN (SELECT trip_id FROM ({_ALWAYS_READ}))""",
        "trip drawn at random has not been read",
        "trips drawn at random have not been read",
    ),
    (
        "open",
        "trip",
        f"""SELECT trip_id FROM case_state WHERE state NOT IN ('closed', 'withdrawn')
            AND unread + stale = 0 AND (readings > 0 OR state <> 'open')
            AND NOT (audit AND readings = 0)
            AND trip_id NOT IN (SELECT trip_id FROM ({_ALWAYS_READ})
                                JOIN case_state USING (trip_id) WHERE {_UNREAD})""",
        "case is open",
        "cases are open",
    ),
    (
        "open",
        "signal",
        f"SELECT key FROM ({SIGNALS}) WHERE state <> 'closed' AND month <= $month",
        "signal is not closed",
        "signals, counted in each month that said one, are not closed",
    ),
    (
        "open",
        "trip",
        """SELECT DISTINCT s.trip_id FROM loop.standing s SEMI JOIN case_state USING (trip_id)
           WHERE s.thing = 'query' AND s.state = 'asked'""",
        "query to a crew is not answered",
        "queries to crews are not answered",
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
