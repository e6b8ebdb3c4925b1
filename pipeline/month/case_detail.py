"""Everything the case pages of a month are drawn from, for all its case trips together."""

from __future__ import annotations

from pipeline.judging.limit_moments import limit_moments
from pipeline.store.protocol_versions import VersionInStore
from pipeline.store.sql import is_file_of
from schemas.case_detail import CASE_TABLES, MOST_CASE_PAGES, CaseDetails
from schemas.connection import Connection
from schemas.contract import TABLES
from schemas.frame import Frame


def case_details(con: Connection, versions: list[VersionInStore]) -> CaseDetails:
    """The frames of the month's first MOST_CASE_PAGES case trips; after `make_tables`."""
    con.execute(_CASE_TRIP, {"most": MOST_CASE_PAGES})
    con.execute(_CASE_FILE)
    limit_moments(con, versions)
    found = {
        name: Frame.read(con.execute(f"SELECT {_columns(name)} FROM ({_TABLES[name]})"))
        for name in CASE_TABLES
    }
    not_recorded = con.execute(_NOT_RECORDED).fetchall()
    return CaseDetails(**found, not_recorded={trip: tuple(tables) for trip, tables in not_recorded})


def _columns(name: str) -> str:
    return ", ".join(f'"{column}"' for column in CASE_TABLES[name].columns)


_CASE_TRIP = """
    CREATE OR REPLACE TEMP TABLE case_trip AS
    SELECT c.reading_order, w.trip_key, w.trip_id, w.delivery_no, w.protocol_no
    FROM out_cases c
    JOIN month_trip m USING (trip_id)
    JOIN judged.trip_window w USING (trip_key)
    ORDER BY c.reading_order LIMIT $most
"""

_CASE_FILE = f"""
    CREATE OR REPLACE TEMP TABLE case_file AS
    SELECT f.delivery_no, t.table_name, f.file
    FROM delivered.file f
    JOIN (SELECT unnest({list(TABLES)}) AS table_name) t ON {is_file_of("t.table_name", "f.file")}
"""

_NOT_RECORDED = """
    SELECT c.trip_id, d.not_recorded
    FROM case_trip c JOIN delivered.delivery d USING (delivery_no)
    WHERE len(d.not_recorded) > 0
"""


def _delivered(table: str) -> str:
    """A delivered table's rows of the case trips, with file and line."""
    return f"""
        SELECT c.trip_id, f.file, s.*
        FROM delivered.{table} s
        JOIN case_trip c USING (trip_key)
        LEFT JOIN case_file f ON f.delivery_no = c.delivery_no AND f.table_name = '{table}'
        ORDER BY c.reading_order, s.at_s, s.line
    """


_TABLES = {
    "trips": """
        SELECT c.reading_order, c.trip_id, f.file, t.* EXCLUDE (trip_key, trip_id, delivery_no),
               p.id AS protocol_version, w.start_s, w.end_s, w.open_end, w.ends_at_handover,
               w.log_complete, w.contacts_known, w.observations_known, w.all_settings_unknown,
               w.r_trips, w.r_settings, w.r_device, w.r_observations, w.r_contacts,
               k.offset_s AS clock_offset_s, k.removed AS clock_removed,
               k.tolerance_s AS clock_tolerance_s
        FROM case_trip c
        JOIN delivered.trips t USING (trip_key)
        JOIN judged.trip_window w USING (trip_key)
        LEFT JOIN delivered.protocol p ON p.protocol_no = c.protocol_no
        LEFT JOIN judged.clock k USING (trip_key)
        LEFT JOIN case_file f ON f.delivery_no = c.delivery_no AND f.table_name = 'trips'
        ORDER BY c.reading_order""",
    "timeline": """
        SELECT t.* FROM out_timeline t JOIN case_trip c USING (trip_id)
        ORDER BY c.reading_order, t.from_s""",
    "settings": _delivered("settings"),
    "observations": _delivered("observations"),
    "contacts": _delivered("contacts"),
    "occlusions": """
        SELECT c.trip_id, f.file, o.*, e.* EXCLUDE (trip_key, line),
               o.not_counted_because IS NULL AS counted
        FROM judged.occlusion o
        JOIN judged.occlusion_context e USING (trip_key, line)
        JOIN case_trip c USING (trip_key)
        LEFT JOIN case_file f ON f.delivery_no = c.delivery_no AND f.table_name = 'device_events'
        ORDER BY c.reading_order, o.at_s, o.line""",
    "lost": """
        SELECT c.trip_id, l.table_name AS "table", f.file, l.line, l.at_s
        FROM delivered.lost l
        JOIN case_trip c USING (trip_key)
        LEFT JOIN case_file f ON f.delivery_no = c.delivery_no AND f.table_name = l.table_name
        ORDER BY c.reading_order, l.table_name, l.line""",
    "verdicts": """
        SELECT v.* FROM month_verdict v JOIN case_trip c USING (trip_key)
        ORDER BY c.reading_order, v.rule""",
    "evidence": """
        SELECT e.* FROM out_evidence e JOIN case_trip c USING (trip_id)
        ORDER BY c.reading_order, e.rule, e.file, e.line""",
    "limit_moments": """
        SELECT l.* FROM case_limit l JOIN case_trip c USING (trip_id)
        ORDER BY c.reading_order, l.at_s, l.rule""",
    "stretches": """
        SELECT s.* FROM case_stretch s JOIN case_trip c USING (trip_id)
        ORDER BY c.reading_order, s.rule, s.from_s""",
    "problems": """
        SELECT p.* FROM out_problems p JOIN case_trip c USING (trip_id)
        ORDER BY c.reading_order, p.kind DESC, p.file, p.line, p."column", p.problem""",
}
"""SQL of each frame of the case pages, in its final order."""
