"""Records that somebody can still get, and that may settle what could not be told.

One line a trip, one request a base. What is missing and matters is worked out anew at each review;
what was once on the list is remembered, so that a record is known to have arrived when a later
delivery brings it. People say that they asked for one, or that it is not to be had.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import usage
from pipeline.followup.screen_text import check_by
from pipeline.store.database import transaction
from pipeline.store.followup_tables import check_judged, ensure_followup_tables, insert, next_number
from pipeline.store.ledger import record_stored
from pipeline.store.session import store_in
from schemas.connection import Connection

KIND = "fetch"


def list_fetch(con: Connection, month: str) -> None:
    """Make `month_fetch`, one line a trip, and remember what is on it; in a transaction.

    Call after `month_words`. A line has the state of the record that is furthest from arriving.
    """
    con.execute(_MISSING, {"month": month})
    con.execute(_NEEDED)
    con.execute(
        """INSERT INTO loop.fetch
           SELECT DISTINCT $month, trip_id, record FROM needed_record
           ANTI JOIN loop.fetch USING (trip_id, record) ORDER BY ALL""",
        {"month": month},
    )
    con.execute(_MONTH_FETCH, {"month": month})


def say(
    folder: Path,
    state: str,
    trips: Sequence[str] = (),
    *,
    base: str | None = None,
    month: str | None = None,
    by: str | None = None,
) -> int:
    """Keep that records were asked for, or are not to be had; returns of how many trips.

    `state`: of `schemas.work.SAID_OF_FETCH`. `trips`: their tokens; or else every trip of `base`,
    in `month` if given, that has a record on the list. What has arrived is left alone. A Usage
    mistake where a trip has no record to fetch.
    """
    check_by(by)
    with store_in(folder) as con:
        check_judged(con)
        with transaction(con):
            ensure_followup_tables(con)
            con.execute(_MISSING, {"month": None})
            rows = con.execute(
                _STILL_MISSING, {"trips": list(trips), "base": base, "month": month}
            ).fetchall()
            _check(rows, trips, base, month)
            new = [row[:2] for row in rows if row[2] != state]
            if new:
                number = next_number(con, "fetch_said", "said_no")
                insert(con, "fetch_said", [(number, *row, state, by) for row in new])
                told = {"by": by, "state": state, "rows_read": len(rows), "rows_kept": len(new)}
                record_stored(con, KIND, number, told)
    return len({trip for trip, *_ in rows})


def _check(
    rows: Sequence[tuple[str, ...]], trips: Sequence[str], base: str | None, month: str | None
) -> None:
    """Usage where somebody speaks of a record that nobody waits for."""
    known = {trip for trip, *_ in rows}
    for trip in trips:
        if trip not in known:
            what = f"no record of {trip[:64]} is on the list, or it has arrived"
            raise usage("nothing-to-fetch", "TRIP", what)
    if not rows:
        of = f" in {month}" if month else ""
        what = f"no record of a trip of {(base or '')[:64]}{of} is on the list, or all have arrived"
        raise usage("nothing-to-fetch", "--base", what)


def said_words(state: str, trips: int) -> str:
    """What `say` did, for the terminal."""
    of = "1 trip" if trips == 1 else f"{trips} trips"
    said = {"asked": "asked for", "not_to_be_had": "not to be had"}[state]
    return f"Records of {of}: {said}. The work list says so from the next review on."


_TRIP_FIELDS = {
    "handover_s": "no hand-over time",
    "departed_s": "no departure time",
    "outcome": "no outcome",
}

# what is missing of trips (of one month, or of all), whether or not anything rests on it:
# trip_id, record, the table it is of, and what is said of it
_MISSING = f"""
    CREATE OR REPLACE TEMP TABLE missing_record AS
    WITH trip AS (
        SELECT t.*, w.log_complete, d.not_recorded
        FROM judged.trip_window w
        JOIN delivered.trips t USING (trip_key)
        JOIN delivered.delivery d ON d.delivery_no = w.delivery_no
        WHERE w.service_month = coalesce($month, w.service_month)
    )
    SELECT trip_key, trip_id, base, service_month, 'device_log' AS record,
           'device_events' AS part,
           CASE device_log WHEN 'partial' THEN 'device log downloaded in part'
                           WHEN 'none' THEN 'device log not downloaded'
                           ELSE 'no device log, and nothing said of its download' END AS what
    FROM trip
    WHERE NOT log_complete AND device_log IS DISTINCT FROM 'complete'
      AND NOT list_contains(not_recorded, 'device_events')
      AND EXISTS (FROM judged.timeline e
                  WHERE e.trip_key = trip.trip_key AND e.source = 'ventilator')
      AND (device_log IS NOT NULL
           OR NOT EXISTS (FROM delivered.device_events e WHERE e.trip_key = trip.trip_key))
    UNION ALL
    {
    " UNION ALL ".join(
        f"SELECT trip_key, trip_id, base, service_month, '{field}', 'trips', '{words}'"
        f" FROM trip WHERE {field} IS NULL"
        for field, words in _TRIP_FIELDS.items()
    )
}
    UNION ALL
    SELECT trip_key, trip_id, base, service_month, 'rows_' || table_name, table_name,
           lost || CASE WHEN lost = 1 THEN ' row of ' ELSE ' rows of ' END
               || replace(table_name, '_', ' ') || ' set aside'
    FROM trip
    JOIN (SELECT trip_key, table_name, count(*) AS lost FROM delivered.lost GROUP BY ALL)
        USING (trip_key)
