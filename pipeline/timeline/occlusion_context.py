"""Each occlusion beside what may explain it, and what followed.

Patterns, actions and outcomes are three-valued: true, false, or null where the record cannot
say. Several patterns may hold at once. What followed is not what helped: crews act on the worst
cases.
"""

from __future__ import annotations

from collections.abc import Iterator

from schemas.outputs import ACTIONS, HELD_PATTERNS

FOLLOWED_S = 900
"""How long after an occlusion the record is watched."""
BEHAVIOUR_WITHIN_S = 120
"""How far from an occlusion a charted behaviour may lie, before or after."""
CHILD_WITHIN_S = 600
"""How long after an occlusion the child's saturation and heart rate are looked at."""
UNSETTLED = ("crying", "coughing", "agitated")


def stages(cutoff_limits: str) -> Iterator[tuple[str, str]]:
    """The named SQL that makes `occlusion_context_now`: a row for each of `occlusion_now`.

    `cutoff_limits` selects protocol_no, longest_limit_s and fails_at_limit of the versions that
    limit a cut-off.
    """
    yield "what crews did", crew_action()
    yield "behaviour at occlusions", behaviour()
    yield "children after occlusions", child_after()
    yield "restored flow", last_event()
    yield "what followed occlusions", followed()
    yield "occlusions explained", occlusion_context(cutoff_limits)


def _changes(field: str) -> str:
    """One field's charted values in trips with occlusions, each with the one before it."""
    return f"""
    SELECT trip_key, at_s, value, lag(value) OVER (PARTITION BY trip_key ORDER BY at_s) AS before
    FROM (
        -- of two values at one second the later row holds
        SELECT trip_key, at_s, {field} AS value
        FROM charted_now SEMI JOIN occlusion_now USING (trip_key)
        WHERE {field} IS NOT NULL
        QUALIFY lead(at_s) OVER (PARTITION BY trip_key ORDER BY at_s, line) IS DISTINCT FROM at_s
    )
    """


def crew_action() -> str:
    """What crews did in trips with occlusions: trip_key, at_s, action, its rank, resolution_s.

    The record has no word for reseating: the same cannula charted anew, for repeated occlusion
    and with nothing else changed, is as near as it comes. A cylinder counts as the wall: either
    is undiluted oxygen, off the ventilator. -1 and '' mark what a set-aside row may have said.
    """
    return f"""
    CREATE OR REPLACE TEMP TABLE crew_action_now AS
    WITH flow AS ({_changes("flow_lpm")}),
    cannula AS ({_changes("cannula")}),
    source AS ({_changes("source")}),
    changed AS (
        SELECT trip_key, at_s, 'less_flow' AS action
        FROM flow WHERE value >= 0 AND before >= 0 AND value < before
        UNION ALL
        SELECT x.trip_key, x.at_s, 'larger_cannula'
        FROM cannula x
        JOIN trip_window_now w USING (trip_key)
        JOIN delivered.cannula old ON old.delivery_no = w.delivery_no AND old.id = x.before
        JOIN delivered.cannula new ON new.delivery_no = w.delivery_no AND new.id = x.value
        WHERE new.family = old.family AND new.size_rank > old.size_rank
        UNION ALL
        SELECT trip_key, at_s, 'to_wall'
        FROM source
        WHERE value IN ('wall', 'cylinder') AND before NOT IN ('wall', 'cylinder', '')
    ),
    reseated AS (
        SELECT DISTINCT x.trip_key, x.at_s, 'reseated' AS action
        FROM cannula x
        JOIN settings_now s ON s.trip_key = x.trip_key AND s.at_s = x.at_s
            AND s.cannula = x.value
        WHERE s.reason = 'repeated_occlusion' AND x.before = x.value
          AND NOT EXISTS (
              SELECT 1 FROM changed c WHERE c.trip_key = x.trip_key AND c.at_s = x.at_s)
    ),
    charted AS (
        SELECT a.*, w.r_settings AS resolution_s
        FROM (FROM changed UNION ALL FROM reseated) a JOIN trip_window_now w USING (trip_key)
        UNION ALL
        SELECT c.trip_key, c.at_s, 'contact', w.r_contacts
        FROM contacts_now c SEMI JOIN occlusion_now USING (trip_key)
        JOIN trip_window_now w USING (trip_key)
    )
    SELECT *, list_position({list(ACTIONS)}, action) AS action_rank FROM charted
    """


