"""The month's work: every flag with its kind and state, every piece of work once, and equipment.

One set of tables for pages, workbook, terminal and data files. What is to be fetched is worked out
in `pipeline/followup/fetch.py` before.
"""

from __future__ import annotations

from pipeline.rules import all_rules
from pipeline.store.answers_view import READ_TRIPS
from pipeline.store.content_hash import make_contents
from schemas.connection import Connection
from schemas.months import later
from schemas.work import EquipmentUnit, MonthWork, WorkItem

EQUIPMENT_MONTHS = 12
"""A unit fails seldom: its year to the month under review is shown beside the month."""


def make_work(con: Connection, month: str) -> None:
    """Make `flag_state` and `month_work`; after `month_case` and `month_fetch`.

    They hold what `schemas.outputs.Flags` and `Work` describe.
    """
    con.execute(_MOVED_ON, {"month": month})
    con.execute(_MOVED_KEY)
    make_contents(con, "moved_content", "moved_key")
    con.execute(_CASE_ANSWER)
    con.execute(_FLAG_STATE)
    con.execute(_MONTH_WORK)


def make_equipment(con: Connection, month: str) -> None:
    """Make `month_equipment`: what `schemas.outputs.Equipment` describes."""
    first = later(month, 1 - EQUIPMENT_MONTHS)
    cutoff = next((r.id for r in all_rules().values() if r.cutoff_limit), None)
    con.execute(_EQUIPMENT, {"month": month, "first": first, "cutoff": cutoff})


def month_work(con: Connection, month: str) -> MonthWork:
    """The month's work as typed records; call after `make_work` and `make_equipment`."""
    items = con.execute("""
        SELECT kind, trip_id, base, why, coalesce(rule, ''), coalesce(severity, ''), place, state,
               string_split(nullif(rules, ''), ' ') FROM month_work ORDER BY order_of_kind, place
    """).fetchall()
    units = con.execute("""
        SELECT kind, coalesce(unit, ''), months, trips, interruptions, longest_cutoff_s,
               ventilator_failed, heater_failed, power_lost, string_split(trip_ids, ' ')
        FROM month_equipment ORDER BY ALL
    """).fetchall()
    deaths = con.execute(_UNREAD_DEATHS, {"month": month}).fetchall()
    return MonthWork(
        tuple(WorkItem(*(*row, tuple(rules or ()))) for *row, rules in items),
        tuple(EquipmentUnit(*(*row, tuple(trips))) for *row, trips in units),
        tuple(deaths),
    )


_UNREAD_DEATHS = f"""
    SELECT w.trip_id, w.service_month
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    WHERE w.service_month < $month AND 'died' IN (t.outcome, t.outcome_24h)
      AND w.service_month NOT IN (FROM loop.baseline)
      AND w.trip_id NOT IN ({READ_TRIPS})
    ORDER BY w.service_month DESC, w.trip_id
"""


# answers given to other content of a trip than holds now; it may be the same, delivered again
_MOVED_ON = """
    CREATE OR REPLACE TEMP TABLE moved_on AS
    SELECT DISTINCT a.trip_id, a.trip_key AS was_key, h.trip_key AS now_key
    FROM answer_now a JOIN delivered.holding h USING (trip_id)
    WHERE a.holds AND a.month = $month AND a.trip_key <> h.trip_key
"""

_MOVED_KEY = """
    CREATE OR REPLACE TEMP TABLE moved_key AS
    SELECT was_key AS trip_key FROM moved_on UNION SELECT now_key FROM moved_on
"""

_CASE_ANSWER = """
    CREATE OR REPLACE TEMP TABLE case_answer AS
    WITH changed AS (
        SELECT m.trip_id, m.was_key FROM moved_on m
        JOIN moved_content w ON w.trip_key = m.was_key
        JOIN moved_content n ON n.trip_key = m.now_key
        WHERE w.content <> n.content
    )
    SELECT a.trip_id, a.rule, a.conclusion, a.status, a.refer_to,
           c.trip_id IS NOT NULL OR (a.rule IS NOT NULL AND a.verdict IS DISTINCT FROM v.verdict)
               AS stale
    FROM answer_now a
    SEMI JOIN month_case m ON m.trip_id = a.trip_id
    LEFT JOIN changed c ON c.trip_id = a.trip_id AND c.was_key = a.trip_key
    LEFT JOIN judged.trip_window w ON w.trip_id = a.trip_id
    LEFT JOIN judged.verdict v ON v.trip_key = w.trip_key AND v.rule = a.rule
    WHERE a.holds
"""

_FLAG_STATE = """
    CREATE OR REPLACE TEMP TABLE flag_state AS
    SELECT f.trip_id, t.base, f.rule, f.verdict, f.severity, f.kind, f.reason,
           CASE WHEN a.stale THEN 'stale' WHEN a.conclusion IS NOT NULL THEN 'concluded'
                ELSE 'unread' END AS state,
           CASE WHEN NOT a.stale THEN a.conclusion END AS conclusion,
           CASE WHEN NOT a.stale THEN a.status END AS status, a.refer_to,
           f.severity_rank, f.verdict_rank
    FROM month_flag f
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN case_answer a ON a.trip_id = f.trip_id AND a.rule = f.rule
"""

