"""The trips behind each signal that stands: which, how many of them read, and how many held."""

from __future__ import annotations

from pipeline.measures.signal_counts import AT_BASE, RATE, RECORD, SHARE
from pipeline.rules import all_rules
from schemas.connection import Connection
from schemas.findings import HAPPENED
from schemas.frame import Frame

TRIPS = f"""
    WITH asked AS (
        SELECT DISTINCT month, kind, measure, group_by, group_value, since FROM asked_signal
    ),
    share AS (
        SELECT a.*, w.trip_id, w.service_month AS trip_month, 1 AS events, v.rule
        FROM asked a
        JOIN judged.verdict v ON v.verdict = 'deviation' AND a.measure = '{SHARE}'
            AND v.rule = split_part(a.group_value, ' at ', 1)
        JOIN judged.trip_window w ON w.trip_key = v.trip_key
            AND w.service_month BETWEEN a.since AND a.month
        JOIN delivered.trips t ON t.trip_key = v.trip_key
        WHERE a.group_by <> '{AT_BASE}' OR a.group_value = v.rule || ' at ' || t.base
    ),
    rate AS (
        SELECT a.*, w.trip_id, w.service_month, sum(v.events)::INTEGER, $occlusion_rule
        FROM asked a
        JOIN ventilator_time v ON a.measure = '{RATE}' AND v.counted
            AND v.month BETWEEN a.since AND a.month
            AND (a.group_by = 'service' OR v.cannula = a.group_value)
        JOIN judged.trip_window w ON w.trip_key = v.trip_key
        GROUP BY ALL HAVING sum(v.events) > 0
    ),
    record AS (
        SELECT DISTINCT a.*, w.trip_id, w.service_month, 1, ''
        FROM asked a
        JOIN judged.trip_window w ON a.measure = '{RECORD}' AND NOT w.log_complete
            AND w.service_month BETWEEN a.since AND a.month
        JOIN delivered.trips t ON t.trip_key = w.trip_key AND t.base = a.group_value
        SEMI JOIN ventilator_time v ON v.trip_key = w.trip_key
    )
    FROM share UNION ALL FROM rate UNION ALL FROM record
"""
"""SQL of the trips behind the signals of `asked_signal`, each with the rule its answers are to.

Asks for `occlusion_rule`, whose flags readers answer for occlusions, and `ventilator_time`.
"""

EVENTS = f"CREATE OR REPLACE TEMP TABLE signal_event AS {TRIPS}"

_READ = f"""
    WITH flag AS (
        SELECT trip_id, rule, any_value(conclusion) AS conclusion
        FROM rule_flag GROUP BY trip_id, rule
    )
    SELECT e.* EXCLUDE (since, rule), f.conclusion IS NOT NULL AS read,
           coalesce(f.conclusion IN {tuple(HAPPENED)}, FALSE)
               AS held
    FROM signal_event e
    LEFT JOIN flag f ON f.trip_id = e.trip_id AND f.rule = e.rule
    ORDER BY ALL
"""


def signal_events(con: Connection, signals: Frame) -> None:
    """Make `signal_event`: the trips of the signals towards worse that stand, read or not."""
    own = signals.rows((signals["standing"] == "stands") & (signals["side"] == "worse"))
    ask(con, own)
    con.execute(EVENTS, {"occlusion_rule": of_occlusions()})


def signal_trips(con: Connection) -> Frame:
    """Rows of `SignalTrips`; call after `signal_events` and the follow-up's `make_flags`."""
    return Frame.read(con.execute(_READ))


def ask(con: Connection, signals: Frame) -> None:
    """Make `asked_signal` of these signals."""
    con.register("asked_frame", signals.for_database())
    con.execute("""
        CREATE OR REPLACE TEMP TABLE asked_signal AS
        SELECT month::VARCHAR AS month, kind::VARCHAR AS kind, measure::VARCHAR AS measure,
               group_by::VARCHAR AS group_by, group_value::VARCHAR AS group_value,
               since::VARCHAR AS since FROM asked_frame
    """)
    con.unregister("asked_frame")


def of_occlusions() -> str:
    """The rule that limits a cut-off, whose flags readers answer for occlusions; empty without."""
    return next((name for name, rule in all_rules().items() if rule.cutoff_limit), "")
