"""Whether the crew answered a low saturation."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.fragments import excused, spo2_in_window
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from pipeline.timeline.series import NUMBERS, by_second, unknown
from schemas.rule_parameters import Parameters


class LowSaturationResponseParameters(Parameters):
    """What counts as low, and how soon a response is asked for."""

    spo2_pct: float = Field(90, gt=0, le=100, description="SpO2 below this is low")
    within_min: float = Field(5, gt=0, description="minutes after the second low observation")
    max_spacing_min: float = Field(10, gt=0, description="observations farther apart break a run")
    recovery_counts: bool = Field(
        False, description="whether SpO2 that is no longer low counts as a response"
    )


def _runs(p: SqlParameters, low: str) -> str:
    """Runs of two or more low observations: their first, their second."""
    return f"""
    WITH marked AS (
        SELECT trip_key, at_s, line, {low} AS low,
               coalesce(at_s - lag(at_s) OVER trip > {p.max_spacing_s}, TRUE)
                   OR NOT ({low}) OR NOT lag({low}) OVER trip AS breaks
        FROM spo2 SEMI JOIN maybe_low USING (trip_key)
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
    ),
    numbered AS (
        SELECT *, sum(breaks::INTEGER) OVER (PARTITION BY trip_key ORDER BY at_s, line) AS run
        FROM marked
    ),
    placed AS (
        SELECT *, row_number() OVER (PARTITION BY trip_key, run ORDER BY at_s, line) AS place
        FROM numbered WHERE low
    )
    SELECT trip_key, min(at_s) AS first_s, min(at_s) FILTER (place = 2) AS second_s,
           min(line) FILTER (place = 2) AS second_line
    FROM placed GROUP BY trip_key, run HAVING count(*) >= 2
    """


def _answered(p: SqlParameters, runs: str) -> str:
    """Each run with its answer; a trip that ends before the response is due is not judged."""
    return f"""
    SELECT r.trip_key, r.first_s, r.second_s,
           CASE WHEN w.open_end AND r.second_s >= w.end_s THEN 'cannot_tell'
                WHEN bool_or(p.surely) THEN 'met'
                WHEN w.open_end AND r.second_s + {p.within_s} > w.end_s THEN 'cannot_tell'
                WHEN bool_or(p.perhaps AND NOT p.lost) THEN 'borderline'
                WHEN bool_or(p.perhaps) OR w.all_settings_unknown THEN 'cannot_tell'
                ELSE 'deviation' END AS answer
    FROM {runs} r
    JOIN version_trips w USING (trip_key)
    LEFT JOIN LATERAL (
        SELECT NOT lost AND CASE WHEN a.recovery THEN a.follows
                                 ELSE a.at_s - r.first_s - w.r_observations >= 0 END
                   AND a.at_s - r.second_s + a.resolution <= {p.within_s} AS surely,
               CASE WHEN a.recovery THEN a.follows
                    ELSE a.at_s - r.first_s + a.resolution >= 0 END
                   AND a.at_s - r.second_s - w.r_observations <= {p.within_s} AS perhaps,
               a.lost
        FROM (
            -- observations are of one clock: which of them came later is known
            SELECT *, (at_s, line) > (r.second_s, r.second_line) AS follows
            FROM responses WHERE trip_key = r.trip_key
        ) a
    ) p ON TRUE
    WHERE w.open_end OR r.second_s + {p.within_s} <= w.end_s
    GROUP BY r.trip_key, r.first_s, r.second_s, w.open_end, w.end_s, w.all_settings_unknown
    """


def _changes(field: str) -> str:
    """Charted changes of one field that are a response; a set-aside row may have held one."""
    more = f"value > before AND before <> {unknown(field)}"
    if field not in NUMBERS:
        more = f"value <> before AND before <> {unknown(field)}"
    return f"""
    SELECT trip_key, at_s, NOT coalesce({more} AND value <> {unknown(field)}, FALSE) AS lost
    FROM (
        SELECT trip_key, at_s, value,
               lag(value) OVER (PARTITION BY trip_key ORDER BY at_s) AS before
        FROM ({by_second(field, "run_trips")})
    )
    WHERE value = {unknown(field)} OR before = {unknown(field)} OR ({more})
    """


def _responses(p: SqlParameters) -> str:
    """What the crew did, or may have done in a row that was set aside, and recoveries.

    A set-aside observation may have charted care where its delivery charts care at all.
    """
    changes = " UNION ALL ".join(_changes(f) for f in ("flow_lpm", "fio2", "source", "cannula"))
    return f"""
    run_trips AS (SELECT DISTINCT trip_key FROM possible_runs),
    responses AS (
        SELECT c.trip_key, c.at_s, NULL::INTEGER AS line, w.r_settings AS resolution, c.lost,
               FALSE AS recovery
        FROM ({changes}) c JOIN version_trips w USING (trip_key)
        UNION ALL
        SELECT c.trip_key, c.at_s, NULL, w.r_contacts, FALSE, FALSE
        FROM contacts_now c JOIN version_trips w USING (trip_key)
        UNION ALL
        SELECT o.trip_key, o.at_s, NULL, w.r_observations, FALSE, FALSE
        FROM observations_now o JOIN version_trips w USING (trip_key)
        SEMI JOIN run_trips USING (trip_key)
        WHERE o.care IS NOT NULL
        UNION ALL
        SELECT l.trip_key, l.at_s, NULL, w.r_observations, TRUE, FALSE
        FROM lost_now l JOIN version_trips w USING (trip_key)
        WHERE l.table_name = 'observations' AND l.at_s IS NOT NULL AND w.delivery_no IN (
            SELECT t.delivery_no FROM delivered.observations o
            JOIN delivered.trips t USING (trip_key) WHERE o.care IS NOT NULL)
        UNION ALL
        SELECT s.trip_key, s.at_s, s.line, w.r_observations, s.spo2_pct IS NULL, TRUE
        FROM spo2 s JOIN version_trips w USING (trip_key) SEMI JOIN run_trips USING (trip_key)
        WHERE {p.recovery_counts} AND coalesce(s.spo2_pct >= {p.spo2_pct}, TRUE)
    )"""


def answers(p: SqlParameters) -> str:
    """Runs surely low against responses; runs that may be low only where those leave doubt."""
    low = f"spo2_pct < {p.spo2_pct}"
    return f"""
    WITH spo2 AS ({spo2_in_window("version_trips")}),
    counted AS (
        SELECT trip_key, count(spo2_pct) FILTER (at_s < end_s) AS n,
               count(*) FILTER ({low}) AS low,
               count(*) FILTER (coalesce({low}, TRUE)) AS perhaps_low
        FROM spo2 JOIN version_trips USING (trip_key) GROUP BY trip_key
    ),
    maybe_low AS (SELECT trip_key FROM counted WHERE perhaps_low >= 2),
    sure_runs AS ({_runs(p, f"coalesce({low}, FALSE)")}),
    possible_runs AS ({_runs(p, f"coalesce({low}, TRUE)")}),
    {_responses(p)},
    sure AS ({_answered(p, "sure_runs")}),
    possible AS ({_answered(p, "possible_runs")}),
    untimed AS (
        SELECT trip_key, count(*) AS n FROM lost_now
        WHERE table_name = 'observations' AND at_s IS NULL GROUP BY trip_key
    ),
    sure_by_trip AS (
        SELECT trip_key, min(first_s) AS from_s, max(second_s) AS until_s,
               bool_or(answer = 'deviation') AS deviation,
               bool_or(answer = 'cannot_tell') AS cannot_tell,
               bool_or(answer = 'borderline') AS borderline, count(*) AS runs,
               count(*) FILTER (answer = 'deviation') AS surely_unanswered,
               count(*) FILTER (answer <> 'met') AS unanswered
        FROM sure GROUP BY trip_key
    ),
    possible_by_trip AS (
        SELECT trip_key, bool_or(answer <> 'met') AS unanswered FROM possible GROUP BY trip_key
    ),
    judged AS (
        SELECT w.trip_key, w.contacts_known, s.from_s, s.until_s,
               s.surely_unanswered, s.unanswered,
               coalesce(t.spo2_exempt, FALSE) AS exempt, coalesce(c.n, 0) < 2 AS too_few,
               list_contains(d.not_recorded, 'observations') AS unrecorded,
               CASE WHEN exempt THEN 'not_applicable'
                    WHEN too_few OR unrecorded THEN 'cannot_tell'
                    -- a set-aside row without a time may stand between two low ones, or be one
                    WHEN u.n > 0 AND u.n + c.low >= 2 THEN 'cannot_tell'
                    WHEN s.deviation THEN 'deviation'
                    WHEN s.cannot_tell THEN 'cannot_tell'
                    WHEN s.borderline THEN 'borderline'
                    WHEN m.unanswered THEN 'cannot_tell'
                    WHEN s.runs > 0 THEN 'met'
                    ELSE 'not_applicable' END AS plain
        FROM version_trips w
        JOIN delivered.trips t USING (trip_key)
        JOIN delivered.delivery d ON d.delivery_no = w.delivery_no
        LEFT JOIN counted c USING (trip_key)
        LEFT JOIN sure_by_trip s USING (trip_key)
        LEFT JOIN possible_by_trip m USING (trip_key)
        LEFT JOIN untimed u USING (trip_key)
    )
    SELECT trip_key, {excused("plain", "FALSE", "contacts_known")} AS verdict,
           CASE WHEN NOT exempt THEN surely_unanswered END AS observed_low,
           CASE WHEN NOT exempt THEN unanswered END AS observed_high,
           CASE WHEN NOT exempt THEN from_s END AS from_s,
           CASE WHEN NOT exempt THEN until_s END AS until_s,
           CASE WHEN exempt THEN 'exempt'
                WHEN verdict = 'cannot_tell' AND too_few THEN 'not_observed'
                WHEN verdict = 'cannot_tell' AND plain <> 'cannot_tell' THEN 'calls_unknown'
                ELSE verdict END AS why
    FROM judged
    """


RULE = Rule(
    id="low-saturation-response",
    question="Was a low saturation answered?",
    asks="After two observations of SpO2 below {spo2_pct:g} % no more than {max_spacing_min:g} min"
    " apart, a response (more flow or FiO2, another source or cannula, care, or a call) within"
    " {within_min:g} min of the second",
    parameters=LowSaturationResponseParameters,
    answers=answers,
    sentences={
        "met": "Every low saturation was answered.",
        "deviation": "SpO2 was low twice running or more, and no response is charted in time (more"
        " flow or FiO2, another source or cannula, care, or a call). Times this happened:"
        " {observed}.",
        "borderline": "SpO2 was low twice running or more, and the response is charted so close to"
        " the first or last moment allowed that the recorded times cannot say whether it was in"
        " time.",
        "cannot_tell": "A row that was set aside, or the missing end of the trip, could hold a low"
        " saturation or the response to one.",
        "calls_unknown": "A low saturation has no charted response that is surely in time, and not"
        " all calls of this trip are known.",
        "not_observed": "Fewer than two SpO2 observations are charted in the review window.",
        "exempt": "An order sets another saturation target for this child.",
        "not_applicable": "The saturation was not low twice running, or the trip ended before a"
        " response was due.",
    },
    unknown_time="Observations and responses carry the coarseness of their clocks. A set-aside row"
    " may be a low saturation or a response. A trip that ends before the response is due is not"
    " judged. One whose record does not say whether an order sets another target is held to the"
    " protocol's.",
    reason_to_ask="A saturation that stays low asks for an answer: more support, another cannula,"
    " or a second mind.",
    source="common practice, no source; the limits are the local protocol's",
    unit="runs",
    settings_fields=("source", "flow_lpm", "fio2", "cannula"),
    evidence=("observations", "settings", "contacts"),
    evidence_margin_s=1200,
    one_by_one=True,
)
