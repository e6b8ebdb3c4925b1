"""The month's data files: each made as a table in its final order, marked, and written as CSV."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from pathlib import Path

from pipeline.measures.clock_offsets import clock_offsets
from pipeline.measures.occlusion_patterns import occlusion_patterns
from pipeline.month.work import EQUIPMENT_OUT, WORK_OUT
from pipeline.store.drawn_files import DrawnFiles
from pipeline.store.kept_results import table_marks
from pipeline.store.sql import is_file_of, make_table
from pipeline.timeline.contradictions import month_contradictions
from schemas.connection import Connection
from schemas.frame import Frame

Marks = dict[str, tuple[int, str]]
"""How many rows a data file has, and a mark of them, by its name."""


def make_tables(con: Connection, month: str, figures: Mapping[str, Frame]) -> Marks:
    """Make a temporary table `out_<name>` for every data file that no answer changes.

    Rows in their final order. Returns how many each has and a mark of them, by the file's name.
    """
    con.execute(MONTH_PROBLEM, {"month": month})
    con.execute(MONTH_TRIP, {"month": month})
    con.execute(clock_offsets(), {"month": month})
    con.execute(occlusion_patterns(), {"month": month})
    return _made(con, figures, OUT)


def make_answered_tables(con: Connection, measures: Frame, figures: Mapping[str, Frame]) -> Marks:
    """The same for the data files that answers change."""
    make_table(con, "month_measure", measures)
    return _made(con, figures, ANSWERED_OUT)


def _made(con: Connection, figures: Mapping[str, Frame], out: Mapping[str, str]) -> Marks:
    for name, frame in figures.items():
        make_table(con, f"out_{name}", frame)
    for name, sql in out.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE out_{name} AS {sql}")
    names = [*figures, *out]
    marks = table_marks(con, [f"out_{name}" for name in names])
    return {name: marks[f"out_{name}"] for name in names}


def frames_of(con: Connection, names: Iterable[str]) -> dict[str, Frame]:
    """The rows of these data files, by name."""
    return {name: Frame.read(con.execute(f"FROM out_{name}")) for name in names}


def write_data(con: Connection, drawn: DrawnFiles, tables: Marks) -> None:
    """Write every data file of the month as CSV (UTF-8, header row, empty cell for null).

    A file that has the same rows already is left as it is.
    """

    def write(name: str, path: Path) -> None:
        target = str(path).replace("'", "''")
        con.execute(f"COPY (FROM out_{name}) TO '{target}' (FORMAT csv, HEADER)")

    for name, (_, mark) in tables.items():
        drawn.file(f"data/{name}.csv", mark, partial(write, name))


TRIPS = """
    SELECT trip_key, trip_id, delivery_no FROM judged.trip_window WHERE service_month = $month
"""
MONTH_TRIP = f"CREATE OR REPLACE TEMP TABLE month_trip AS {TRIPS}"

PROBLEMS = f"""
    WITH held AS (
        SELECT h.trip_key, h.trip_id, h.delivery_no
        FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month = $month
    ),
    deliveries AS (
        SELECT DISTINCT delivery_no FROM held
        UNION SELECT delivery_no FROM delivered.month_holding WHERE month = $month
    )
    SELECT 'set_aside' AS kind, s.problem, s.delivery_no AS delivery, s.file, s.line,
           s.column_name AS "column", h.trip_id, s.what, s.remedy
    FROM delivered.set_aside s
    JOIN deliveries USING (delivery_no)
    LEFT JOIN held h ON h.trip_key = s.trip_key
    WHERE coalesce(s.service_month, $month) = $month
      AND (s.trip_key IS NULL OR h.trip_key IS NOT NULL)
    UNION ALL
    SELECT 'missing_trip', 'missing-trip', m.delivery_no, f.file, m.line, NULL, m.trip_id,
           'trip ' || m.trip_id || coalesce(' of base ' || m.base, '') || ' is on the dispatch'
               || ' log''s list, and no row of it that could be kept was delivered',
           'Deliver it, or find out why it is not in the export.'
    FROM delivered.missing_trip m
    LEFT JOIN delivered.file f
        ON f.delivery_no = m.delivery_no AND {is_file_of("'expected'", "f.file")}
    WHERE m.service_month = $month
    UNION ALL
    SELECT 'doubtful', d.problem, d.delivery_no, d.file, d.line, d.column_name, NULL,
           d.what || CASE WHEN d.rows > 1 AND d.line IS NOT NULL
                          THEN ' (in ' || d.rows || ' rows)' ELSE '' END, d.remedy
    FROM delivered.doubtful d JOIN deliveries USING (delivery_no)
    WHERE coalesce(d.service_month, $month) = $month
    UNION ALL
    SELECT 'mention', 'mention', m.delivery_no, m.file, NULL, NULL, NULL, m.what,
           'Nothing needs to be done unless this is unexpected.'
    FROM delivered.mention m JOIN deliveries USING (delivery_no)
    UNION ALL
    {month_contradictions()}
