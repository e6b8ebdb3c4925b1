"""Every verdict of a month in a sentence, its flags, and which trips have work on them."""

from __future__ import annotations

from typing import Any

from pipeline.judging.versions import versions_in_store
from pipeline.rules import all_rules
from pipeline.store.by_hand import added_trips
from pipeline.store.database import temporary_table
from pipeline.store.protocol_versions import VersionInStore
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.protocol import TRIGGERS, trigger_of
from schemas.work import ALWAYS_READ

SAID = {
    "blend_required": "undiluted oxygen against an order",
    "repeated_occlusion_without_call": "repeated occlusions without a call",
}
"""What is said of the triggers that are a deviation from a rule."""
ADDED_BY_HAND = 1000
"""The place of a trip that only a person puts before a reader: after those with a trigger."""


def month_words(
    con: Connection, versions: list[VersionInStore], month: str, trip_id: str | None = None
) -> None:
    """Make `month_verdict`: the month's verdicts with limit, unit and reason, one row each.

    `trip_id`: of this trip alone.
    """
    _words_of_rules(con, versions)
    one_trip = "" if trip_id is None else f" AND w.trip_id = {literal(trip_id)}"
    con.execute(_MONTH_VERDICT + one_trip, {"month": month})


def _words_of_rules(con: Connection, versions: list[VersionInStore]) -> None:
    """What each version's rules are called and say, and what they rest on."""
    con.execute("""
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
    said: list[tuple[Any, ...]] = []
    for kept in versions:
        for name, parameters in kept.rules.items():
            rule = all_rules()[name]
            limit = getattr(parameters, rule.limit) if rule.limit else None
            said.append(
                (kept.protocol_no, kept.version.id, name, parameters.severity, limit, rule.unit)
            )
    columns = "protocol_no INTEGER, protocol_version VARCHAR, rule VARCHAR, severity VARCHAR"
    temporary_table(con, "rule_words", f'{columns}, "limit" DOUBLE, unit VARCHAR', said)
    temporary_table(con, "sentence", "rule VARCHAR, why VARCHAR, sentence VARCHAR", [
        (r.id, why, text) for r in all_rules().values() for why, text in r.sentences.items()
    ])  # fmt: skip
    temporary_table(con, "rule_evidence", 'rule VARCHAR, "table" VARCHAR, margin_s INTEGER', [
        (r.id, table, r.evidence_margin_s)
        for r in all_rules().values()
        for table in sorted({"trips", *r.evidence})
    ])  # fmt: skip
    temporary_table(con, "rule_field", "rule VARCHAR, field VARCHAR", [
        (r.id, field)
        for r in all_rules().values()
        if "settings" in r.evidence
        for field in r.settings_fields or ("any",)
    ])  # fmt: skip
    temporary_table(con, "rule_trip_field", "rule VARCHAR, field VARCHAR", [
        (r.id, field) for r in all_rules().values() for field in r.trip_fields
    ])  # fmt: skip


def cases(con: Connection, versions: list[VersionInStore], month: str) -> None:
    """Make `month_flag` and `month_case`: the month's flags, and the trips with work on them.

    A flag is a deviation or a borderline of one trip under one rule. `month_flag` has its kind:
    `read` on every trip that a person must read, else `batch`. `month_case` has one row a trip, the
    trips to be read first, each under its first reason.
    """
    _triggers(con, versions, [month])
    con.execute(_MONTH_FLAG)
    con.execute(_MONTH_CASE, {"month": month})


def always_read(con: Connection, months: list[str]) -> None:
    """Make `month_trigger`: the months' trips that are read whatever the rules say, with why.

    trip_key, place (the gravest reason first) and said; those added by hand come last. Also
    `rule_words`, each version's rules with their severity.
    """
    versions = versions_in_store(con)
    _words_of_rules(con, versions)
    _triggers(con, versions, months)


def _triggers(con: Connection, versions: list[VersionInStore], months: list[str]) -> None:
    """As `always_read`, after the words of the rules."""
    chosen = [
        (kept.protocol_no, TRIGGERS.index(code), code, below)
        for kept in versions
        for code, below in map(trigger_of, kept.version.always_read)
    ]
    columns = "protocol_no INTEGER, place INTEGER, code VARCHAR, below DOUBLE"
    temporary_table(con, "trigger", columns, chosen)
    temporary_table(con, "rule_trigger", "rule VARCHAR, code VARCHAR, said VARCHAR", [
        (r.id, r.trigger, SAID[r.trigger]) for r in all_rules().values() if r.trigger
    ])  # fmt: skip
    con.execute(_HAPPENED, {"months": months})
    con.execute(_MONTH_TRIGGER)
    con.execute(_ADDED, {"months": months, "added": added_trips(con)})


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
        WHERE list_contains($months::VARCHAR[], w.service_month)
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
    SELECT trip_key, trip.protocol_no, r.code, r.said, NULL
    FROM trip JOIN judged.verdict v USING (trip_key) JOIN rule_trigger r ON r.rule = v.rule
    WHERE v.verdict = 'deviation'
"""

_MONTH_TRIGGER = """
    CREATE OR REPLACE TEMP TABLE month_trigger AS
    SELECT trip_key, min(g.place) AS place, arg_min(said, g.place) AS said
    FROM happened h JOIN trigger g USING (protocol_no, code)
    WHERE h.spo2 IS NULL OR h.spo2 < g.below
    GROUP BY trip_key
"""

# a trip added by hand is read as one with a trigger is, after those with one
_ADDED = f"""
    INSERT INTO month_trigger
    SELECT trip_key, {ADDED_BY_HAND}, 'added by hand' FROM judged.trip_window
    WHERE list_contains($months::VARCHAR[], service_month)
      AND list_contains($added::VARCHAR[], trip_id)
      AND trip_key NOT IN (SELECT trip_key FROM month_trigger)
"""

# one flag that asks for reading, or a trigger, puts every flag of its trip before the reader
_MONTH_FLAG = """
    CREATE OR REPLACE TEMP TABLE month_flag AS
    SELECT v.trip_key, v.trip_id, v.rule, v.verdict, v.severity, v.reason,
           CASE v.severity WHEN 'high' THEN 1 WHEN 'medium' THEN 2 ELSE 3 END AS severity_rank,
           CASE v.verdict WHEN 'deviation' THEN 1 ELSE 2 END AS verdict_rank,
           CASE WHEN g.trip_key IS NOT NULL
                  OR bool_or(v.severity = 'high'
                             OR v.severity = 'medium' AND v.verdict = 'deviation')
                     OVER (PARTITION BY v.trip_key)
                THEN 'read' ELSE 'batch' END AS kind
    FROM month_verdict v LEFT JOIN month_trigger g USING (trip_key)
    WHERE v.verdict IN ('deviation', 'borderline')
"""

_MONTH_CASE = f"""
    CREATE OR REPLACE TEMP TABLE month_case AS
    WITH by_trip AS (
        SELECT trip_key, any_value(kind) AS kind,
               min((severity_rank, verdict_rank)) AS place,
               count(*) FILTER (verdict = 'deviation') AS deviations,
               string_agg(rule, ' ' ORDER BY severity_rank, verdict_rank, rule) AS rules,
               arg_min(rule, (severity_rank, verdict_rank, rule)) AS leading_rule,
               arg_min(severity, (severity_rank, verdict_rank, rule)) AS severity,
               arg_min(verdict, (severity_rank, verdict_rank, rule)) AS verdict,
               arg_min(reason, (severity_rank, verdict_rank, rule)) AS reason
        FROM month_flag GROUP BY trip_key
    ),
    used AS (
        SELECT trip_key, arg_max(cannula, (seconds, cannula)) AS cannula
        FROM (SELECT trip_key, cannula, sum(until_s - from_s) AS seconds
              FROM judged.timeline
              SEMI JOIN (FROM judged.trip_window WHERE service_month = $month) USING (trip_key)
              WHERE cannula IS NOT NULL GROUP BY ALL)
        GROUP BY trip_key
    )
    SELECT row_number() OVER (
               ORDER BY coalesce(f.kind, 'read') = 'batch', g.place NULLS LAST,
                        f.place NULLS LAST,
                        CASE f.kind WHEN 'batch' THEN f.leading_rule END,
                        f.deviations DESC NULLS LAST, w.trip_id
           )::INTEGER AS reading_order,
           w.trip_id, t.base, t.vehicle, u.cannula, coalesce(f.kind, 'read') AS kind,
           CASE WHEN g.trip_key IS NOT NULL THEN 'always_read'
                WHEN f.kind = 'batch' THEN 'batch' ELSE f.verdict END AS "group",
           f.severity, f.leading_rule, f.rules,
           concat_ws(' ',
               '{ALWAYS_READ}' || g.said || '.',
               f.reason) AS why
    FROM judged.trip_window w
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN month_trigger g USING (trip_key)
    LEFT JOIN by_trip f USING (trip_key)
    LEFT JOIN used u USING (trip_key)
    WHERE w.service_month = $month AND (g.trip_key IS NOT NULL OR f.trip_key IS NOT NULL)
    ORDER BY reading_order
"""
