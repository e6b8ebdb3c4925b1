"""Which trips of a month a person must read, and every verdict in a sentence."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from pipeline.rules import all_rules

if TYPE_CHECKING:
    import duckdb

    from pipeline.store.protocol_versions import VersionInStore


def month_words(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], month: str) -> None:
    """Make `month_verdict`: the month's verdicts with limit, unit and reason, one row each."""
    con.execute("""
        CREATE OR REPLACE TEMP TABLE rule_words (
            protocol_no INTEGER, protocol_version VARCHAR, rule VARCHAR, severity VARCHAR,
            "limit" DOUBLE, unit VARCHAR);
        CREATE OR REPLACE TEMP TABLE sentence (rule VARCHAR, why VARCHAR, sentence VARCHAR);
        CREATE OR REPLACE TEMP MACRO tidy(x) AS
            rtrim(rtrim(format('{:.2f}', x), '0'), '.');
        CREATE OR REPLACE TEMP MACRO span(low, high) AS
            CASE WHEN coalesce(low, 0) = 0 AND high IS NULL THEN 'an unknown number of'
                 WHEN high IS NULL THEN 'at least ' || tidy(low)
                 WHEN low IS NULL THEN 'at most ' || tidy(high)
                 WHEN low = high THEN tidy(low)
                 WHEN low = 0 THEN 'up to ' || tidy(high)
                 ELSE tidy(low) || ' to ' || tidy(high) END;
    """)
    for kept in versions:
        for name, parameters in kept.rules.items():
            rule = all_rules()[name]
            limit = getattr(parameters, rule.limit) if rule.limit else None
            con.execute(
                "INSERT INTO rule_words VALUES (?, ?, ?, ?, ?, ?)",
                [kept.protocol_no, kept.version.id, name, parameters.severity, limit, rule.unit],
            )
    con.executemany(
        "INSERT INTO sentence VALUES (?, ?, ?)",
        [(r.id, why, text) for r in all_rules().values() for why, text in r.sentences.items()],
    )
    con.execute("""
        CREATE OR REPLACE TEMP TABLE rule_evidence (
            rule VARCHAR, "table" VARCHAR, margin_s INTEGER);
        CREATE OR REPLACE TEMP TABLE rule_field (rule VARCHAR, field VARCHAR);
    """)
    con.executemany(
        "INSERT INTO rule_evidence VALUES (?, ?, ?)",
        [
            (r.id, table, r.evidence_margin_s)
            for r in all_rules().values()
            for table in sorted({"trips", *r.evidence})
        ],
    )
    con.executemany(
        "INSERT INTO rule_field VALUES (?, ?)",
        [
            (r.id, field)
            for r in all_rules().values()
            if "settings" in r.evidence
            for field in r.settings_fields or ("any",)
        ],
    )
    con.execute(_MONTH_VERDICT, {"month": month})


def cases(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], month: str) -> None:
    """Make `month_case`: one row a trip that a person must read, in reading order."""
    triggers = [
        (kept.protocol_no, trigger) for kept in versions for trigger in kept.version.always_read
    ]
    con.execute("CREATE OR REPLACE TEMP TABLE trigger (protocol_no INTEGER, outcome VARCHAR,"
                " spo2_below DOUBLE)")  # fmt: skip
    for number, trigger in triggers:
        below = re.fullmatch(r"spo2_below_(\d+)", trigger)
        con.execute(
            "INSERT INTO trigger VALUES (?, ?, ?)",
            [number, None if below else trigger, float(below[1]) if below else None],
        )
    con.execute(_MONTH_CASE, {"month": month})


_MONTH_VERDICT = """
    CREATE OR REPLACE TEMP TABLE month_verdict AS
    SELECT v.trip_key, w.trip_id, v.rule, v.verdict, v.observed_low, v.observed_high,
           r."limit", r.unit, v.from_s, v.until_s,
           replace(replace(s.sentence, '{observed}', span(v.observed_low, v.observed_high)),
                   '{limit}', coalesce(tidy(r."limit"), '')) AS reason,
           r.protocol_version, r.severity
    FROM judged.verdict v
    JOIN judged.trip_window w USING (trip_key)
    JOIN rule_words r ON r.protocol_no = v.protocol_no AND r.rule = v.rule
    LEFT JOIN sentence s ON s.rule = v.rule AND s.why = v.why
    WHERE w.service_month = $month
"""

