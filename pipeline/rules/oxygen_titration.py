"""How long oxygen stayed high although the saturation was high."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.fragments import beyond, spo2_in_window, within
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from pipeline.rules.ventilator_log import source_use
from pipeline.timeline.series import by_second
from schemas.rule_parameters import AtLimit, Parameters

BLENDING = ("ventilator", "blender")
BLENDED = f"('{BLENDING[0]}', '{BLENDING[1]}')"


class OxygenTitrationParameters(Parameters):
    """What counts as high, and for how long it may stay so."""

    spo2_pct: float = Field(98, gt=0, le=100, description="SpO2 at or above this is high")
    fio2: float = Field(0.40, ge=0.21, lt=1, description="FiO2 above this is high")
    limit_min: float = Field(15, gt=0, description="minutes it may stay so")
    max_spacing_min: float = Field(20, gt=0, description="observations farther apart break a run")
    at_limit: AtLimit = Field("pass", description="whether exactly the limit passes")


def _runs(p: SqlParameters, qualifies: str, lowered: str) -> str:
    """Runs of consecutive observations that qualify, unbroken by spacing or a lowered FiO2.

    An observation that surely is not high has no row in `observed`, and breaks a run all the same.
    """
    return f"""
    WITH marked AS (
        SELECT trip_key, at_s, line, {qualifies} AS qualifies,
               NOT coalesce(before_high AND at_s - before_s <= {p.max_spacing_s}, FALSE)
                   OR coalesce({lowered} > before_s, FALSE)
                   OR NOT ({qualifies}) OR NOT lag({qualifies}) OVER trip AS breaks
        FROM observed
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
    ),
    numbered AS (
        SELECT *, sum(breaks::INTEGER) OVER (PARTITION BY trip_key ORDER BY at_s, line) AS run
        FROM marked
    )
    SELECT trip_key, min(at_s) AS from_s, max(at_s) AS until_s
    FROM numbered WHERE qualifies GROUP BY trip_key, run
    """


def _longest(table: str) -> str:
    return f"""
    SELECT trip_key,
           max(CASE WHEN until_s > from_s
                    THEN greatest(0, until_s - from_s - r_observations) ELSE 0 END) AS low_s,
           max(CASE WHEN until_s > from_s
                    THEN until_s - from_s + r_observations ELSE 0 END) AS high_s,
           arg_max(from_s, (until_s - from_s, -from_s)) AS from_s,
           arg_max(until_s, (until_s - from_s, -from_s)) AS until_s
    FROM {table} JOIN version_trips USING (trip_key) GROUP BY trip_key
    """


def _observed(p: SqlParameters) -> str:
    """Every SpO2 of the window that is or may be high, and what is known of that moment.

    That is source, FiO2, and when FiO2 was last charted lower than before. A set-aside observation
    may have had any SpO2.
    """
    high = f"spo2_pct >= {p.spo2_pct}"
    return f"""
    spo2 AS ({spo2_in_window("asked")}),
    high AS (
        SELECT *, lag(at_s) OVER trip AS before_s,
               lag(coalesce({high}, TRUE)) OVER trip AS before_high
        FROM spo2
        WINDOW trip AS (PARTITION BY trip_key ORDER BY at_s, line)
        QUALIFY coalesce({high}, TRUE)
    ),
    fio2_charted AS (
        SELECT trip_key, at_s, value, lag(value) OVER (
                   PARTITION BY trip_key ORDER BY at_s) AS before
        FROM ({by_second("fio2", "asked")})
    ),
    lowered AS (SELECT trip_key, at_s FROM fio2_charted WHERE value < before AND value >= 0),
    -- a set-aside row, or the first value after one, may have been lower
    perhaps_lowered AS (
        SELECT trip_key, at_s FROM fio2_charted WHERE value < 0 OR before < 0 OR value < before
    ),
    in_force AS (
        SELECT s.*, CASE WHEN s.at_s < t.until_s THEN t.source END AS source,
               CASE WHEN s.at_s < t.until_s THEN t.fio2 END AS fio2
        FROM high s ASOF LEFT JOIN timeline_now t
            ON s.trip_key = t.trip_key AND s.at_s >= t.from_s
    ),
    observed AS (
        SELECT i.*, d.at_s AS lowered_s, m.at_s AS perhaps_lowered_s,
               coalesce({high} AND source IN {BLENDED} AND fio2 > {p.fio2}, FALSE) AS surely,
               coalesce({high}, TRUE) AND coalesce(source IN {BLENDED}, TRUE)
                   AND coalesce(fio2 > {p.fio2}, TRUE) AS perhaps
        FROM in_force i
        ASOF LEFT JOIN lowered d ON i.trip_key = d.trip_key AND i.at_s >= d.at_s
        ASOF LEFT JOIN perhaps_lowered m ON i.trip_key = m.trip_key AND i.at_s >= m.at_s
    )"""


def answers(p: SqlParameters) -> str:
    """Runs that surely qualify against the limit; runs that may only where those keep to it.

    Runs are looked for in the trips asked: those not exempt that may have been on blended gas.
    """
    return f"""
    WITH use AS ({source_use(*BLENDING)}),
    asked AS (
        SELECT w.* FROM version_trips w
        JOIN delivered.trips t USING (trip_key)
        JOIN use n USING (trip_key)
        WHERE NOT coalesce(t.spo2_exempt, FALSE) AND NOT n.unused
    ),
    {_observed(p)},
    sure_runs AS ({_runs(p, "surely", "perhaps_lowered_s")}),
    possible_runs AS ({_runs(p, "perhaps", "lowered_s")}),
    sure AS ({_longest("sure_runs")}),
    possible AS ({_longest("possible_runs")}),
    blended AS (
        SELECT t.trip_key, count(o.spo2_pct) AS observations
        FROM timeline_now t SEMI JOIN version_trips USING (trip_key)
        LEFT JOIN spo2 o ON o.trip_key = t.trip_key
            AND o.at_s >= t.from_s AND o.at_s < t.until_s
        WHERE t.source IN {BLENDED} GROUP BY t.trip_key
    ),
    untimed AS (
        SELECT DISTINCT trip_key FROM lost_now WHERE table_name = 'observations' AND at_s IS NULL
    ),
    bounded AS (
        SELECT w.trip_key, coalesce(t.spo2_exempt, FALSE) AS exempt,
               v.trip_key IS NULL AS not_blended, w.start_s IS NULL AS no_settings,
               v.observations = 0 AS not_observed,
               s.from_s, s.until_s, coalesce(s.low_s, 0) AS low_s, coalesce(s.high_s, 0) AS high_s,
               coalesce(m.high_s, 0) AS possible_s, n.unused AS surely_not_blended,
               u.trip_key IS NOT NULL OR list_contains(d.not_recorded, 'observations') AS row_lost
        FROM version_trips w
        JOIN delivered.trips t USING (trip_key)
        JOIN delivered.delivery d ON d.delivery_no = w.delivery_no
        JOIN use n USING (trip_key)
        LEFT JOIN blended v USING (trip_key)
        LEFT JOIN sure s USING (trip_key)
        LEFT JOIN possible m USING (trip_key)
        LEFT JOIN untimed u USING (trip_key)
    ),
    judged AS (
        SELECT *,
               CASE WHEN exempt THEN 'not_applicable'
                    WHEN no_settings THEN 'cannot_tell'
                    WHEN surely_not_blended THEN 'not_applicable'
                    WHEN row_lost THEN 'cannot_tell'
                    WHEN not_blended THEN
                        CASE WHEN {within("possible_s", p.limit_s, p.at_limit)}
                             THEN 'not_applicable' ELSE 'cannot_tell' END
                    WHEN not_observed THEN 'cannot_tell'
                    WHEN {beyond("low_s", p.limit_s, p.at_limit)} THEN 'deviation'
                    WHEN {beyond("high_s", p.limit_s, p.at_limit)} THEN 'borderline'
                    WHEN {within("possible_s", p.limit_s, p.at_limit)} THEN 'met'
                    ELSE 'cannot_tell' END AS verdict
        FROM bounded
    )
    SELECT trip_key, verdict,
           CASE WHEN verdict <> 'not_applicable' AND NOT coalesce(not_observed, FALSE)
                THEN round(low_s / 60, 2) END AS observed_low,
           CASE WHEN verdict <> 'not_applicable' AND NOT coalesce(not_observed, FALSE)
                THEN round(greatest(high_s, possible_s) / 60, 2) END AS observed_high,
           CASE WHEN verdict <> 'not_applicable' THEN from_s END AS from_s,
           CASE WHEN verdict <> 'not_applicable' THEN until_s END AS until_s,
           CASE WHEN exempt THEN 'exempt'
                WHEN surely_not_blended AND NOT no_settings THEN 'not_blended'
                WHEN verdict = 'cannot_tell' AND not_observed
                THEN 'not_observed' ELSE verdict END AS why
    FROM judged
    """


RULE = Rule(
    id="oxygen-titration",
    question="Was oxygen lowered when the saturation stayed high?",
    asks="No more than {limit_min:g} minutes at SpO2 of {spo2_pct:g} % or more with FiO2 above"
    " {fio2:g} on the ventilator or a blender and no lower FiO2 charted",
    parameters=OxygenTitrationParameters,
    answers=answers,
    sentences={
        "met": "On ventilator or blender, high saturation with high FiO2 for {observed} min;"
        " the limit is {limit} min.",
        "deviation": "On ventilator or blender, high saturation with high FiO2 for {observed} min"
        " and no lower FiO2 charted; the limit is {limit} min.",
        "borderline": "On ventilator or blender, high saturation with high FiO2 for {observed} min;"
        " the recorded times are too coarse to say which side of {limit} min.",
        "cannot_tell": "Source, FiO2 or saturation is unknown for a time that could make the run"
        " longer than {limit} min ({observed} min).",
        "not_observed": "No SpO2 is charted while the child was on the ventilator or a blender.",
        "exempt": "An order sets another saturation target for this child.",
        "not_blended": "Neither the ventilator nor a blender was in use.",
        "not_applicable": "There is no time known to be on the ventilator or a blender.",
    },
    unknown_time="A trip on the ventilator or a blender with FiO2 never above the limit is met, as"
    " far as SpO2 is charted. Only observations in known ventilator or blender time with known"
    " FiO2 make a run. Unknown source, FiO2 or saturation matters where it could make a run longer"
    " than the limit. A trip whose record does not say whether an order sets another saturation"
    " target is held to the protocol's.",
    reason_to_ask="More oxygen than the child needs is avoidable hyperoxia, and hides a child"
    " getting worse.",
    source="SpO2 90-97 % is the target range of a published paediatric guideline for bronchiolitis"
    " (Napolitano 2021, Respir Care 66:1214); the limits are the local protocol's",
    unit="min",
    limit="limit_min",
    limit_runs_from="from_s",
    settings_fields=("source", "fio2"),
    evidence=("observations", "settings"),
)
