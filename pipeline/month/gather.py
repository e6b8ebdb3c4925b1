"""One month gathered from the store: the tables of its pages, and its data files."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING

from pipeline.measures.bases import month_number
from pipeline.measures.clock_offsets import clock_offsets
from pipeline.measures.occlusion_patterns import occlusion_patterns
from pipeline.measures.registry import MEASURES
from pipeline.measures.series import Calendar
from pipeline.month.work import WORK_OUT, month_work
from pipeline.rules import all_rules
from pipeline.store.kept_results import table_marks
from pipeline.store.sql import is_file_of
from pipeline.timeline.contradictions import month_contradictions
from schemas.measure_outputs import MEASURE_OUTPUTS
from schemas.month_review import MeasureFigures, MonthReview, ProtocolInForce, RuleFacts

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import pandas as pd

    from pipeline.store.drawn_files import DrawnFiles
    from pipeline.store.protocol_versions import VersionInStore


ENOUGH_RECEIVED = 0.9
"""A month with a smaller share of its expected trips sets no limits; assumed."""


def make_tables(
    con: duckdb.DuckDBPyConnection,
    month: str,
    measures: pd.DataFrame,
    figures: Mapping[str, pd.DataFrame],
) -> None:
    """Make a temporary table `out_<name>` for every data file of the month, in its final order."""
    con.execute("CREATE OR REPLACE TEMP TABLE month_measure AS SELECT * FROM measures")
    for name, frame in figures.items():
        con.register("frame", frame)
        con.execute(f"CREATE OR REPLACE TEMP TABLE out_{name} AS SELECT * FROM frame")
        con.unregister("frame")
    con.execute(MONTH_PROBLEM, {"month": month})
    con.execute(MONTH_TRIP, {"month": month})
    con.execute(clock_offsets(), {"month": month})
    con.execute(occlusion_patterns(), {"month": month})
    for name, sql in OUT.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE out_{name} AS {sql}")


def write_data(con: duckdb.DuckDBPyConnection, drawn: DrawnFiles) -> dict[str, int]:
    """Write every data file of the month as CSV (UTF-8, header row, empty cell for null).

    A file that has the same rows already is left as it is. How many rows each has, by its name.
    """

    def write(name: str, path: Path) -> None:
        target = str(path).replace("'", "''")
        con.execute(f"COPY (FROM out_{name}) TO '{target}' (FORMAT csv, HEADER)")

    names = (*OUT, *MEASURE_OUTPUTS)
    marks = table_marks(con, [f"out_{name}" for name in names])
    for name in names:
        drawn.file(f"data/{name}.csv", marks[f"out_{name}"][1], partial(write, name))
    return {name: marks[f"out_{name}"][0] for name in names}


def gather(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    month: str,
    tool_version: str,
) -> MonthReview:
    """What the month's pages are drawn from but its case details; call after `make_tables`."""
    # long: one line a field of the review
    numbers = [no for (no,) in con.execute(IN_FORCE, {"month": month}).fetchall()]
    in_force = [stored for stored in versions if stored.protocol_no in numbers]
    received = _by_month(con, month)
    service = con.execute("SELECT service FROM delivered.delivery LIMIT 1").fetchone()
    counted = con.execute(_COUNTS, {"month": month}).fetchone() or (0, 0)
    return MonthReview(
        service=str(service[0]) if service else "",
        month=month,
        months=tuple(sorted(received)),
        privacy_basis=tuple(b for (b,) in con.execute(_BASES, {"month": month}).fetchall()),
        tool_version=tool_version,
        protocol=tuple(protocol_in_force(stored) for stored in in_force),
        rules=rule_facts(in_force),
        received=received.get(month, (0, None))[0],
        expected=received.get(month, (0, None))[1],
        expected_by_month=received,
        not_judged=int(counted[0]),
        trips_with_finding=int(counted[1]),
        merge_within_s=int(max((k.version.merge_within_s for k in in_force), default=0)),
        rule_counts=con.execute(_RULE_COUNTS).df(),
        cases=con.execute("FROM out_cases").df(),
        occlusions=con.execute("FROM out_occlusions").df(),
        measures=con.execute("FROM out_measures").df(),
        problems=con.execute("FROM out_problems").df(),
        cannulas=con.execute(CANNULAS, {"month": month}).df(),
        figures=MeasureFigures(
            facts=tuple(MEASURES.values()),
            occlusion_patterns=con.execute("FROM out_occlusion_patterns").df(),
            clock_offsets=con.execute("FROM out_clock_offsets").df(),
            **{name: con.execute(f"FROM out_{name}").df() for name in MEASURE_OUTPUTS},
        ),
        work=month_work(con),
    )