def behaviour() -> str:
    """The behaviour charted nearest to each occlusion, and whether any was unsettled."""
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_behaviour_now AS
    SELECT o.trip_key, o.line,
           arg_min(b.behaviour, (abs(b.at_s - o.at_s), b.at_s, b.line)) AS behaviour,
           bool_or(b.behaviour IN {UNSETTLED}) AS unsettled
    FROM occlusion_now o
    JOIN observations_now b ON b.trip_key = o.trip_key
        AND b.at_s BETWEEN o.at_s - {BEHAVIOUR_WITHIN_S} AND o.at_s + {BEHAVIOUR_WITHIN_S}
    WHERE b.behaviour IS NOT NULL
    GROUP BY o.trip_key, o.line
    """


def child_after() -> str:
    """The lowest SpO2 and heart rate charted soon after each occlusion; null where none is.

    An observation counts as after the occlusion unless its recorded time, truncated as it is,
    surely lies before.
    """
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_child_now AS
    SELECT o.trip_key, o.line, min(b.spo2_pct) AS spo2_after_pct,
           min(b.heart_rate) AS heart_rate_after
    FROM occlusion_now o
    JOIN trip_window_now w USING (trip_key)
    JOIN observations_now b ON b.trip_key = o.trip_key
        AND b.at_s > o.at_s - w.r_observations AND b.at_s <= o.at_s + {CHILD_WITHIN_S}
    GROUP BY o.trip_key, o.line
    """


def last_event() -> str:
    """The last logged event of each blockage: its cut-off, and whether a restart follows it.

    Blockages and events are numbered alike in time: the k-th blockage ends with the event whose
    number is the count of events in the first k.
    """
    return """
    CREATE OR REPLACE TEMP TABLE blockage_end_now AS
    WITH followed AS (
        SELECT trip_key, line, event,
               lead(event) OVER trip AS next_event,
               count(*) FILTER (event = 'restored') OVER (PARTITION BY trip_key) AS restarts
        FROM device_events_now SEMI JOIN occlusion_now USING (trip_key)
        WHERE event IN ('occlusion', 'restored')
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
    ),
    event AS (
        SELECT l.trip_key, l.in_window = 'inside' AS inside, l.cutoff_s,
               CASE WHEN f.restarts > 0 THEN coalesce(f.next_event = 'restored', FALSE) END
                   AS restart_logged,
               row_number() OVER (
                   PARTITION BY l.trip_key, l.in_window = 'inside' ORDER BY l.at_s, l.line
               ) AS number
        FROM logged_occlusion_now l JOIN followed f USING (trip_key, line)
    ),
    blockage AS (
        SELECT trip_key, line, in_window = 'inside' AS inside,
               sum(logged_events) OVER (
                   PARTITION BY trip_key, in_window = 'inside' ORDER BY at_s, line) AS number
        FROM occlusion_now
    )
    SELECT b.trip_key, b.line, e.cutoff_s, e.restart_logged
    FROM blockage b JOIN event e USING (trip_key, inside, number)
    """


def followed() -> str:
    """What the crew of each occlusion did within the watched time, and whether another came.

    A change counts as after the occlusion unless its recorded time, truncated as it is, surely
    lies before. `watched`: the whole time lies in the known part of the window.
    """
    did = ", ".join(f"bool_or(a.action = '{action}') AS {action}" for action in ACTIONS)
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_followed_now AS
    WITH next AS (
        SELECT o.trip_key, o.line, o.at_s,
               o.in_window = 'inside' AND o.at_s + {FOLLOWED_S} <= w.end_s AS watched,
               coalesce(lead(o.at_s) OVER trip - o.at_s <= {FOLLOWED_S}, FALSE) AS another
        FROM occlusion_now o JOIN trip_window_now w USING (trip_key)
        WINDOW trip AS (
            PARTITION BY o.trip_key, o.in_window = 'inside' ORDER BY o.at_s, o.line)
    )
    SELECT n.trip_key, n.line, any_value(n.watched) AS watched, any_value(n.another) AS another,
           {did}, arg_min(a.action, (a.at_s, a.action_rank)) AS action, min(a.at_s) AS action_s
    FROM next n
    LEFT JOIN crew_action_now a ON a.trip_key = n.trip_key
        AND a.at_s > n.at_s - a.resolution_s AND a.at_s <= n.at_s + {FOLLOWED_S}
    GROUP BY n.trip_key, n.line
    """


_NEAR = """
    -- occlusions with ventilator time, or time of unknown source, within the clock's tolerance
    SELECT DISTINCT o.trip_key, o.line
    FROM occlusion_now o
    JOIN clock_now k USING (trip_key)
    JOIN trip_window_now w USING (trip_key)
    JOIN timeline_now t ON t.trip_key = o.trip_key
        AND coalesce(t.source, 'ventilator') = 'ventilator'
        AND t.from_s <= o.at_s + k.tolerance_s
        AND t.until_s + greatest(w.r_settings, w.r_trips) > o.at_s - k.tolerance_s
