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


def in_order() -> str:
    """Whether each trip's rows of `settings_now` stand together, in the order of time and line."""
    return """
    SELECT count(*) FILTER (begins) = count(DISTINCT trip_key)
           AND NOT coalesce(bool_or(NOT begins AND earlier), FALSE)
    FROM (
        SELECT trip_key, lag(trip_key) OVER () IS DISTINCT FROM trip_key AS begins,
               at_s < lag(at_s) OVER () OR at_s = lag(at_s) OVER () AND line < lag(line) OVER ()
                   AS earlier
        FROM settings_now
    )
    """


def charted() -> str:
    """The settings rows that bear on the window, set-aside rows as unknown in every field.

    They are kept in the order of trip, time and line, so that what looks at the row before or
    after needs no sort: a window without an order takes the rows as they are kept.
    """
    fields = ", ".join(f"s.{f}" for f in FIELDS)
    nothing = ", ".join(unknown(f) for f in FIELDS)
    return f"""
    CREATE OR REPLACE TEMP TABLE charted_now AS
    SELECT s.trip_key, s.at_s, s.line, {fields}
    FROM settings_now s JOIN trip_window_now w USING (trip_key)
    WHERE s.at_s <= w.keep_until_s AND NOT w.all_settings_unknown
    UNION ALL
    SELECT l.trip_key, l.at_s, l.line, {nothing}
    FROM lost_now l JOIN trip_window_now w USING (trip_key)
    WHERE l.table_name = 'settings' AND l.at_s <= w.keep_until_s AND NOT w.all_settings_unknown
    UNION ALL
    SELECT trip_key, start_s, 0, {nothing}
    FROM trip_window_now WHERE all_settings_unknown AND start_s IS NOT NULL
    ORDER BY trip_key, at_s, line
    """


def _by_second(field: str) -> str:
    """trip_key, at_s and value of one field, in order; of two at one second the later row holds."""
    return f"""
    SELECT trip_key, at_s, {field} AS value FROM charted_now WHERE {field} IS NOT NULL
    QUALIFY lead(at_s) OVER () IS DISTINCT FROM at_s OR lead(trip_key) OVER () <> trip_key
    """


def by_second(field: str, trips: str) -> str:
    """trip_key, at_s and value of one field; of two values at one second the later row holds.

    `trips` names a relation with the trip_key of the trips wanted.
    """
    return f"SELECT * FROM ({_by_second(field)}) SEMI JOIN {trips} USING (trip_key)"


def _expiries(field: str) -> str:
    """The moments at which a charted value of one field stops being known."""
    columns = ", ".join(
        f"{unknown(field)} AS {field}" if f == field else f"NULL AS {f}" for f in FIELDS
    )
    return f"""
    SELECT c.trip_key, c.at_s + p.carry_{field}_s AS at_s, 0 AS line, {columns}
    FROM (
        SELECT trip_key, at_s, value, lead(trip_key) OVER () IS NOT DISTINCT FROM trip_key AS again,
               CASE WHEN again THEN lead(at_s) OVER () END AS next_s,
               CASE WHEN again THEN lead(value) OVER () END AS next_value
        FROM ({_by_second(field)})
    ) c
    JOIN trip_window_now w USING (trip_key)
    JOIN protocol_now p ON p.protocol_no = w.protocol_no
    WHERE c.value <> {unknown(field)} AND c.value IS DISTINCT FROM c.next_value
      AND c.at_s + p.carry_{field}_s < least(coalesce(c.next_s, w.end_s), w.end_s)
    """


def _held(rows: str) -> str:
    """`rows` in order, with `begins` at each trip's first, and what each field is held to be."""
    begun = ", ".join(
        f"CASE WHEN begins THEN coalesce({f}, {unknown(f)}) ELSE {f} END AS begun_{f}"
        for f in FIELDS
    )
    held = ", ".join(
        f"last_value(begun_{f} IGNORE NULLS) OVER (ROWS UNBOUNDED PRECEDING) AS held_{f}"
        for f in FIELDS
    )
    return f"""
    SELECT * EXCLUDE ({", ".join("begun_" + f for f in FIELDS)}), {held}
    FROM (
        -- a trip begins with nothing known, whatever the last row of the one before says
        SELECT *, {begun}
        FROM (SELECT *, lag(trip_key) OVER () IS DISTINCT FROM trip_key AS begins FROM {rows})
    )
    """


def point(limited: Sequence[str]) -> str:
    """Every moment at which a trip's support may change, in order; `limited` as of `timeline`.

    Most charted rows say again what is held already: they are left out.
    """
    fields = ", ".join(FIELDS)
    news = " OR ".join(f"held_{f} <> lag(held_{f}) OVER ()" for f in FIELDS)
    expiries = "".join(f"UNION ALL {_expiries(f)}" for f in limited)
    return f"""
    CREATE OR REPLACE TEMP TABLE point_now AS
    SELECT p.*, w.end_s
    FROM (
        SELECT trip_key, at_s, line, {fields} FROM ({_held("charted_now")})
        QUALIFY begins OR {news}
        {expiries}
    ) p
    JOIN trip_window_now w USING (trip_key)
    -- nothing at or after the end counts
    WHERE p.at_s < w.end_s
    ORDER BY trip_key, at_s, line
    """


def timeline() -> str:
    """The timeline of every trip to judge, from `point_now` and in its order."""
    known = ", ".join(f"nullif(held_{f}, {unknown(f)}) AS {f}" for f in FIELDS)
    fields = ", ".join(FIELDS)
    same = f"({fields}) IS NOT DISTINCT FROM lag(({fields})) OVER ()"
    return f"""
    CREATE OR REPLACE TEMP TABLE timeline_now AS
    WITH held AS (
        SELECT trip_key, at_s, end_s, {known} FROM ({_held("point_now")})
        -- the last row of a second holds
        QUALIFY lead(at_s) OVER () IS DISTINCT FROM at_s OR lead(trip_key) OVER () <> trip_key
    ),
    changed AS (
        SELECT * FROM held
        QUALIFY lag(trip_key) OVER () IS DISTINCT FROM trip_key OR NOT {same}
    )
    SELECT trip_key, at_s AS from_s,
           CASE WHEN lead(trip_key) OVER () = trip_key THEN lead(at_s) OVER ()
                ELSE end_s END AS until_s, {fields}
    FROM changed
    """