def late_trips(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, int]:
    """Trips of months before `month` that came first with the last delivery, by month.

    A month that came whole with it is not late. Trips delivered once more are not counted.
    """
    return {name: int(trips) for name, trips in con.execute(_LATE, {"month": month}).fetchall()}


def confidentiality(con: duckdb.DuckDBPyConnection) -> str:
    """The statement of the delivery received last; empty where it has none."""
    row = con.execute("""
        SELECT d.confidentiality FROM delivered.delivery d JOIN delivered.latest l
        USING (delivery_no) ORDER BY l.receipt_no DESC LIMIT 1
    """).fetchone()
    return str(row[0]) if row and row[0] else ""


def calendar(
    con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], month: str
) -> Calendar:
    """Every month from the first to `month`, those short of trips, and where phases begin."""
    received = _by_month(con, month)
    months = _every_month(min([*received, month]), month)
    short = [received.get(m, (0, None)) for m in months]
    begun = {stored.version.from_month for stored in versions}
    return Calendar(
        months=tuple(months),
        incomplete=tuple(due is not None and got < due for got, due in short),
        missing=tuple(max(0, (due or 0) - got) for got, due in short),
        poor=tuple(due is not None and got < ENOUGH_RECEIVED * due for got, due in short),
        changes=tuple(i for i, m in enumerate(months) if i > 0 and m in begun),
    )


def _every_month(first: str, last: str) -> list[str]:
    numbers = range(month_number(first), month_number(last) + 1)
    return [f"{n // 12:04d}-{n % 12 + 1:02d}" for n in numbers]


def _by_month(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, tuple[int, int | None]]:
    rows = con.execute(
        """
        SELECT coalesce(r.month, e.month) AS month, coalesce(r.trips, 0), e.trips
        FROM (SELECT service_month AS month, count(*) AS trips
              FROM delivered.holding JOIN delivered.trips USING (trip_key) GROUP BY ALL) r
        FULL JOIN delivered.expected_holding e ON e.month = r.month
        WHERE coalesce(r.month, e.month) <= $month
        ORDER BY 1
        """,
        {"month": month},
    ).fetchall()
    return {name: (int(got), None if due is None else int(due)) for name, got, due in rows}


def protocol_in_force(stored: VersionInStore) -> ProtocolInForce:
    """What a page says of a protocol version."""
    version = stored.version
    approved = version.approved
    return ProtocolInForce(
        version.id,
        version.from_month,
        approved.by if approved else None,
        approved.month if approved else None,
    )


def rule_facts(in_force: list[VersionInStore]) -> tuple[RuleFacts, ...]:
    """The rules of the month's version; the latest, should two services' versions meet."""
    facts: dict[str, RuleFacts] = {}
    for stored in in_force:
        for name, parameters in stored.rules.items():
            rule = all_rules()[name]
            facts[name] = RuleFacts(
                rule=name,
                question=rule.question,
                asks=rule.asks_here(parameters),
                text=parameters.text,
                severity=parameters.severity,
                source=parameters.source,
                fit=rule.fit,
                goal=parameters.goal_share,
            )
    return tuple(facts[name] for name in sorted(facts))


TRIPS = """
    SELECT trip_key, trip_id, delivery_no FROM judged.trip_window WHERE service_month = $month
"""
MONTH_TRIP = f"CREATE OR REPLACE TEMP TABLE month_trip AS {TRIPS}"

