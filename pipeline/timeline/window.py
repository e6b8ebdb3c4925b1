"""The review window of each trip, and which of its records are complete."""

from __future__ import annotations

BEGUN_WITH = ("flow_lpm", "cannula")
"""The fields whose first charted value rules look at."""


def charted_times() -> str:
    """Of each trip with settings: first and last, first on other support, first on ventilator.

    And the first that charts each of the fields that a rule asks for the beginning of.
    """
    firsts = ", ".join(f"min(at_s) FILTER ({f} IS NOT NULL) AS {f}_s" for f in BEGUN_WITH)
    return f"""
    CREATE OR REPLACE TEMP TABLE charted_times_now AS
    SELECT trip_key, min(at_s) AS first_s, max(at_s) AS last_s,
           min(at_s) FILTER (support <> 'high_flow') AS other_support_s,
           min(at_s) FILTER (source = 'ventilator') AS ventilator_s,
           {firsts}
    FROM settings_now GROUP BY trip_key
    """


def trip_window() -> str:
    """One row for each trip to judge.

    `start_s` is null for a trip without settings. [start_s, end_s) is the part of the window
    whose extent is known; `open_end` says that no hand-over time was charted, so the child may
    have been on any support for any time after it. `keep_until_s` is the last second whose
    charted values extend knowledge.
    """
    return """
    CREATE OR REPLACE TEMP TABLE trip_window_now AS
    WITH support_end AS (
        SELECT trip_key, min(at_s) AS support_end_s
        FROM (
            -- of two settings at one second the later row holds
            SELECT trip_key, at_s, arg_max(support, line) AS support
            FROM settings_now
            SEMI JOIN (FROM charted_times_now WHERE other_support_s IS NOT NULL) USING (trip_key)
            GROUP BY trip_key, at_s
        )
        WHERE support <> 'high_flow' GROUP BY trip_key
    ),
    lost_by_trip AS (
        SELECT trip_key,
               min(at_s) FILTER (table_name = 'settings') AS first_s,
               max(at_s) FILTER (table_name = 'settings') AS last_s,
               bool_or(table_name = 'settings' AND at_s IS NULL) AS all_settings_unknown,
               bool_or(table_name = 'contacts') AS contact_lost,
               bool_or(table_name = 'device_events') AS event_lost,
               bool_or(table_name = 'observations') AS observation_lost
        FROM lost_now GROUP BY trip_key
    ),
    logged AS (SELECT DISTINCT trip_key FROM device_events_now)
    SELECT
        j.trip_key, j.trip_id, j.service_month, j.delivery_no, j.protocol_no,
        least(c.first_s, l.first_s) AS start_s,
        CASE WHEN t.handover_s IS NULL THEN least(greatest(c.last_s, l.last_s), e.support_end_s)
             ELSE least(t.handover_s, e.support_end_s) END AS end_s,
        t.handover_s IS NULL AS open_end,
        coalesce(t.handover_s <= coalesce(e.support_end_s, t.handover_s), FALSE)
            AS ends_at_handover,
        CASE WHEN t.handover_s IS NULL AND e.support_end_s IS NULL
                  THEN greatest(c.last_s, l.last_s)
             ELSE least(t.handover_s, e.support_end_s) - 1 END AS keep_until_s,
        t.handover_s, t.departed_s,
        -- a table that was not delivered has no resolution and no row that would need one
        d.res_trips AS r_trips, coalesce(d.res_settings, 1) AS r_settings,
        coalesce(d.res_device_events, 1) AS r_device,
        coalesce(d.res_observations, 1) AS r_observations,
        coalesce(d.res_contacts, 1) AS r_contacts, d.max_offset_s,
        coalesce(l.all_settings_unknown, FALSE) AS all_settings_unknown,
        NOT (coalesce(l.contact_lost, FALSE) OR list_contains(d.not_recorded, 'contacts'))
            AS contacts_known,
        NOT (coalesce(l.observation_lost, FALSE)
             OR list_contains(d.not_recorded, 'observations')) AS observations_known,
        NOT coalesce(l.event_lost, FALSE)
            AND NOT list_contains(d.not_recorded, 'device_events')
            AND (coalesce(t.device_log = 'complete', FALSE)
                 OR (t.device_log IS NULL AND g.trip_key IS NOT NULL)) AS log_complete
    FROM to_judge j
    JOIN delivered.trips t USING (trip_key)
    JOIN delivered.delivery d ON d.delivery_no = j.delivery_no
    LEFT JOIN charted_times_now c USING (trip_key)
    LEFT JOIN support_end e USING (trip_key)
    LEFT JOIN lost_by_trip l USING (trip_key)
    LEFT JOIN logged g USING (trip_key)
    ORDER BY trip_key
    """