_MONTH_CASE = """
    CREATE OR REPLACE TEMP TABLE month_case AS
    WITH lowest AS (
        SELECT o.trip_key, min(o.spo2_pct) AS spo2
        FROM delivered.observations o
        JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month = $month AND o.spo2_pct IS NOT NULL
        GROUP BY o.trip_key
    ),
    triggered AS (
        SELECT w.trip_key,
               max(CASE WHEN g.outcome IS NOT NULL
                        THEN 'outcome ' || replace(t.outcome, '_', ' ') END) AS outcome,
               max(CASE WHEN g.spo2_below IS NOT NULL
                        THEN 'SpO2 of ' || tidy(l.spo2) || ' %' END) AS spo2
        FROM judged.trip_window w
        JOIN delivered.trips t USING (trip_key)
        LEFT JOIN lowest l USING (trip_key)
        JOIN trigger g ON g.protocol_no = w.protocol_no
            AND (g.outcome = t.outcome OR l.spo2 < g.spo2_below)
        WHERE w.service_month = $month
        GROUP BY w.trip_key
    ),
    findings AS (
        SELECT trip_key, rule, verdict, severity, reason,
               CASE verdict WHEN 'deviation' THEN 2 WHEN 'borderline' THEN 3 ELSE 4 END AS rank,
               CASE severity WHEN 'high' THEN 1 WHEN 'medium' THEN 2 ELSE 3 END AS severity_rank
        FROM month_verdict v
        WHERE verdict IN ('deviation', 'borderline')
           OR (verdict = 'cannot_tell' AND severity = 'high'
               -- what a service never records says nothing about one trip
               AND NOT EXISTS (
                   SELECT 1 FROM rule_evidence r
                   JOIN judged.trip_window w ON w.trip_key = v.trip_key
                   JOIN delivered.delivery d ON d.delivery_no = w.delivery_no
                   WHERE r.rule = v.rule AND list_contains(d.not_recorded, r."table")))
    ),
    by_trip AS (
        SELECT trip_key, min(rank) AS rank,
               min(severity_rank) FILTER (rank = least_rank) AS severity_rank,
               count(*) FILTER (verdict = 'deviation') AS deviations,
               string_agg(rule, ' ' ORDER BY rank, severity_rank, rule) AS rules,
               arg_min(rule, (rank, severity_rank, rule)) AS leading_rule,
               arg_min(severity, (rank, severity_rank, rule)) AS severity,
               arg_min(verdict, (rank, severity_rank, rule)) AS verdict,
               arg_min(reason, (rank, severity_rank, rule)) AS reason
        FROM (SELECT *, min(rank) OVER (PARTITION BY trip_key) AS least_rank FROM findings)
        GROUP BY trip_key
    ),
    used AS (
        SELECT trip_key, arg_max(cannula, (seconds, cannula)) AS cannula
        FROM (SELECT trip_key, cannula, sum(seconds) AS seconds FROM judged.exposure
              WHERE cannula IS NOT NULL GROUP BY ALL)
        GROUP BY trip_key
    )
    SELECT row_number() OVER (
               ORDER BY CASE WHEN g.trip_key IS NOT NULL THEN 1 ELSE f.rank END,
                        coalesce(f.rank, 9), f.severity_rank, f.deviations DESC, w.trip_id
           )::INTEGER AS reading_order,
           w.trip_id, t.base, t.vehicle, u.cannula,
           CASE WHEN g.trip_key IS NOT NULL THEN 'always_read' ELSE f.verdict END AS "group",
           f.severity, f.leading_rule, f.rules,
           concat_ws(' ',
               'Always read: ' || nullif(concat_ws(' and ', g.outcome, g.spo2), '') || '.',
               f.reason) AS why
    FROM judged.trip_window w
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN triggered g USING (trip_key)
    LEFT JOIN by_trip f USING (trip_key)
    LEFT JOIN used u USING (trip_key)
    WHERE w.service_month = $month AND (g.trip_key IS NOT NULL OR f.trip_key IS NOT NULL)
    ORDER BY reading_order
"""