IN_FORCE = """
    SELECT DISTINCT protocol_no FROM judged.trip_window WHERE service_month = $month ORDER BY 1
"""

_COUNTS = """
    SELECT (SELECT count(*) FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
            ANTI JOIN judged.trip_window w USING (trip_key) WHERE t.service_month = $month),
           (SELECT count(*) FROM month_case WHERE kind <> 'audit')
"""

_LATE = """
    WITH last AS (SELECT arg_max(delivery_no, receipt_no) AS no FROM delivered.latest),
    trip AS (
        SELECT trip_id, min(service_month) AS month, min(delivery_no) AS first_no
        FROM delivered.trips WHERE service_month < $month GROUP BY trip_id
    )
    SELECT month, count(*) FILTER (first_no = no) AS late FROM trip, last
    GROUP BY month
    HAVING late > 0 AND count(*) FILTER (first_no < no) > 0
    ORDER BY month
"""

_BASES = """
    SELECT DISTINCT d.privacy_basis
    FROM delivered.holding h
    JOIN delivered.trips t USING (trip_key)
    JOIN delivered.delivery d ON d.delivery_no = h.delivery_no
    WHERE t.service_month <= $month ORDER BY 1
"""

_RULE_COUNTS = """
    SELECT rule, any_value(severity) AS severity,
           count(*) FILTER (verdict = 'met')::INTEGER AS met,
           count(*) FILTER (verdict = 'authorised')::INTEGER AS authorised,
           count(*) FILTER (verdict = 'borderline')::INTEGER AS borderline,
           count(*) FILTER (verdict = 'cannot_tell')::INTEGER AS cannot_tell,
           count(*) FILTER (verdict = 'deviation')::INTEGER AS deviation,
           count(*) FILTER (verdict = 'not_applicable')::INTEGER AS not_applicable
    FROM month_verdict GROUP BY rule ORDER BY rule
"""

# the catalogue of the delivery received last among those the month's trips came in
CANNULAS = """
    SELECT c.* EXCLUDE (delivery_no) FROM delivered.cannula c
    JOIN delivered.latest l USING (delivery_no)
    WHERE c.delivery_no IN (
        SELECT h.delivery_no FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month <= $month)
    QUALIFY row_number() OVER (PARTITION BY c.id ORDER BY l.receipt_no DESC) = 1
    ORDER BY c.family, c.size_rank, c.id
"""

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
    SELECT v.trip_id, v.rule, 'trips' AS "table", t.line
    FROM wanted v JOIN delivered.trips t USING (trip_key)
    UNION
    SELECT v.trip_id, v.rule, 'settings', s.line
    FROM wanted v JOIN rule_field f USING (rule)
    JOIN series s ON s.trip_key = v.trip_key AND s.field = f.field
        AND s.at_s <= v.until_s AND s.next_s > v.from_s
    UNION
    SELECT v.trip_id, v.rule, 'device_events', e.line
    FROM wanted v JOIN delivered.device_events e ON e.trip_key = v.trip_key
    UNION
    SELECT v.trip_id, v.rule, 'observations', o.line
    FROM wanted v JOIN delivered.observations o ON o.trip_key = v.trip_key
        AND o.at_s BETWEEN v.from_s AND v.until_s
    UNION
    SELECT v.trip_id, v.rule, 'contacts', c.line
    FROM wanted v JOIN delivered.contacts c ON c.trip_key = v.trip_key
    UNION
    SELECT v.trip_id, v.rule, l.table_name, l.line
    FROM wanted v JOIN delivered.lost l ON l.trip_key = v.trip_key
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
    "measures": 'SELECT * FROM month_measure ORDER BY measure, group_by, group_value, "month"',
    "problems": "SELECT * FROM month_problem ORDER BY ALL",
    "cases": "SELECT * FROM month_case ORDER BY reading_order",
    **WORK_OUT,
}
"""The data files of a month, each as SQL in its final order."""