"""
MONTH_PROBLEM = f"CREATE OR REPLACE TEMP TABLE month_problem AS {PROBLEMS}"

# Which delivered rows a verdict rests on. Of each settings field the rule reads: the row that
# charted what was in force at the verdict's first moment, and every later row up to its last. A
# rule names its tables and a margin for what may come before or after; calls and device events
# are few, so all of the trip's are listed, and every row that was set aside.
_EVIDENCE = """
    WITH wanted AS (
        SELECT v.trip_key, v.trip_id, v.rule, coalesce(v.from_s - r.margin_s, 0) AS from_s,
               coalesce(v.until_s + r.margin_s, 2147483647) AS until_s
        FROM month_verdict v
        JOIN (SELECT DISTINCT rule, margin_s FROM rule_evidence) r USING (rule)
        WHERE v.verdict IN ('deviation', 'authorised', 'borderline', 'cannot_tell')
    ),
    charted AS (
        SELECT s.trip_key, s.line, s.at_s, f.field
        FROM delivered.settings s SEMI JOIN wanted USING (trip_key)
        JOIN (SELECT DISTINCT field FROM rule_field) f ON CASE f.field
            WHEN 'source' THEN s.source IS NOT NULL
            WHEN 'flow_lpm' THEN s.flow_lpm IS NOT NULL
            WHEN 'fio2' THEN s.fio2 IS NOT NULL
            WHEN 'humidification' THEN s.humidification IS NOT NULL
            WHEN 'cannula' THEN s.cannula IS NOT NULL
            WHEN 'reason' THEN s.reason IS NOT NULL
            ELSE TRUE END
    ),
    series AS (
        SELECT *, lead(at_s, 1, 2147483647) OVER (
                      PARTITION BY trip_key, field ORDER BY at_s, line) AS next_s
        FROM charted
    )
    SELECT DISTINCT * FROM (
        SELECT v.trip_id, v.rule, 'trips' AS "table", t.line
        FROM wanted v JOIN delivered.trips t USING (trip_key)
        UNION ALL
        SELECT v.trip_id, v.rule, 'settings', s.line
        FROM wanted v JOIN rule_field f USING (rule)
        JOIN series s ON s.trip_key = v.trip_key AND s.field = f.field
            AND s.at_s <= v.until_s AND s.next_s > v.from_s
        UNION ALL
        SELECT v.trip_id, v.rule, 'device_events', e.line
        FROM wanted v JOIN delivered.device_events e ON e.trip_key = v.trip_key
        UNION ALL
        SELECT v.trip_id, v.rule, 'observations', o.line
        FROM wanted v JOIN delivered.observations o ON o.trip_key = v.trip_key
            AND o.at_s BETWEEN v.from_s AND v.until_s
        UNION ALL
        SELECT v.trip_id, v.rule, 'contacts', c.line
        FROM wanted v JOIN delivered.contacts c ON c.trip_key = v.trip_key
        UNION ALL
        SELECT v.trip_id, v.rule, l.table_name, l.line
        FROM wanted v JOIN delivered.lost l ON l.trip_key = v.trip_key
    )
"""

OUT = {
    "verdicts": """
        SELECT trip_id, rule, verdict, observed_low, observed_high, "limit", unit, from_s, until_s,
               reason, protocol_version
        FROM month_verdict ORDER BY trip_id, rule""",
    "evidence": f"""
        SELECT e.trip_id, e.rule, m.delivery_no AS delivery, f.file, e.line
        FROM ({_EVIDENCE}) e
        JOIN rule_evidence r ON r.rule = e.rule AND r."table" = e."table"
        JOIN month_trip m ON m.trip_id = e.trip_id
        JOIN delivered.file f ON f.delivery_no = m.delivery_no
            AND {is_file_of('e."table"', "f.file")}
        ORDER BY ALL""",
    "timeline": """
        SELECT m.trip_id, t.from_s, t.until_s, t.source, t.flow_lpm, t.fio2, t.humidification,
               t.cannula
        FROM judged.timeline t JOIN month_trip m USING (trip_key) ORDER BY m.trip_id, t.from_s""",
    "occlusions": """
        SELECT m.trip_id, o.at_s, o.device_at_s, o.logged_events, o.pressure_cmh2o, o.cutoff_s,
               o.source, o.cannula, o.flow_lpm, o.not_counted_because IS NULL AS counted,
               o.not_counted_because, e.fio2, e.humidification, e.behaviour,
               e.spo2_after_pct, e.heart_rate_after, e.pattern,
               e.flow_above_range, e.cannula_small, e.child_unsettled, e.watched, e.next_action,
               e.action_after_s, e.less_flow, e.larger_cannula, e.reseated, e.to_wall, e.contact,
               e.another_within_15_min, e.prolonged, e.restart_logged, e.unrecovered,
               e.outside_ventilator
        FROM judged.occlusion o
        JOIN judged.occlusion_context e USING (trip_key, line)
        JOIN month_trip m USING (trip_key)
        ORDER BY m.trip_id, o.at_s, o.line""",
    "occlusion_patterns": """
        SELECT * FROM month_occlusion_pattern
        ORDER BY "month", pattern = 'all', events DESC, pattern""",
    "clock_offsets": 'SELECT * FROM month_clock_offset ORDER BY "month"',
    "problems": "SELECT * FROM month_problem ORDER BY ALL",
    "cases": "SELECT * FROM month_case ORDER BY reading_order",
    "equipment": EQUIPMENT_OUT,
}
"""The data files of a month that no answer changes, each as SQL in its final order."""

ANSWERED_OUT = {
    "measures": 'SELECT * FROM month_measure ORDER BY measure, group_by, group_value, "month"',
    **WORK_OUT,
}
"""The data files that answers change."""
