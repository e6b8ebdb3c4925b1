"""Device events on the charts' clock, blockages merged, with the setting in force."""

from __future__ import annotations

MATCH_WITHIN_S = 900
"""A device's start is taken to be the charted start if the two lie this close."""


def clock() -> str:
    """The device clock's offset against the charts, for trips with device events.

    Published audits of prehospital clocks found mean absolute offsets of about two minutes with
    far worse tails (Cordell 1994; Ornato 1998; Castren 2005), so an offset is measured where a
    start stands in both records, and a tolerance kept where it is not.
    """
    return f"""
    CREATE OR REPLACE TEMP TABLE clock_now AS
    WITH ventilator AS (FROM charted_times_now WHERE ventilator_s IS NOT NULL),
    -- a set-aside row may have held the first start in either record: then nothing is matched
    doubtful AS (
        SELECT DISTINCT l.trip_key FROM lost_now l LEFT JOIN ventilator v USING (trip_key)
        WHERE l.table_name = 'device_events'
           OR (l.table_name = 'settings' AND (l.at_s IS NULL OR l.at_s <= v.ventilator_s))
    ),
    logged AS (
        SELECT e.trip_key, any_value(v.ventilator_s) AS ventilator_s,
               min(e.at_s) FILTER (
                   e.event = 'started' AND abs(e.at_s - v.ventilator_s) <= {MATCH_WITHIN_S}
                   AND d.trip_key IS NULL
               ) AS started_s
        FROM device_events_now e
        LEFT JOIN ventilator v USING (trip_key)
        LEFT JOIN doubtful d ON d.trip_key = e.trip_key
        GROUP BY e.trip_key
    )
    SELECT l.trip_key, l.ventilator_s, l.started_s, l.started_s - l.ventilator_s AS offset_s,
           coalesce(abs(l.started_s - l.ventilator_s)
                    <= coalesce(w.max_offset_s, {MATCH_WITHIN_S}), FALSE) AS removed,
           CASE WHEN removed THEN p.matched_tolerance_s ELSE p.clock_tolerance_s END AS tolerance_s
    FROM logged l
    JOIN trip_window_now w USING (trip_key)
    JOIN protocol_now p ON p.protocol_no = w.protocol_no
    ORDER BY trip_key
    """


def logged_occlusions() -> str:
    """Every logged occlusion on the charts' clock, and whether it falls in the window."""
    return """
    CREATE OR REPLACE TEMP TABLE logged_occlusion_now AS
    SELECT e.trip_key, e.line, e.at_s AS device_at_s,
           e.at_s - CASE WHEN c.removed THEN c.offset_s ELSE 0 END AS at_s,
           e.pressure_cmh2o, e.cutoff_s, p.merge_within_s, w.open_end,
           CASE WHEN w.start_s IS NULL OR (w.start_s >= w.end_s AND NOT w.open_end) THEN 'outside'
                WHEN e.at_s - CASE WHEN c.removed THEN c.offset_s ELSE 0 END < w.start_s
                    THEN 'outside'
                WHEN e.at_s - CASE WHEN c.removed THEN c.offset_s ELSE 0 END < w.end_s
                    THEN 'inside'
                WHEN w.open_end THEN 'perhaps' ELSE 'outside' END AS in_window
    FROM device_events_now e
    JOIN trip_window_now w USING (trip_key)
    JOIN protocol_now p ON p.protocol_no = w.protocol_no
    JOIN clock_now c USING (trip_key)
    WHERE e.event = 'occlusion'
    """


def _merged(where: str) -> str:
    """Blockages: an event soon enough after the one before belongs to it."""
    return f"""
    SELECT trip_key, min(at_s) AS at_s, min(device_at_s) AS device_at_s,
           count(*)::INTEGER AS logged_events, max(pressure_cmh2o) AS pressure_cmh2o,
           CASE WHEN count(cutoff_s) = count(*) THEN sum(cutoff_s) END AS cutoff_s,
           coalesce(sum(cutoff_s), 0) AS known_cutoff_s,
           any_value(in_window) AS in_window, min(line) AS line
    FROM (
        SELECT *, sum(new_blockage::INTEGER) OVER trip AS blockage
        FROM (
            SELECT *, NOT coalesce(merge_within_s > 0
                           AND at_s - lag(at_s) OVER trip <= merge_within_s, FALSE) AS new_blockage
            FROM logged_occlusion_now WHERE {where}
            WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
        )
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
    )
    GROUP BY trip_key, blockage
    """


def occlusion() -> str:
    """One row an occlusion after merging; those outside the window stay listed, uncounted."""
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_now AS
    WITH merged AS (
        {_merged("in_window = 'inside'")}
        UNION ALL
        {_merged("in_window <> 'inside'")}
    )
    SELECT m.*,
           CASE WHEN m.at_s < t.until_s THEN t.source END AS source,
           CASE WHEN m.at_s < t.until_s THEN t.cannula END AS cannula,
           CASE WHEN m.at_s < t.until_s THEN t.flow_lpm END AS flow_lpm,
           CASE WHEN NOT w.log_complete THEN 'the trip''s device log is not complete'
                WHEN m.in_window <> 'inside' THEN 'outside the review window'
                WHEN t.source IS NULL THEN 'the gas source is unknown'
                WHEN t.source <> 'ventilator' THEN 'the ventilator was not the source'
                WHEN t.cannula IS NULL THEN 'the cannula is unknown'
                WHEN t.flow_lpm IS NULL THEN 'the flow is unknown'
           END AS not_counted_because
    FROM merged m
    JOIN trip_window_now w USING (trip_key)
    ASOF LEFT JOIN timeline_now t ON m.trip_key = t.trip_key AND m.at_s >= t.from_s
    ORDER BY m.trip_key, m.at_s, m.line
    """


def occlusion_if_open() -> str:
    """Blockages of trips without a hand-over time, events after the known end included."""
    return f"""
    CREATE OR REPLACE TEMP TABLE occlusion_if_open_now AS
    {_merged("open_end AND in_window <> 'outside'")}
    """
