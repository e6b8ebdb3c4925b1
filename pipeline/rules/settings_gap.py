"""The longest time without a row of settings."""

from __future__ import annotations

from pipeline.rules.gaps import GapParameters, gap_answers, gap_sentences
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters


def answers(p: SqlParameters) -> str:
    """Every row counts, a set-aside one with a readable time too: something was charted then."""
    return gap_answers(
        p,
        sure="""SELECT trip_key, at_s FROM settings_now
                UNION ALL
                SELECT trip_key, at_s FROM lost_now
                WHERE table_name = 'settings' AND at_s IS NOT NULL""",
        unsure="""SELECT trip_key, at_s FROM lost_now
                  WHERE table_name = 'settings' AND at_s IS NULL""",
        resolution="r_settings",
        table="settings",
    )


RULE = Rule(
    id="settings-gap",
    question="How long was the longest time without a row of settings?",
    asks="No more than {limit_min:g} minutes between rows of settings, from bedside to hand-over",
    parameters=GapParameters,
    answers=answers,
    sentences=gap_sentences("settings"),
    unknown_time="Without a hand-over time only the gaps between rows are known, so the answer is"
    " cannot tell unless one of them is too long.",
    reason_to_ask="What is not charted cannot be judged; long gaps make every other answer"
    " uncertain.",
    source="common practice, no source; the limit is the local protocol's",
    unit="min",
    limit="limit_min",
    limit_runs_from="from_s",
    evidence=("settings",),
)
