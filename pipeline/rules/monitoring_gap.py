"""The longest time without an observation of both saturation and breathing."""

from __future__ import annotations

from pipeline.rules.gaps import GapParameters, gap_answers, gap_sentences
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters


def answers(p: SqlParameters) -> str:
    """Only observations with both values count; a set-aside one may have had both."""
    return gap_answers(
        p,
        sure="""SELECT trip_key, at_s FROM observations_now
                WHERE spo2_pct IS NOT NULL AND resp_rate IS NOT NULL""",
        unsure="SELECT trip_key, at_s FROM lost_now WHERE table_name = 'observations'",
        resolution="r_observations",
        table="observations",
    )


RULE = Rule(
    id="monitoring-gap",
    question="How long was the longest time without both SpO2 and respiratory rate?",
    asks="No more than {limit_min:g} minutes between observations of both SpO2 and respiratory"
    " rate, from bedside to hand-over",
    parameters=GapParameters,
    answers=answers,
    sentences=gap_sentences("observations of both SpO2 and respiratory rate"),
    unknown_time="Without a hand-over time only the gaps between observations are known, so the"
    " answer is cannot tell unless one of them is too long. A set-aside observation may have closed"
    " a gap.",
    reason_to_ask="A child on high flow can tire quickly; saturation alone shows it late.",
    source="common practice, no source; the limit is the local protocol's",
    unit="min",
    limit="limit_min",
    limit_runs_from="from_s",
    evidence=("observations",),
)
