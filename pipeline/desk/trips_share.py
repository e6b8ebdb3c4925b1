"""What the trips of a signal have in common: their bases, vehicles, units, and how they ended."""

from __future__ import annotations

from pipeline.measures.signal_units import shared_units
from reports.case.trip_data import FAILED
from reports.text import words
from reports.text.signal_lines import unit_words
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.record import dataclass

_OWN = "SELECT 0 AS key, unnest($trips::VARCHAR[]) AS trip_id, $since AS since, $until AS until"

_OF_TRIP = """
    WITH own AS (
        SELECT w.trip_id, trip_key, base, vehicle, ventilator_unit, heater_unit, outcome,
               outcome_24h
        FROM judged.trip_window w JOIN delivered.trips USING (trip_key)
        WHERE w.trip_id IN (SELECT unnest($trips::VARCHAR[]))
    ),
    reason AS (
        SELECT trip_key, string_agg(DISTINCT reason, ' ' ORDER BY reason) AS reasons
        FROM delivered.settings WHERE trip_key IN (SELECT trip_key FROM own)
          AND list_contains($failed::VARCHAR[], reason) GROUP BY trip_key
    )
    SELECT trip_id, base, vehicle, ventilator_unit, heater_unit, reasons, outcome, outcome_24h
    FROM own LEFT JOIN reason USING (trip_key)
"""


@dataclass(frozen=True)
class Common:
    """In words: what the trips share, and of each what it was; by trip."""

    shared: list[str]
    of_trip: dict[str, str]


def trips_share(con: Connection, trips: list[str], since: str, until: str) -> Common:
    """What these trips have in common against the others of their bases in the same months."""
    asked = {"trips": trips, "since": since, "until": until}
    found = Frame.read(con.execute(shared_units(_OWN), asked))
    shared = [unit_words(row) for row in found.records()]
    of_each = {"trips": trips, "failed": list(FAILED)}
    rows = con.execute(_OF_TRIP, of_each).fetchall()
    return Common(shared, {trip: _of_trip(*facts) for trip, *facts in rows})


def _of_trip(*facts: str | None) -> str:
    base, vehicle, ventilator, heater, reasons, outcome, later = facts
    charted = [words.plain(reason) for reason in (reasons or "").split()]
    ended = f"at hand-over {words.plain(outcome)}" if outcome else ""
    after = f"a day later {words.plain(later)}" if later else ""
    vehicle = words.plain(vehicle) if vehicle else ""
    return ", ".join(filter(None, [base, vehicle, ventilator, heater, *charted, ended, after]))
