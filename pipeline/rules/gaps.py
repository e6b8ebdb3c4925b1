"""One meaning of 'longest time without' for the charting rules."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import Field

from pipeline.rules.fragments import beyond, within
from pipeline.rules.sql_parameters import SqlParameters
from schemas.rule_parameters import AtLimit, Parameters


class GapParameters(Parameters):
    """The longest gap allowed."""

    limit_min: float = Field(gt=0, description="the limit in minutes")
    at_limit: AtLimit = Field("pass", description="whether exactly the limit passes")


def gap_sentences(what: str) -> Mapping[str, str]:
    """The answer sentences of a gap rule about `what`."""
    return {
        "met": f"The longest time without {what} was {{observed}} min; the limit is {{limit}} min.",
        "deviation": f"The longest time without {what} was {{observed}} min, past the limit of"
        " {limit} min.",
        "borderline": f"The longest time without {what} was {{observed}} min; the recorded times"
        " are too coarse to say which side of {limit} min.",
        "cannot_tell": f"The longest known time without {what} was {{observed}} min; there is no"
        " hand-over time, so a longer one may follow.",
        "rows_set_aside": f"Rows that were set aside may have closed the longest time without"
        f" {what} ({{observed}} min).",
        "not_recorded": f"The service does not record {what}.",
    }


def gap_answers(p: SqlParameters, *, sure: str, unsure: str, resolution: str, table: str) -> str:
    """The answers of a gap rule: bedside (0) and hand-over are ends, rows after it are not.

    `sure` and `unsure` are SELECTs of trip_key and at_s: rows that surely count, and set-aside
    rows that may (at_s null where unreadable); those of other trips are left out here. A gap's
    bounds are those of an episode. Unsure rows can only shorten gaps.
    """
    return f"""
    WITH unsure AS ({unsure}),
    rows_at AS (
        SELECT trip_key, at_s, TRUE AS sure FROM ({sure})
        UNION ALL
        SELECT trip_key, at_s, FALSE FROM unsure WHERE at_s IS NOT NULL
    ),
    ends AS (
        SELECT r.trip_key, r.at_s, r.sure, w.{resolution} AS r_end
        FROM rows_at r JOIN version_trips w USING (trip_key)
        -- a row recorded in the second of hand-over may have come after it
        WHERE w.handover_s IS NULL OR r.at_s < w.handover_s
        UNION ALL SELECT trip_key, 0, TRUE, {resolution} FROM version_trips
        UNION ALL
        SELECT trip_key, handover_s, TRUE, r_trips FROM version_trips WHERE handover_s IS NOT NULL
    ),
    gaps AS (
        SELECT trip_key, lag(at_s) OVER trip AS from_s, at_s AS until_s, r_end
        FROM ends WHERE sure
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, r_end)
    ),
    gaps_if_all_count AS (
        SELECT trip_key, at_s - lag(at_s) OVER trip AS recorded_s
        FROM ends SEMI JOIN unsure USING (trip_key)
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, r_end)
    ),
    longest AS (
        SELECT trip_key, max(until_s - from_s + r_end) AS high_s,
               max(until_s - from_s) AS longest_s,
               arg_max(from_s, (until_s - from_s, -from_s)) AS from_s
        FROM gaps WHERE from_s IS NOT NULL GROUP BY trip_key
    ),
    shortest AS (
        SELECT trip_key, max(recorded_s) AS longest_s FROM gaps_if_all_count GROUP BY trip_key
    ),
    untimed AS (
        SELECT trip_key, count(*) AS n FROM unsure WHERE at_s IS NULL GROUP BY trip_key
    ),
    bounded AS (
        SELECT w.trip_key, w.open_end, l.from_s, l.from_s + l.longest_s AS until_s, l.high_s,
               greatest(0, coalesce(l.longest_s, 0) - w.{resolution}) AS sure_low_s,
               -- wherever n rows without a time belong, a gap keeps a piece of length / (n + 1)
               greatest(0, coalesce(s.longest_s, l.longest_s, 0) / (coalesce(u.n, 0) + 1)
                           - w.{resolution}) AS low_s,
               list_contains(d.not_recorded, '{table}') AS not_recorded
        FROM version_trips w
        JOIN delivered.delivery d USING (delivery_no)
        LEFT JOIN longest l USING (trip_key)
        LEFT JOIN shortest s USING (trip_key)
        LEFT JOIN untimed u USING (trip_key)
    )
    SELECT trip_key,
           CASE WHEN not_recorded THEN 'cannot_tell'
                WHEN {beyond("low_s", p.limit_s, p.at_limit)} THEN 'deviation'
                WHEN open_end THEN 'cannot_tell'
                WHEN {within("high_s", p.limit_s, p.at_limit)} THEN 'met'
                WHEN low_s < sure_low_s THEN 'cannot_tell'
                ELSE 'borderline' END AS verdict,
           CASE WHEN NOT not_recorded THEN round(low_s / 60, 2) END AS observed_low,
           CASE WHEN NOT not_recorded AND NOT open_end THEN round(high_s / 60, 2) END
               AS observed_high,
           from_s, until_s,
           CASE WHEN not_recorded THEN 'not_recorded'
                WHEN verdict = 'cannot_tell' AND NOT open_end THEN 'rows_set_aside'
                ELSE verdict END AS why
    FROM bounded
    """
