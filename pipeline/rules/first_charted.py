"""One meaning of 'kept': the first value charted in the review window against the one found on."""

from __future__ import annotations

from pipeline.rules.fragments import excused
from pipeline.rules.sql_parameters import SqlParameters


def kept_answers(
    p: SqlParameters,
    *,
    field: str,
    code: str,
    answer: str,
    observed: str = "NULL",
    joins: str = "",
    allowed: str = "FALSE",
) -> str:
    """The answers of a rule about what the crew began with.

    `answer` is SQL for 'met', 'deviation' or 'cannot_tell' from the first charted `field` `f`, the
    trip `t`, whatever `joins` adds, and `observed`, the number shown. A variance is authorised by a
    call that carries `code`, or where `allowed` is true.
    """
    return f"""
    WITH first_charted AS ({first_charted(field)}),
    calls AS ({calls_by_then(p, code)}),
    judged AS (
        SELECT w.trip_key, w.contacts_known, f.at_s, {observed} AS observed,
               coalesce({allowed}, FALSE) AS by_reason,
               by_reason OR coalesce(c.authorised, FALSE) AS authorised, {answer} AS plain
        FROM version_trips w
        JOIN delivered.trips t USING (trip_key)
        LEFT JOIN first_charted f USING (trip_key)
        LEFT JOIN calls c USING (trip_key)
        {joins}
    )
    SELECT trip_key, {excused("plain", "authorised", "contacts_known")} AS verdict,
           observed AS observed_low, observed AS observed_high, at_s AS from_s, at_s AS until_s,
           CASE WHEN verdict = 'cannot_tell' AND plain <> 'cannot_tell' THEN 'calls_unknown'
                WHEN verdict = 'authorised' AND by_reason THEN 'by_reason'
                ELSE verdict END AS why
    FROM judged
    """


def first_charted(field: str) -> str:
    """trip_key, at_s, value and reason of each trip's first charted `field`.

    Of two at one second the later row holds. A trip whose set-aside row may have held an earlier
    value has value null; a trip without any charted value has no row.
    """
    return f"""
    WITH charted AS MATERIALIZED (
        SELECT trip_key, at_s, max(line) AS line, arg_max({field}, line) AS value,
               arg_max(coalesce(reason, ''), line) AS reason
        FROM settings_now JOIN (
            SELECT trip_key, {field}_s AS at_s
            FROM charted_times_now JOIN version_trips USING (trip_key)
            WHERE {field}_s <= keep_until_s
        ) USING (trip_key, at_s)
        WHERE {field} IS NOT NULL GROUP BY trip_key, at_s
    ),
    -- an earlier set-aside row, or a later one of the same second, may have held another value
    doubtful AS (
        SELECT c.trip_key FROM charted c JOIN lost_now l USING (trip_key)
        WHERE l.table_name = 'settings'
          AND (l.at_s IS NULL OR l.at_s < c.at_s OR l.at_s = c.at_s AND l.line > c.line)
    )
    SELECT trip_key, at_s, reason,
           CASE WHEN trip_key NOT IN (FROM doubtful) THEN value END AS value
    FROM charted
    """


def calls_by_then(p: SqlParameters, code: str) -> str:
    """Whether a call authorised `code` within the grace allowed after the first charted value."""
    return f"""
    SELECT f.trip_key, bool_or(c.at_s <= f.at_s + {p.grace_s}) AS authorised
    FROM first_charted f JOIN contacts_now c USING (trip_key)
    WHERE c.authorised = '{code}' GROUP BY f.trip_key
    """
