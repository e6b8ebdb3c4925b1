"""Restatements: figures of published months that have changed since, and what changed them."""

from __future__ import annotations

from typing import Any

from pipeline.store.content_hash import make_contents
from pipeline.store.database import one
from schemas.connection import Connection
from schemas.frame import Frame

AFTER_DETERMINATIONS = (
    "confirmed-share", "confirmed-deviation-share", "practice-share", "miss-rate",
)  # fmt: skip
"""The measures that answers change; the screened ones rest on the records alone."""


def restatements(con: Connection, month: str, measures: Frame) -> Frame:
    """What has changed since in the months up to `month` that were published.

    Follows `schemas.followup_outputs.Restatements`. `measures` holds those months' figures as they
    are now; each is held against the last publication of its month. Figures of measures that the
    program did not have then are no restatement.
    """
    import numpy as np

    from schemas.followup_outputs import Restatements

    columns = list(Restatements.to_schema().columns)
    if not _changed_figures(con, month, measures):
        return Frame.of_rows([], columns)
    _causes(con)
    frame = Frame.read(con.execute(_CHANGED_WHY))
    counts = {name: frame[name].astype(np.int32) for name in _COUNTS}
    return frame.assign(why=[_why(row) for row in frame.records()], **counts).only(columns)


def _changed_figures(con: Connection, month: str, measures: Frame) -> int:
    """Make `changed_figure`, and say how many there are; nothing is made of what never was told."""
    if one(con, "SELECT count(*) FROM loop.publication") == (0,):
        return 0
    con.register("figures_now", measures.for_database())
    con.execute(_CHANGED_FIGURES, {"month": month})
    con.unregister("figures_now")
    return int(one(con, "SELECT count(*) FROM changed_figure")[0])


_COUNTS = ("late", "replaced", "corrected", "rejudged", "determinations")


def _causes(con: Connection) -> None:
    """Make `changed_trip` for the months with changed figures."""
    con.execute(_KEYS)
    make_contents(con, "compared_content", "compared_key")
    con.execute(_CHANGED_TRIPS)


def _why(row: dict[Any, Any]) -> str:
    reasons = [
        _counted(row["late"], "trip came late", "trips came late"),
        _counted(row["replaced"], "trip was delivered again with other content",
                 "trips were delivered again with other content"),
        _counted(row["corrected"], "trip was corrected", "trips were corrected"),
        _counted(row["rejudged"], "trip is judged otherwise from the same record",
                 "trips are judged otherwise from the same records"),
        _counted(row["determinations"], "answer was read since", "answers were read since"),
    ]  # fmt: skip
    words = [part for part in reasons if part]
    if not words:
        return "No trip of the month has changed: the program reckons otherwise than it did."
    listed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    return f"{listed[0].upper()}{listed[1:]}."


def _counted(count: int, one: str, more: str) -> str:
    return "" if not count else f"{int(count)} {one if count == 1 else more}"


_CHANGED_FIGURES = """
    CREATE OR REPLACE TEMP TABLE changed_figure AS
    WITH last AS (
        SELECT month, max(publication_no) AS publication_no
        FROM loop.publication WHERE month <= $month GROUP BY month
    ),
    was AS (
        SELECT l.month, f.* FROM loop.published_figure f JOIN last l USING (publication_no)
        -- made for the month under review alone, so there is no such figure now of an earlier one
        WHERE f.measure <> 'occlusion-rate-ratio' OR l.month = $month
    ),
    becomes AS (
        SELECT n.* FROM figures_now n
        JOIN (SELECT DISTINCT month, measure FROM was) USING (month, measure)
    )
    SELECT coalesce(w.month, n.month) AS month, measure, group_by, group_value,
           coalesce(w.unit, n.unit) AS unit,
           w.numerator AS then_numerator, w.denominator AS then_denominator, w.estimate AS "then",
           n.numerator AS now_numerator, n.denominator AS now_denominator, n.estimate AS "now"
    FROM was w FULL JOIN becomes n USING (month, measure, group_by, group_value)
    WHERE round(w.numerator, 9) IS DISTINCT FROM round(n.numerator, 9)
       OR round(w.denominator, 9) IS DISTINCT FROM round(n.denominator, 9)
       OR round(w.estimate, 9) IS DISTINCT FROM round(n.estimate, 9)
"""

