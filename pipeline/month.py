"""One month gathered from the store: the tables of its pages, and its data files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.rules import all_rules
from schemas.month_review import MonthReview, ProtocolInForce, RuleFacts

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from pipeline.judge import VersionInStore


def make_tables(con: duckdb.DuckDBPyConnection, month: str, measures: pd.DataFrame) -> None:
    """Make a temporary view `out_<name>` for every data file of the month, in its final order."""
    con.execute("CREATE OR REPLACE TEMP TABLE month_measure AS SELECT * FROM measures")
    con.execute(_MONTH_PROBLEM, {"month": month})
    con.execute(_MONTH_TRIP, {"month": month})
    for name, sql in _OUT.items():
        con.execute(f"CREATE OR REPLACE TEMP VIEW out_{name} AS {sql}")


def write_data(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Write every data file of the month as CSV (UTF-8, header row, empty cell for null)."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in _OUT:
        target = str(folder / f"{name}.csv").replace("'", "''")
        con.execute(f"COPY (FROM out_{name}) TO '{target}' (FORMAT csv, HEADER)")


def gather(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    month: str,
    tool_version: str,
) -> MonthReview:
    """Everything the month's pages are drawn from; call after `make_tables`."""
    numbers = [no for (no,) in con.execute(_IN_FORCE, {"month": month}).fetchall()]
    in_force = [kept for kept in versions if kept.protocol_no in numbers]
    received = _by_month(con, month)
    service = con.execute("SELECT service FROM delivered.delivery LIMIT 1").fetchone()
    counted = con.execute(_COUNTS, {"month": month}).fetchone() or (0, 0)
    return MonthReview(
        service=str(service[0]) if service else "",
        month=month,
        months=tuple(sorted(received)),
        privacy_basis=tuple(b for (b,) in con.execute(_BASES, {"month": month}).fetchall()),
        tool_version=tool_version,
        protocol=tuple(_protocol(kept) for kept in in_force),
        rules=_rules(in_force),
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
        cannulas=con.execute(_CANNULAS, {"month": month}).df(),
    )