"""

_OUTSIDE_VENTILATOR = """
    CASE WHEN w.start_s IS NULL OR n.trip_key IS NOT NULL THEN FALSE
         -- without a hand-over time, or on other support until hand-over, the source is unknown
         WHEN w.open_end AND o.at_s + k.tolerance_s >= w.end_s THEN FALSE
         WHEN NOT w.open_end AND NOT w.ends_at_handover AND o.at_s + k.tolerance_s >= w.end_s
              AND o.at_s - k.tolerance_s < w.handover_s + w.r_trips THEN FALSE
         ELSE TRUE END
"""


def _known(action: str) -> str:
    """An action as true where charted, false where surely not, null where it cannot be said."""
    complete = "w.contacts_known" if action == "contact" else "settings_known"
    return f"coalesce(f.{action}, CASE WHEN f.watched AND {complete} THEN FALSE END)"


def occlusion_context(cutoff_limits: str) -> str:
    """One row for each of `occlusion_now`, by trip_key and line."""
    did = ", ".join(f"nullif(f.{a}, FALSE) AS {a}" for a in ACTIONS)
    known = ",\n           ".join(f"{_known(a)} AS {a}" for a in ACTIONS)
    leading = " ".join(f"WHEN {p} THEN '{p}'" for p in HELD_PATTERNS)
    none = " AND ".join(f"NOT {p}" for p in HELD_PATTERNS)
    nothing = " AND ".join(f"NOT e.{a}" for a in ACTIONS)
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_context_now AS
    WITH near AS ({_NEAR}),
    cutoff_limit(protocol_no, longest_limit_s, fails_at_limit) AS ({cutoff_limits}),
    lost_setting AS (SELECT DISTINCT trip_key FROM lost_now WHERE table_name = 'settings'),
    done AS (SELECT f.* EXCLUDE ({", ".join(ACTIONS)}), {did} FROM occlusion_followed_now f),
    explained AS (
        SELECT o.trip_key, o.line, t.fio2, t.humidification, b.behaviour,
           h.spo2_after_pct, h.heart_rate_after,
           o.flow_lpm > c.flow_max_lpm AS flow_above_range,
           CASE WHEN c.id IS NOT NULL AND x.weight_kg IS NOT NULL
                THEN coalesce(x.weight_kg > c.weight_max_kg, FALSE) END AS cannula_small,
           CASE WHEN b.unsettled OR w.observations_known THEN b.unsettled END AS child_unsettled,
           ls.trip_key IS NULL AND NOT w.all_settings_unknown AS settings_known,
           f.watched, f.action, f.action_s - o.at_s AS action_after_s,
           {known},
           CASE WHEN f.watched AND (f.another OR w.log_complete) THEN f.another END
               AS another_within_15_min,
           CASE WHEN o.known_cutoff_s > l.longest_limit_s THEN TRUE
                WHEN l.fails_at_limit AND o.known_cutoff_s = l.longest_limit_s THEN TRUE
                WHEN o.cutoff_s IS NOT NULL AND l.protocol_no IS NOT NULL THEN FALSE END
               AS prolonged,
           CASE WHEN z.restart_logged OR w.log_complete THEN z.restart_logged END
               AS restart_logged,
           z.cutoff_s IS NULL AS end_not_logged,
           {_OUTSIDE_VENTILATOR} AS outside_ventilator
        FROM occlusion_now o
        JOIN trip_window_now w USING (trip_key)
        JOIN delivered.trips x USING (trip_key)
        JOIN clock_now k USING (trip_key)
        JOIN done f ON f.trip_key = o.trip_key AND f.line = o.line
        JOIN blockage_end_now z ON z.trip_key = o.trip_key AND z.line = o.line
        LEFT JOIN near n ON n.trip_key = o.trip_key AND n.line = o.line
        LEFT JOIN occlusion_behaviour_now b ON b.trip_key = o.trip_key AND b.line = o.line
        LEFT JOIN occlusion_child_now h ON h.trip_key = o.trip_key AND h.line = o.line
        LEFT JOIN timeline_now t ON t.trip_key = o.trip_key
            AND o.at_s >= t.from_s AND o.at_s < t.until_s
        LEFT JOIN delivered.cannula c ON c.delivery_no = w.delivery_no AND c.id = o.cannula
        LEFT JOIN cutoff_limit l ON l.protocol_no = w.protocol_no
        LEFT JOIN lost_setting ls ON ls.trip_key = o.trip_key
    )
    SELECT e.* EXCLUDE (action, settings_known, end_not_logged),
           CASE {leading} WHEN {none} THEN 'none_of_these' ELSE 'unknown' END AS pattern,
           CASE WHEN action IS NOT NULL THEN action WHEN {nothing} THEN 'nothing' END
               AS next_action,
           -- a logged length says when the flow came back, though no restart is logged
           CASE WHEN restart_logged OR NOT end_not_logged THEN FALSE
                WHEN NOT restart_logged THEN TRUE END AS unrecovered
    FROM explained e
    ORDER BY e.trip_key, e.line
    """
