"""What the trips of a signal share is counted against the others of their bases and months."""

import duckdb

from pipeline.desk.trips_share import trips_share

TABLES = """
    CREATE SCHEMA judged; CREATE SCHEMA delivered;
    CREATE TABLE judged.trip_window AS
    SELECT n AS trip_key, 'T' || n AS trip_id, CASE WHEN n = 9 THEN '2026-05' ELSE '2026-03' END
           AS service_month
    FROM range(1, 13) AS r (n);
    CREATE TABLE delivered.trips AS
    SELECT n AS trip_key, 'T' || n AS trip_id,
           CASE WHEN n = 10 THEN 'birch' ELSE 'damson' END AS base,
           'ground' AS vehicle, NULL::VARCHAR AS ventilator_unit,
           CASE WHEN n <= 3 OR n IN (8, 9, 10) THEN 'H-2' ELSE 'H-1' END AS heater_unit,
           'unchanged' AS outcome, CASE WHEN n = 2 THEN 'intubated' END AS outcome_24h
    FROM range(1, 13) AS r (n);
    CREATE TABLE delivered.settings AS
    SELECT * FROM (VALUES (1, 'heater_failed'), (1, 'start'), (2, 'check')) AS s (trip_key, reason)
"""


def test_a_unit_in_most_trips_of_a_signal_and_few_others_is_named() -> None:
    con = duckdb.connect()
    con.execute(TABLES)
    # T1 to T4; others of damson in March are T5 to T8, T11 and T12, of which T8 has the heater
    found = trips_share(con, ["T1", "T2", "T3", "T4"], "2026-03", "2026-03")
    assert found.shared == [
        "Heater H-2: 3 of these 4 trips, 1 of 6 others of the same bases and months."
    ]
    assert found.of_trip["T1"] == "damson, ground, H-2, heater failed, at hand-over unchanged"
    assert found.of_trip["T2"].endswith("a day later intubated")
    # two trips are too few to share anything, and every trip went by road
    assert trips_share(con, ["T1", "T2"], "2026-03", "2026-03").shared == []
    con.close()
