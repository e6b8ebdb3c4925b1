"""Each field of the settings as its own series, cut into intervals of constant support.

A charted value holds for the field's carry-forward time, and on to the next charted value if
that is the same. Unknown is written as a marker while the series are built, so that "not charted
here" (null) and "no longer known" stay apart; it becomes null in the finished timeline.
"""

from __future__ import annotations

from collections.abc import Sequence

FIELDS = ("source", "flow_lpm", "fio2", "humidification", "cannula")
NUMBERS = frozenset({"flow_lpm", "fio2"})


def unknown(field: str) -> str:
    """The marker for 'charted, but not known any more' in a field's series."""
    # no charted flow or oxygen fraction is negative, no token is empty
    return "-1::DOUBLE" if field in NUMBERS else "''"


def charted() -> str:
    """The settings rows that bear on the window, set-aside rows as unknown in every field."""
    fields = ", ".join(f"s.{f}" for f in FIELDS)
    nothing = ", ".join(unknown(f) for f in FIELDS)
    return f"""
    CREATE OR REPLACE TEMP TABLE charted_now AS
    SELECT s.trip_key, s.at_s, s.line, {fields}
    FROM delivered.settings s JOIN trip_window_now w USING (trip_key)
    WHERE s.at_s <= w.keep_until_s AND NOT w.all_settings_unknown
    UNION ALL
    SELECT l.trip_key, l.at_s, l.line, {nothing}
    FROM lost_now l JOIN trip_window_now w USING (trip_key)
    WHERE l.table_name = 'settings' AND l.at_s <= w.keep_until_s AND NOT w.all_settings_unknown
    UNION ALL
    SELECT trip_key, start_s, 0, {nothing}
    FROM trip_window_now WHERE all_settings_unknown AND start_s IS NOT NULL
    """


def by_second(field: str, trips: str = "trip_window_now") -> str:
    """trip_key, at_s and value of one field; of two values at one second the later row holds.

    `trips` names a relation with the trip_key of the trips wanted.
    """
    return f"""
    SELECT trip_key, at_s, {field} AS value
    FROM charted_now SEMI JOIN {trips} USING (trip_key) WHERE {field} IS NOT NULL
    QUALIFY lead(at_s) OVER (PARTITION BY trip_key ORDER BY at_s, line) IS DISTINCT FROM at_s
    """


def _expiries(field: str) -> str:
    """The moments at which a charted value of one field stops being known."""
    columns = ", ".join(
        f"{unknown(field)} AS {field}" if f == field else f"NULL AS {f}" for f in FIELDS
    )
    return f"""
    SELECT trip_key, at_s + carry_s AS at_s, 0 AS line, {columns}
    FROM (
        SELECT c.trip_key, c.at_s, c.value, p.carry_{field}_s AS carry_s, w.end_s,
               lead(c.at_s) OVER later AS next_s, lead(c.value) OVER later AS next_value
        FROM ({by_second(field)}) c
        JOIN trip_window_now w USING (trip_key)
        JOIN protocol_now p ON p.protocol_no = w.protocol_no
        WINDOW later AS (PARTITION BY c.trip_key ORDER BY c.at_s)
    )
    WHERE carry_s IS NOT NULL AND value <> {unknown(field)}
      AND value IS DISTINCT FROM next_value
      AND at_s + carry_s < least(coalesce(next_s, end_s), end_s)
    """


def timeline(limited: Sequence[str]) -> str:
    """The timeline of every trip to judge; `limited` names fields with a finite carry-forward."""
    points = "\nUNION ALL\n".join(["SELECT * FROM charted_now", *map(_expiries, limited)])
    held = ", ".join(
        f"nullif(last_value({f} IGNORE NULLS) OVER so_far, {unknown(f)}) AS {f}" for f in FIELDS
    )
    same = " AND ".join(f"lag({f}) OVER trip IS NOT DISTINCT FROM {f}" for f in FIELDS)
    fields = ", ".join(FIELDS)
    return f"""
    CREATE OR REPLACE TEMP TABLE timeline_now AS
    WITH points AS ({points}),
    held AS (
        SELECT trip_key, at_s, lead(at_s) OVER so_far AS next_s, {held}
        FROM points
        WINDOW so_far AS (PARTITION BY trip_key ORDER BY at_s, line)
    ),
    changed AS (
        SELECT h.trip_key, h.at_s, w.end_s, {", ".join("h." + f for f in FIELDS)},
               lag(h.trip_key) OVER trip IS NOT NULL AND {same} AS same
        FROM held h JOIN trip_window_now w USING (trip_key)
        -- the last row of a second holds; nothing at or after the end counts
        WHERE h.next_s IS DISTINCT FROM h.at_s AND h.at_s < w.end_s
        WINDOW trip AS (PARTITION BY h.trip_key ORDER BY h.at_s)
    )
    SELECT trip_key, at_s AS from_s,
           coalesce(lead(at_s) OVER trip, end_s) AS until_s, {fields}
    FROM changed WHERE NOT same
    WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s)
    ORDER BY trip_key, from_s
    """


def exposure() -> str:
    """Seconds of each trip by source, humidification and cannula; null is unknown."""
    return """
    CREATE OR REPLACE TEMP TABLE exposure_now AS
    SELECT trip_key, source, humidification, cannula, sum(until_s - from_s)::INTEGER AS seconds
    FROM timeline_now
    GROUP BY ALL
    """
