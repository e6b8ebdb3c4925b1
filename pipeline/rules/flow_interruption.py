"""How long the ventilator's occlusions cut the flow."""

from __future__ import annotations

from pydantic import Field

from pipeline.rules.fragments import beyond, within
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from pipeline.rules.ventilator_log import as_logged, ventilator_use
from schemas.rule_parameters import AtLimit, Parameters


class FlowInterruptionParameters(Parameters):
    """The longest cut-off allowed, and all of them together."""

    longest_limit_s: float = Field(15, gt=0, description="seconds one cut-off may last")
    total_limit_s: float = Field(60, gt=0, description="seconds all of them may last")
    at_limit: AtLimit = Field("pass", description="whether exactly a limit passes")


def _answer(table: str, p: SqlParameters) -> str:
    """Kleene AND of both limits; what is logged is a lower bound where a length is missing."""
    too_long = (
        f"{beyond('max(known_cutoff_s)', p.longest_limit_s, p.at_limit)}"
        f" OR {beyond('sum(known_cutoff_s)', p.total_limit_s, p.at_limit)}"
    )
    short = (
        f"{within('max(cutoff_s)', p.longest_limit_s, p.at_limit)}"
        f" AND {within('sum(cutoff_s)', p.total_limit_s, p.at_limit)}"
    )
    return f"""
    SELECT trip_key, max(known_cutoff_s) AS longest_s,
           count(cutoff_s) = count(*) AS all_known,
           {beyond("max(known_cutoff_s)", p.longest_limit_s, p.at_limit)} AS too_long,
           min(at_s) AS from_s, max(at_s) AS until_s,
           CASE WHEN {too_long} THEN 'deviation'
                WHEN count(cutoff_s) = count(*) AND {short} THEN 'met'
                ELSE 'cannot_tell' END AS answer
    FROM {table} GROUP BY trip_key
    """


def answers(p: SqlParameters) -> str:
    """Occlusions inside the window; without its end, later ones may belong to it or not."""
    return f"""
    WITH inside AS ({_answer("(FROM occlusion_now WHERE in_window = 'inside')", p)}),
    perhaps AS ({_answer("occlusion_if_open_now", p)}),
    use AS ({ventilator_use()}),
    judged AS (
        SELECT w.trip_key, w.start_s, w.log_complete, u.no_ventilator,
               i.longest_s, i.all_known, i.too_long,
               i.from_s, i.until_s,
               CASE WHEN i.answer = 'deviation' THEN 'deviation'
                    WHEN w.open_end AND i.answer IS DISTINCT FROM p.answer THEN 'cannot_tell'
                    ELSE coalesce(i.answer, 'not_applicable') END AS plain
        FROM version_trips w
        JOIN use u USING (trip_key)
        LEFT JOIN inside i USING (trip_key)
        LEFT JOIN perhaps p USING (trip_key)
    )
    SELECT trip_key, {as_logged("plain")} AS verdict,
           CASE WHEN NOT no_ventilator THEN longest_s END AS observed_low,
           CASE WHEN NOT no_ventilator AND all_known THEN longest_s END AS observed_high,
           CASE WHEN NOT no_ventilator THEN from_s END AS from_s,
           CASE WHEN NOT no_ventilator THEN until_s END AS until_s,
           CASE WHEN no_ventilator THEN 'no_ventilator'
                WHEN start_s IS NULL THEN 'no_settings'
                WHEN verdict = 'cannot_tell' AND plain <> 'cannot_tell' THEN 'log_incomplete'
                WHEN verdict = 'cannot_tell' AND coalesce(all_known, TRUE) THEN 'after_known_end'
                WHEN verdict = 'deviation' AND NOT too_long THEN 'total_too_long'
                ELSE verdict END AS why
    FROM judged
    """


RULE = Rule(
    id="flow-interruption",
    question="How long did occlusions cut the flow?",
    asks="No single cut-off longer than {longest_limit_s:g} s, and all together no longer than"
    " {total_limit_s:g} s",
    parameters=FlowInterruptionParameters,
    answers=answers,
    sentences={
        "met": "Occlusions cut the flow for {observed} s at the longest (limit {limit}); all of"
        " them together keep to their limit, too.",
        "deviation": "One occlusion cut the flow for {observed} s, past the limit of {limit} s:"
        " what the child went through, whoever's doing it was.",
        "total_too_long": "Occlusions cut the flow for {observed} s at the longest, and all of them"
        " together for longer than their limit: what the child went through, whoever's doing it"
        " was.",
        "cannot_tell": "An occlusion without a logged length could break a limit.",
        "no_settings": "No settings are charted, so the trip has no review window.",
        "log_incomplete": "The device log is missing or incomplete, so occlusions may be missing.",
        "after_known_end": "Occlusions after the last charted setting may belong to the trip or"
        " not; there is no hand-over time.",
        "not_applicable": "No occlusion is logged.",
        "no_ventilator": "The ventilator was not in use.",
    },
    unknown_time="A cut-off without a logged length is unknown: a limit already broken stays"
    " broken, otherwise the answer is cannot tell. An incomplete device log cannot show that"
    " nothing happened.",
    reason_to_ask="While the flow is cut the child breathes without support: SpO2 and heart rate"
    " after each cut show what it meant. Long cut-offs point to the equipment or the cannula.",
    source="common practice, no source; pauses near 8 s are usual, the limits are local",
    unit="s",
    limit="longest_limit_s",
    settings_fields=("source",),
    evidence=("device_events",),
    cutoff_limit="longest_limit_s",
)