"""

# each missing record with each rule of high or medium severity that it may settle; what a service
# never records says nothing about one trip
_NEEDED = """
    CREATE OR REPLACE TEMP TABLE needed_record AS
    SELECT m.trip_id, m.record, v.rule, v.severity,
           CASE v.severity WHEN 'high' THEN 1 ELSE 2 END AS severity_rank
    FROM missing_record m
    JOIN month_verdict v USING (trip_key)
    WHERE v.verdict = 'cannot_tell' AND v.severity IN ('high', 'medium')
      AND CASE WHEN m.part = 'trips'
               THEN EXISTS (FROM rule_trip_field f WHERE f.rule = v.rule AND f.field = m.record)
               ELSE EXISTS (FROM rule_evidence e WHERE e.rule = v.rule AND e."table" = m.part) END
      AND NOT EXISTS (
          FROM rule_evidence e
          JOIN judged.trip_window w ON w.trip_key = m.trip_key
          JOIN delivered.delivery d ON d.delivery_no = w.delivery_no
          WHERE e.rule = v.rule AND list_contains(d.not_recorded, e."table"))
"""

_SAID = """
    SELECT trip_id, record, arg_max(state, said_no) AS state FROM loop.fetch_said GROUP BY ALL
"""

_MONTH_FETCH = f"""
    CREATE OR REPLACE TEMP TABLE month_fetch AS
    WITH listed AS (
        SELECT l.trip_id, t.base, l.record, t.trip_key
        FROM loop.fetch l JOIN delivered.holding h USING (trip_id)
        JOIN delivered.trips t ON t.trip_key = h.trip_key
        WHERE t.service_month = $month
    ),
    lines AS (
        SELECT l.trip_id, l.base, l.record, m.what, n.rules, n.place,
               CASE WHEN m.record IS NULL THEN 'arrived' WHEN s.state IS NULL THEN 'open'
                    ELSE s.state END AS state
        FROM listed l
        LEFT JOIN missing_record m USING (trip_id, record)
        LEFT JOIN (SELECT trip_id, record, list(rule) AS rules,
                          min(struct_pack(severity_rank := severity_rank, rule := rule,
                                          severity := severity)) AS place
                   FROM needed_record GROUP BY ALL) n USING (trip_id, record)
        LEFT JOIN ({_SAID}) s USING (trip_id, record)
        -- what is missing and settles nothing any more leaves the list, and what is not to be had
        WHERE m.record IS NULL OR (n.rules IS NOT NULL AND s.state IS DISTINCT FROM 'not_to_be_had')
    ),
    trips AS (
        SELECT trip_id, any_value(base) AS base, min(place) AS place,
               CASE WHEN bool_or(state = 'open') THEN 'open'
                    WHEN bool_or(state = 'asked') THEN 'asked' ELSE 'arrived' END AS state,
               string_agg(what, ', ' ORDER BY record) AS missing,
               list_sort(list_distinct(flatten(list(rules) FILTER (rules IS NOT NULL)))) AS rules
        FROM lines GROUP BY trip_id
    )
    SELECT trip_id, base, state, place.severity, place.rule,
           coalesce(upper(left(missing, 1)) || substr(missing, 2) || '.', 'All of it has arrived.')
               AS why,
           coalesce(array_to_string(rules, ' '), '') AS rules,
           row_number() OVER (ORDER BY base, state = 'arrived', place.severity_rank NULLS LAST,
                              trip_id)::INTEGER AS place
    FROM trips
"""

_STILL_MISSING = f"""
    SELECT m.trip_id, m.record, s.state
    FROM missing_record m SEMI JOIN loop.fetch USING (trip_id, record)
    LEFT JOIN ({_SAID}) s USING (trip_id, record)
    WHERE CASE WHEN len($trips::VARCHAR[]) > 0 THEN list_contains($trips::VARCHAR[], m.trip_id)
               ELSE m.base = $base END
      AND m.service_month = coalesce($month, m.service_month)
    ORDER BY ALL
"""
