"""Which trips of a month a person must read, and every verdict in a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.rules import all_rules
from schemas.protocol import TRIGGERS, trigger_of

if TYPE_CHECKING:
    import duckdb

    from pipeline.store.protocol_versions import VersionInStore

SAID = {
    "blend_required": "undiluted oxygen against an order",
    "repeated_occlusion_without_call": "repeated occlusions without a call",
}
"""What is said of the triggers that are a deviation from a rule."""


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
    chosen = [
        (kept.protocol_no, *trigger_of(code))
        for kept in versions
        for code in kept.version.always_read
    ]
    con.execute(
        "CREATE OR REPLACE TEMP TABLE trigger ("
        "protocol_no INTEGER, place INTEGER, code VARCHAR, below DOUBLE)"
    )
    for number, code, below in chosen:
        con.execute(
            "INSERT INTO trigger VALUES (?, ?, ?, ?)", [number, TRIGGERS.index(code), code, below]
        )
    con.execute(
        "CREATE OR REPLACE TEMP TABLE rule_trigger (rule VARCHAR, code VARCHAR, said VARCHAR)"
    )
    con.executemany(
        "INSERT INTO rule_trigger VALUES (?, ?, ?)",
        [(r.id, r.trigger, SAID[r.trigger]) for r in all_rules().values() if r.trigger],
    )
    con.execute(_HAPPENED, {"month": month})
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

# what may put a trip before a reader whatever the rules say: trip_key, protocol_no, code, what is
# said of it, and the lowest SpO2 where the code is about that
_HAPPENED = """
    CREATE OR REPLACE TEMP TABLE happened AS
    WITH trip AS (
        SELECT w.trip_key, w.protocol_no, t.outcome, t.outcome_24h, t.spo2_exempt
        FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
        WHERE w.service_month = $month
    )
    SELECT trip_key, protocol_no, outcome AS code,
           'outcome ' || replace(outcome, '_', ' ') AS said, NULL::DOUBLE AS spo2
    FROM trip WHERE outcome IS NOT NULL
    UNION ALL
    SELECT trip_key, protocol_no, 'died', 'died within a day of hand-over', NULL
    FROM trip WHERE outcome_24h = 'died' AND outcome IS DISTINCT FROM 'died'
    UNION ALL
    SELECT DISTINCT trip_key, protocol_no, 'bagged', 'bagged', NULL
    FROM trip JOIN delivered.observations USING (trip_key) WHERE care = 'bagged'
    UNION ALL
    SELECT trip_key, protocol_no, 'spo2_below_NN', 'SpO2 of ' || tidy(min(spo2_pct)) || ' %',
           min(spo2_pct)
    FROM trip JOIN delivered.observations USING (trip_key)
    WHERE spo2_pct IS NOT NULL AND NOT coalesce(spo2_exempt, FALSE)
    GROUP BY trip_key, protocol_no
    UNION ALL
    SELECT trip_key, protocol_no, 'long_cut',
           'flow cut for ' || tidy(max(o.known_cutoff_s)) || ' s', NULL
    FROM trip JOIN judged.occlusion o USING (trip_key)
    JOIN judged.occlusion_context e USING (trip_key, line)
    WHERE e.prolonged AND o.in_window = 'inside' GROUP BY trip_key, protocol_no
    UNION ALL
    SELECT DISTINCT trip_key, protocol_no, reason, replace(reason, '_', ' '), NULL
    FROM trip JOIN delivered.settings USING (trip_key)
    WHERE reason IN ('ventilator_failed', 'power_lost', 'supply_low')
    UNION ALL
    SELECT DISTINCT trip_key, protocol_no, 'unheated_fallback',
           'unheated gas from wall or cylinder', NULL
    FROM trip JOIN judged.timeline USING (trip_key)
    WHERE humidification = 'unheated' AND source IN ('wall', 'cylinder')
    UNION ALL
    SELECT trip_key, protocol_no, r.code, r.said, NULL
    FROM trip JOIN month_verdict v USING (trip_key) JOIN rule_trigger r ON r.rule = v.rule
    WHERE v.verdict = 'deviation'
"""

_MONTH_CASE = """
    CREATE OR REPLACE TEMP TABLE month_case AS
    WITH triggered AS (
        SELECT trip_key, arg_min(said, g.place) AS said
        FROM happened h JOIN trigger g USING (protocol_no, code)
        WHERE h.spo2 IS NULL OR h.spo2 < g.below
        GROUP BY trip_key
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
               'Always read: ' || g.said || '.',
               f.reason) AS why
    FROM judged.trip_window w
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN triggered g USING (trip_key)
    LEFT JOIN by_trip f USING (trip_key)
    LEFT JOIN used u USING (trip_key)
    WHERE w.service_month = $month AND (g.trip_key IS NOT NULL OR f.trip_key IS NOT NULL)
    ORDER BY reading_order
"""