def months_in_store(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Every service month of the trips whose content holds, sorted."""
    return [
        month
        for (month,) in con.execute(
            "SELECT DISTINCT service_month FROM delivered.holding"
            " JOIN delivered.trips USING (trip_key) ORDER BY 1"
        ).fetchall()
    ]


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


def _protocol(kept: VersionInStore) -> ProtocolInForce:
    version = kept.version
    approved = version.approved
    return ProtocolInForce(
        version.id,
        version.from_month,
        approved.by if approved else None,
        approved.month if approved else None,
    )


def _rules(in_force: list[VersionInStore]) -> tuple[RuleFacts, ...]:
    """The rules of the month's version; the latest, should two services' versions meet."""
    facts: dict[str, RuleFacts] = {}
    for kept in in_force:
        for name, parameters in kept.rules.items():
            rule = all_rules()[name]
            facts[name] = RuleFacts(
                rule=name,
                question=rule.question,
                asks=rule.asks_here(parameters),
                text=parameters.text,
                severity=parameters.severity,
                source=parameters.source,
            )
    return tuple(facts[name] for name in sorted(facts))


def columns_of(name: str) -> str:
    """The columns of a data file in the order its model gives."""
    from schemas.outputs import OUTPUTS

    return ", ".join(f'"{column}"' for column in OUTPUTS[name].to_schema().columns)


def counts(con: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    """How many rows each data file of the month has."""
    found = {}
    for name in _OUT:
        row = con.execute(f"SELECT count(*) FROM out_{name}").fetchone()
        found[name] = int(row[0]) if row else 0
    return found


_MONTH_TRIP = """
    CREATE OR REPLACE TEMP TABLE month_trip AS
    SELECT trip_key, trip_id, delivery_no FROM judged.trip_window WHERE service_month = $month
"""

_IN_FORCE = """
    SELECT DISTINCT protocol_no FROM judged.trip_window WHERE service_month = $month ORDER BY 1
"""

_COUNTS = """
    SELECT (SELECT count(*) FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
            ANTI JOIN judged.trip_window w USING (trip_key) WHERE t.service_month = $month),
           (SELECT count(*) FROM month_case)
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
_CANNULAS = """
    SELECT c.* EXCLUDE (delivery_no) FROM delivered.cannula c
    JOIN delivered.latest l USING (delivery_no)
    WHERE c.delivery_no IN (
        SELECT h.delivery_no FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month <= $month)
    QUALIFY row_number() OVER (PARTITION BY c.id ORDER BY l.receipt_no DESC) = 1
    ORDER BY c.family, c.size_rank, c.id
"""

_MONTH_PROBLEM = """
    CREATE OR REPLACE TEMP TABLE month_problem AS
    WITH held AS (
        SELECT h.trip_key, h.trip_id, h.delivery_no
        FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month = $month
    ),
    deliveries AS (
        SELECT DISTINCT delivery_no FROM held
        UNION SELECT delivery_no FROM delivered.month_holding WHERE month = $month
    )
    SELECT 'set_aside' AS kind, s.problem, s.file, s.line, s.column_name AS "column", h.trip_id,
           s.what, s.remedy
    FROM delivered.set_aside s
    JOIN deliveries USING (delivery_no)
    LEFT JOIN held h ON h.trip_key = s.trip_key
    WHERE coalesce(s.service_month, $month) = $month
      AND (s.trip_key IS NULL OR h.trip_key IS NOT NULL)
    UNION ALL
    SELECT 'mention', 'mention', m.file, NULL, NULL, NULL, m.what,
           'Nothing needs to be done unless this is unexpected.'
    FROM delivered.mention m JOIN deliveries USING (delivery_no)
    UNION ALL
    SELECT 'contradiction', 'no-protocol-version', NULL, NULL, NULL, h.trip_id,
           'no version of the protocol was in force in this month, so the trip was not judged',
           'Add the version that was in force to protocol.toml.'
    FROM held h ANTI JOIN judged.trip_window w USING (trip_key)
    UNION ALL
    SELECT 'contradiction', 'clock-offset', NULL, NULL, NULL, h.trip_id,
           format('the device''s clock differs from the charts by {} s, more than the export''s'
                  ' limit, so the difference was not removed', k.offset_s),
           'Set the device''s clock, and check its times in this trip.'
    FROM held h JOIN judged.clock k USING (trip_key)
    WHERE k.offset_s IS NOT NULL AND NOT k.removed
"""

# Which delivered rows a verdict rests on: rows in force or charted between its first and last
# moment. A rule names its tables; calls are few, so all of the trip's are listed.
_EVIDENCE = """
    WITH wanted AS (
        SELECT v.trip_key, v.trip_id, v.rule, v.from_s, v.until_s
        FROM month_verdict v
        WHERE v.verdict IN ('deviation', 'authorised', 'borderline', 'cannot_tell')
    ),
    settings AS (
        SELECT s.trip_key, s.line, s.at_s,
               lead(s.at_s, 1, 2147483647) OVER (
                   PARTITION BY s.trip_key ORDER BY s.at_s, s.line) AS next_s
        FROM delivered.settings s SEMI JOIN wanted USING (trip_key)
    )
    SELECT v.trip_id, v.rule, 'trips' AS "table", t.line
    FROM wanted v JOIN delivered.trips t USING (trip_key)
    UNION ALL
    SELECT v.trip_id, v.rule, 'settings', s.line
    FROM wanted v JOIN settings s ON s.trip_key = v.trip_key
        AND s.at_s <= coalesce(v.until_s, 2147483647) AND s.next_s >= coalesce(v.from_s, 0)
    UNION ALL
    SELECT v.trip_id, v.rule, 'device_events', e.line
    FROM wanted v JOIN delivered.device_events e ON e.trip_key = v.trip_key
    UNION ALL
    SELECT v.trip_id, v.rule, 'observations', o.line
    FROM wanted v JOIN delivered.observations o ON o.trip_key = v.trip_key
        AND o.at_s BETWEEN coalesce(v.from_s, 0) AND coalesce(v.until_s, 2147483647)
    UNION ALL
    SELECT v.trip_id, v.rule, 'contacts', c.line
    FROM wanted v JOIN delivered.contacts c ON c.trip_key = v.trip_key
"""

_OUT = {
    "verdicts": """
        SELECT trip_id, rule, verdict, observed_low, observed_high, "limit", unit, from_s, until_s,
               reason, protocol_version
        FROM month_verdict ORDER BY trip_id, rule""",
    "evidence": f"""
        SELECT e.trip_id, e.rule, f.file, e.line
        FROM ({_EVIDENCE}) e
        JOIN rule_evidence r ON r.rule = e.rule AND r."table" = e."table"
        JOIN month_trip m ON m.trip_id = e.trip_id
        JOIN delivered.file f ON f.delivery_no = m.delivery_no
            AND f.file IN (e."table" || '.csv', e."table" || '.parquet')
        ORDER BY ALL""",
    "timeline": """
        SELECT m.trip_id, t.from_s, t.until_s, t.source, t.flow_lpm, t.fio2, t.humidification,
               t.cannula
        FROM judged.timeline t JOIN month_trip m USING (trip_key) ORDER BY m.trip_id, t.from_s""",
    "occlusions": """
        SELECT m.trip_id, o.at_s, o.device_at_s, o.logged_events, o.pressure_cmh2o, o.cutoff_s,
               o.source, o.cannula, o.flow_lpm, o.not_counted_because IS NULL AS counted,
               o.not_counted_because
        FROM judged.occlusion o JOIN month_trip m USING (trip_key) ORDER BY m.trip_id, o.at_s,
             o.line""",
    "measures": 'SELECT * FROM month_measure ORDER BY measure, group_by, group_value, "month"',
    "problems": "SELECT * FROM month_problem ORDER BY ALL",
    "cases": "SELECT * FROM month_case ORDER BY reading_order",
}
"""The data files of a month, each as SQL in its final order."""
