"""What the trips of a signal have in common: their bases, vehicles, units, and how they ended."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.case.trip_data import FAILED
from reports.text import words
from schemas.record import dataclass

if TYPE_CHECKING:
    import duckdb

KINDS = {"ventilator_unit": "ventilator", "heater_unit": "heater", "vehicle": "vehicle"}
LEAST, SHARE, TIMES = 3, 0.5, 2
"""Named is what at least so many trips share, so large a part of them, and so many times the part
that it has of the other trips of the same bases and months."""

_TRIPS = """
    WITH asked AS (SELECT DISTINCT unnest($trips::VARCHAR[]) AS trip_id),
    trip AS (
        SELECT w.trip_id, w.trip_key, w.service_month AS month, a.trip_id IS NOT NULL AS own,
               t.base, t.vehicle, t.ventilator_unit, t.heater_unit, t.outcome, t.outcome_24h
        FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
        LEFT JOIN asked a ON a.trip_id = w.trip_id
        WHERE t.base IN (SELECT o.base FROM judged.trip_window AS m
                         JOIN delivered.trips AS o USING (trip_key) WHERE m.trip_id IN (FROM asked))
          AND w.service_month BETWEEN $since AND $until
    )
"""

_SHARED = f"""{_TRIPS},
    value AS (
        UNPIVOT (SELECT own, vehicle::VARCHAR AS vehicle, ventilator_unit::VARCHAR
                 AS ventilator_unit, heater_unit::VARCHAR AS heater_unit FROM trip)
        ON vehicle, ventilator_unit, heater_unit INTO NAME kind VALUE value
    ),
    counted AS (
        SELECT kind, value, count(*) FILTER (own) AS n, count(*) FILTER (NOT own) AS others
        FROM value GROUP BY ALL
    ),
    every AS (SELECT count(*) FILTER (own) AS n, count(*) FILTER (NOT own) AS others FROM trip)
    SELECT kind, value, c.n, e.n, c.others, e.others FROM counted c, every e
    WHERE c.n >= {LEAST} AND c.n >= {SHARE} * e.n AND c.n * e.others >= {TIMES} * c.others * e.n
    ORDER BY c.n DESC, kind, value
"""

_OF_TRIP = f"""{_TRIPS},
    reason AS (
        SELECT trip_key, string_agg(DISTINCT reason, ' ' ORDER BY reason) AS reasons
        FROM delivered.settings WHERE trip_key IN (SELECT trip_key FROM trip WHERE own)
          AND list_contains($failed::VARCHAR[], reason) GROUP BY trip_key
    )
    SELECT trip_id, base, vehicle, ventilator_unit, heater_unit, reasons, outcome, outcome_24h
    FROM trip LEFT JOIN reason USING (trip_key) WHERE own
"""


@dataclass(frozen=True)
class Common:
    """In words: what the trips share, and of each what it was; by trip."""

    shared: list[str]
    of_trip: dict[str, str]


def trips_share(con: duckdb.DuckDBPyConnection, trips: list[str], since: str, until: str) -> Common:
    """What these trips have in common against the others of their bases in the same months."""
    asked = {"trips": trips, "since": since, "until": until}
    shared = [
        f"{words.capital(KINDS[kind])} {words.plain(value)}: {n} of these {words.many(of, 'trip')},"
        f" {others} of {of_others} others of the same bases and months."
        for kind, value, n, of, others, of_others in con.execute(_SHARED, asked).fetchall()
    ]
    rows = con.execute(_OF_TRIP, {**asked, "failed": list(FAILED)}).fetchall()
    return Common(shared, {trip: _of_trip(*facts) for trip, *facts in rows})


def _of_trip(*facts: str | None) -> str:
    base, vehicle, ventilator, heater, reasons, outcome, later = facts
    charted = [words.plain(reason) for reason in (reasons or "").split()]
    ended = f"at hand-over {words.plain(outcome)}" if outcome else ""
    after = f"a day later {words.plain(later)}" if later else ""
    vehicle = words.plain(vehicle) if vehicle else ""
    return ", ".join(filter(None, [base, vehicle, ventilator, heater, *charted, ended, after]))