_KEYS = """
    CREATE OR REPLACE TEMP TABLE compared_trip AS
    WITH last AS (
        SELECT month, max(publication_no) AS publication_no FROM loop.publication
        WHERE month IN (SELECT month FROM changed_figure) GROUP BY month
    ),
    was AS (
        SELECT DISTINCT l.month, l.publication_no, v.trip_id, v.trip_key
        FROM loop.published_verdict v JOIN last l USING (publication_no)
    ),
    held AS (
        SELECT t.service_month AS month, l.publication_no, t.trip_id, t.trip_key
        FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        JOIN last l ON l.month = t.service_month
    )
    SELECT month, publication_no, trip_id, w.trip_key AS was_key, n.trip_key AS now_key
    FROM was w FULL JOIN held n USING (month, publication_no, trip_id);
    CREATE OR REPLACE TEMP TABLE compared_key AS
    SELECT was_key AS trip_key FROM compared_trip WHERE was_key <> now_key
    UNION SELECT now_key FROM compared_trip WHERE was_key <> now_key
"""

# one row for each trip and rule whose verdict is not what it was, and for each trip as a whole
_CHANGED_TRIPS = """
    CREATE OR REPLACE TEMP TABLE changed_trip AS
    WITH caused AS (
        SELECT c.month, c.publication_no, c.trip_id, c.was_key, c.now_key,
               CASE WHEN c.was_key IS NULL AND c.trip_id NOT IN (
                        SELECT trip_id FROM loop.published_verdict) THEN 'late'
                    WHEN c.now_key IN (
                        SELECT d.trip_key FROM loop.corrected d
                        JOIN loop.publication p ON p.publication_no = c.publication_no
                        WHERE d.correction_no > p.last_correction) THEN 'corrected'
                    -- without a key then or now the trip was delivered for another month
                    WHEN c.was_key IS NULL OR c.now_key IS NULL OR w.content <> n.content
                    THEN 'replaced'
                    ELSE 'rejudged' END AS cause
        FROM compared_trip c
        LEFT JOIN compared_content w ON w.trip_key = c.was_key
        LEFT JOIN compared_content n ON n.trip_key = c.now_key
    ),
    verdicts AS (
        SELECT c.month, c.trip_id, c.cause, rule, b.verdict AS was, v.verdict AS becomes
        FROM (SELECT c.*, p.rule, p.verdict FROM caused c
              JOIN loop.published_verdict p ON p.publication_no = c.publication_no
                  AND p.trip_key = c.was_key) b
        FULL JOIN (SELECT c.*, v.rule, v.verdict FROM caused c
                   JOIN judged.verdict v ON v.trip_key = c.now_key) v
            USING (month, trip_id, cause, rule)
        JOIN caused c USING (month, trip_id, cause)
        WHERE rule IS NOT NULL
    )
    SELECT month, trip_id, cause, rule FROM verdicts
    WHERE coalesce(was, 'not_applicable') <> coalesce(becomes, 'not_applicable')
    UNION
    SELECT month, trip_id, cause, NULL FROM caused WHERE cause <> 'rejudged'
    UNION
    SELECT month, trip_id, cause, NULL FROM verdicts
    WHERE was IS DISTINCT FROM becomes
"""

_CHANGED_WHY = f"""
    WITH trip AS (
        SELECT f.month, measure, group_by, group_value, t.trip_id, t.cause
        FROM changed_figure f
        JOIN changed_trip t ON t.month = f.month
            AND t.rule IS NOT DISTINCT FROM CASE WHEN group_by = 'rule' THEN group_value END
    ),
    caused AS (
        SELECT month, measure, group_by, group_value,
               count(*) FILTER (cause = 'late') AS late,
               count(*) FILTER (cause = 'replaced') AS replaced,
               count(*) FILTER (cause = 'corrected') AS corrected,
               count(*) FILTER (cause = 'rejudged') AS rejudged,
               string_agg(trip_id, ' ' ORDER BY trip_id) AS trips
        FROM trip GROUP BY ALL
    ),
    answered AS (
        SELECT f.month, measure, group_by, group_value,
               count(DISTINCT a.determination_no) AS determinations
        FROM changed_figure f
        JOIN (SELECT month, max(publication_no) AS publication_no FROM loop.publication
              GROUP BY month) l ON l.month = f.month
        JOIN loop.publication p ON p.publication_no = l.publication_no
        JOIN answer_now a ON a.month = f.month AND a.determination_no > p.last_determination
            AND (group_by <> 'rule' OR a.rule = group_value)
        WHERE measure IN {AFTER_DETERMINATIONS}
        GROUP BY ALL
    )
    SELECT f.*, coalesce(late, 0) AS late, coalesce(replaced, 0) AS replaced,
           coalesce(corrected, 0) AS corrected, coalesce(rejudged, 0) AS rejudged,
           coalesce(determinations, 0) AS determinations, trips
    FROM changed_figure f
    LEFT JOIN caused USING (month, measure, group_by, group_value)
    LEFT JOIN answered USING (month, measure, group_by, group_value)
    ORDER BY month, measure, group_by, group_value
"""