_MONTH_WORK = """
    CREATE OR REPLACE TEMP TABLE month_work AS
    WITH flags AS (
        SELECT trip_id, count(*) AS flags,
               count(*) FILTER (state = 'concluded' AND status = 'closed') AS done
        FROM flag_state GROUP BY trip_id
    ),
    answered AS (
        SELECT trip_id, bool_or(stale) AS stale, bool_and(status = 'closed') AS closed,
               bool_or(status = 'awaiting_crew') AS awaiting,
               bool_or(status <> 'closed' AND refer_to IS NOT NULL) AS referred
        FROM case_answer GROUP BY trip_id
    ),
    trip_state AS (
        SELECT m.trip_id,
               CASE WHEN a.trip_id IS NULL OR a.stale THEN 'open'
                    WHEN a.closed AND coalesce(f.flags = f.done, TRUE) THEN 'closed'
                    WHEN a.awaiting THEN 'awaiting_crew' WHEN a.referred THEN 'referred'
                    ELSE 'open' END AS state
        FROM month_case m LEFT JOIN flags f USING (trip_id) LEFT JOIN answered a USING (trip_id)
    )
    SELECT CASE kind WHEN 'read' THEN 1 ELSE 2 END AS order_of_kind, kind, trip_id, base, why,
           leading_rule AS rule, severity,
           (row_number() OVER (PARTITION BY kind ORDER BY reading_order))::INTEGER AS place,
           state, coalesce(rules, '') AS rules
    FROM month_case JOIN trip_state USING (trip_id) WHERE kind <> 'batch'
    UNION ALL
    SELECT 3, kind, trip_id, base, reason, rule, severity,
           (row_number() OVER (ORDER BY severity_rank, rule, verdict_rank, trip_id))::INTEGER,
           CASE WHEN state <> 'concluded' AND status IS NULL THEN 'open'
                WHEN state = 'concluded' AND status = 'closed' THEN 'closed'
                WHEN status = 'awaiting_crew' THEN 'awaiting_crew'
                WHEN refer_to IS NOT NULL AND status = 'open' THEN 'referred' ELSE 'open' END,
           rule
    FROM flag_state WHERE kind = 'batch'
    UNION ALL
    SELECT 4, 'fetch', trip_id, base, why, rule, severity, place, state, rules FROM month_fetch
"""

# units of trips on which a cut-off passed its limit, or a fallback was put down to them; the
# same trip stands under its ventilator and its heater where either may be at fault
_EQUIPMENT = """
    CREATE OR REPLACE TEMP TABLE month_equipment AS
    WITH trip AS (
        SELECT w.trip_key, w.trip_id, w.service_month, t.ventilator_unit, t.heater_unit
        FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
        WHERE w.service_month BETWEEN $first AND $month
    ),
    interrupted AS (
        SELECT v.trip_key FROM judged.verdict v SEMI JOIN trip USING (trip_key)
        WHERE v.rule = $cutoff AND v.verdict IN ('deviation', 'borderline')
    ),
    cut AS (
        SELECT trip_key, max(known_cutoff_s) AS longest FROM judged.occlusion
        SEMI JOIN interrupted USING (trip_key) WHERE in_window = 'inside' GROUP BY trip_key
    ),
    failed AS (
        SELECT trip_key, bool_or(reason = 'ventilator_failed') AS ventilator,
               bool_or(reason = 'heater_failed') AS heater, bool_or(reason = 'power_lost') AS power
        FROM delivered.settings SEMI JOIN trip USING (trip_key)
        WHERE reason IN ('ventilator_failed', 'heater_failed', 'power_lost') GROUP BY trip_key
    ),
    happened AS (
        SELECT t.*, i.trip_key IS NOT NULL AS interrupted, c.longest,
               coalesce(f.ventilator, FALSE) AS ventilator, coalesce(f.heater, FALSE) AS heater,
               coalesce(f.power, FALSE) AS power
        FROM trip t LEFT JOIN interrupted i USING (trip_key) LEFT JOIN cut c USING (trip_key)
        LEFT JOIN failed f USING (trip_key)
    ),
    by_unit AS (
        SELECT 'ventilator' AS kind, ventilator_unit AS unit, trip_id, service_month, interrupted,
               longest, ventilator, FALSE AS heater, power FROM happened
        UNION ALL
        SELECT 'heater', heater_unit, trip_id, service_month, FALSE, NULL, FALSE, heater, power
        FROM happened
    ),
    spans AS (
        SELECT $month AS months, $month AS first UNION ALL SELECT 'to ' || $month, $first
    )
    SELECT kind, unit, months, count(*)::INTEGER AS trips,
           count(*) FILTER (interrupted)::INTEGER AS interruptions,
           max(longest) AS longest_cutoff_s,
           count(*) FILTER (ventilator)::INTEGER AS ventilator_failed,
           count(*) FILTER (heater)::INTEGER AS heater_failed,
           count(*) FILTER (power)::INTEGER AS power_lost,
           string_agg(trip_id, ' ' ORDER BY service_month DESC, trip_id)
               FILTER (interrupted OR ventilator OR heater OR power) AS trip_ids
    FROM by_unit JOIN spans ON service_month >= first
    GROUP BY kind, unit, months HAVING trip_ids IS NOT NULL
    ORDER BY ALL
"""

EQUIPMENT_OUT = """
    SELECT months, kind, unit, trips, interruptions, longest_cutoff_s, ventilator_failed,
           heater_failed, power_lost, trip_ids
    FROM month_equipment ORDER BY months, kind, unit NULLS LAST
"""

WORK_OUT = {
    "work": """
        SELECT kind, trip_id, base, why, rule, severity, place, state, nullif(rules, '') AS rules
        FROM month_work ORDER BY order_of_kind, place""",
    "flags": """
        SELECT trip_id, base, rule, verdict, severity, kind, reason, state, conclusion
        FROM flag_state ORDER BY kind = 'batch', trip_id, severity_rank, verdict_rank, rule""",
}
"""The data files of the month's work and its state, each as SQL in its final order."""
