"""One meaning of 'how long' for every rule that limits a duration.

Recorded times are truncated, and some stretches are unknown, so a duration is a pair of bounds.
`low` counts only what surely was in the state; `high` counts what may have been.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal, TypedDict, Unpack

from pydantic import Field

from pipeline.rules.fragments import beyond, excused, within
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters
from schemas.rule_parameters import AtLimit, GraceParameters

UNKNOWN_TIME = (
    "Known time in the state counts in full; unknown time counts only towards the upper bound. "
    "Where the known time alone keeps to the limit and the unknown time could break it, the answer "
    "is cannot tell. Without a hand-over time there is no upper bound."
)


class DurationParameters(GraceParameters):
    """Parameters of a rule of the form 'no longer than'."""

    grace_min: float = Field(0, ge=0, description="minutes an authorising call may come late")
    limit_min: float = Field(gt=0, description="the limit in minutes")
    at_limit: AtLimit = Field("pass", description="whether exactly the limit passes")
    count: Literal["total", "longest"] = Field(
        "total", description="the sum of all episodes, or the longest one"
    )


class More(TypedDict, total=False):
    """Fields of `Rule` that few duration rules have."""

    curves: tuple[str, ...]
    curves_place: int
    blended_minutes: Callable[[SqlParameters], str]
    fit: str
    limits_wall_oxygen: bool


def duration_rule(
    *,
    id: str,
    question: str,
    asks: str,
    in_state: str,
    sentences: Mapping[str, str],
    reason_to_ask: str,
    source: str,
    authorisation: str,
    settings_fields: tuple[str, ...],
    joins: str = "",
    parameters: type[DurationParameters] = DurationParameters,
    nothing: str = "not_applicable",
    **more: Unpack[More],
) -> Rule:
    # long: a line for each field of the rule
    """A rule that limits the time in a state.

    `in_state` is SQL for whether an interval `t` of known support is in the state (null for
    unknown), from its columns and whatever `joins` adds. `authorisation` is the code of a call that
    may allow more. `nothing` is the verdict where no time is in the state and none unknown. `more`
    are fields of `Rule`.
    """
    states = f"""
    SELECT t.trip_key, t.from_s, t.until_s, {in_state} AS in_state
    FROM version_timeline t {joins}
    """
    return Rule(
        id=id,
        question=question,
        asks=asks,
        answers=lambda p: duration_answers(p, states, authorisation, nothing),
        sentences=sentences,
        unknown_time=UNKNOWN_TIME,
        reason_to_ask=reason_to_ask,
        source=source,
        parameters=parameters,
        unit="min",
        limit="limit_min",
        states=states,
        authorisation=authorisation,
        settings_fields=settings_fields,
        evidence=("settings", "contacts"),
        **more,
    )


def duration_sentences(state: str) -> Mapping[str, str]:
    """The answer sentences of a duration rule; `state` completes 'The child was ...'."""
    return {
        "met": f"{state} for {{observed}} min; the limit is {{limit}} min.",
        "deviation": f"{state} for {{observed}} min, past the limit of {{limit}} min.",
        "authorised": f"{state} for {{observed}} min, which is or may be past the limit of"
        " {limit} min; a call authorised it in time.",
        "borderline": f"{state} for {{observed}} min; the recorded times are too coarse, or the"
        " record too broken, to say which side of {limit} min.",
        "unknown_time": f"{state} for {{observed}} min; stretches that are not charted could"
        " take it past {limit} min.",
        "calls_unknown": f"{state} for {{observed}} min against a limit of {{limit}} min, and not"
        " all calls that may have authorised it are known.",
        "not_applicable": f"{state} at no time.",
    }


def duration_answers(p: SqlParameters, states: str, code: str, nothing: str) -> str:
    """The answers of a duration rule.

    `states` is a SELECT of trip_key, from_s, until_s, in_state (true, false, or null for
    unknown) over `version_timeline`, contiguous in each trip. `code` and `nothing` are the
    authorisation and the verdict of `duration_rule`.
    """
    chosen = _total(p) if p.count == "total" else _longest(p)
    verdict = f"""
        CASE WHEN low_s IS NULL AND NOT any_unknown THEN '{nothing}'
             WHEN {within("high_s", p.limit_s, p.at_limit)} THEN 'met'
             WHEN {beyond("coalesce(low_s, 0)", p.limit_s, p.at_limit)} THEN 'deviation'
             WHEN {within("known_high_s", p.limit_s, p.at_limit)} THEN 'cannot_tell'
             ELSE 'borderline' END"""
    return f"""
    WITH states AS ({states}),
    {_EPISODES},
    calls AS (SELECT trip_key, at_s FROM contacts_now WHERE authorised = '{code}'),
    {chosen},
    bounded AS (
        SELECT w.trip_key, w.contacts_known, d.low_s, d.from_s, d.until_s,
               coalesce(d.authorised, FALSE) AS authorised,
               coalesce(d.known_high_s, 0) AS known_high_s,
               CASE WHEN w.open_end OR w.start_s IS NULL THEN NULL
                    ELSE coalesce(r.high_s, 0) END AS high_s,
               w.open_end OR w.start_s IS NULL OR coalesce(r.any_unknown, FALSE) AS any_unknown
        FROM version_trips w
        LEFT JOIN durations d USING (trip_key)
        LEFT JOIN possible r USING (trip_key)
    ),
    judged AS (SELECT *, {verdict} AS plain FROM bounded)
    SELECT trip_key, {excused("plain", "authorised", "contacts_known")} AS verdict,
           CASE WHEN plain <> 'not_applicable'
                THEN round(coalesce(low_s, 0) / 60, 2) END AS observed_low,
           CASE WHEN plain <> 'not_applicable' THEN round(high_s / 60, 2) END AS observed_high,
           from_s, until_s,
           CASE WHEN verdict = 'cannot_tell' AND plain <> 'cannot_tell' THEN 'calls_unknown'
                WHEN verdict = 'cannot_tell' THEN 'unknown_time' ELSE verdict END AS why
    FROM judged
    """


# An episode is a maximal run of known time in the state; a possible run is a maximal run of time
# in the state or unknown. Both are marked in one pass over the intervals that are not known to be
# out of the state.
_EPISODES = """
    pieces AS (
        SELECT trip_key, from_s, until_s, in_state IS NOT NULL AS known,
               lag(until_s) OVER trip IS DISTINCT FROM from_s AS run_begins,
               lag(until_s) OVER trip IS DISTINCT FROM from_s
                   OR lag(in_state) OVER trip IS DISTINCT FROM in_state AS piece_begins
        FROM states WHERE in_state IS NOT FALSE
        WINDOW trip AS (PARTITION BY trip_key ORDER BY from_s)
    ),
    numbered AS (
        SELECT *, sum(run_begins::INTEGER) OVER trip AS run_no,
               sum(piece_begins::INTEGER) OVER trip AS piece_no
        FROM pieces
        WINDOW trip AS (PARTITION BY trip_key ORDER BY from_s)
    ),
    merged AS (
        SELECT n.trip_key, run_no, known, min(from_s) AS from_s, max(until_s) AS until_s
        FROM numbered n GROUP BY n.trip_key, run_no, piece_no, known
    ),
    merged_with_ends AS (
        SELECT m.*, w.r_settings,
               CASE WHEN w.ends_at_handover AND m.until_s = w.end_s
                    THEN w.r_trips ELSE w.r_settings END AS r_end
        FROM merged m JOIN version_trips w USING (trip_key)
    ),
    episodes AS (
        SELECT trip_key, from_s, until_s, until_s - from_s AS recorded_s,
               greatest(0, until_s - from_s - r_settings) AS low_s,
               until_s - from_s + r_end AS high_s
        FROM merged_with_ends WHERE known
    ),
    runs AS (
        SELECT trip_key, run_no, bool_or(NOT known) AS any_unknown,
               max(until_s) - min(from_s) + arg_max(r_end, until_s) AS high_s
        FROM merged_with_ends GROUP BY trip_key, run_no
    )"""


def _total(p: SqlParameters) -> str:
    """All episodes together, and where their recorded time reaches the limit."""
    return f"""
    cumulative AS (
        SELECT *, coalesce(sum(recorded_s) OVER (
                   PARTITION BY trip_key ORDER BY from_s
                   ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING), 0) AS before_s
        FROM episodes
    ),
    summed AS (
        SELECT trip_key, sum(low_s) AS low_s, sum(high_s) AS known_high_s,
               min(from_s) AS from_s, max(until_s) AS until_s,
               coalesce(min(from_s + {p.limit_s} - before_s)
                            FILTER (before_s + recorded_s >= {p.limit_s}),
                        max(until_s)) AS limit_moment_s
        FROM cumulative GROUP BY trip_key
    ),
    durations AS (
        SELECT s.*, c.first_s <= s.limit_moment_s + {p.grace_s} AS authorised
        FROM summed s
        LEFT JOIN (SELECT trip_key, min(at_s) AS first_s FROM calls GROUP BY trip_key) c
            USING (trip_key)
    ),
    possible AS (
        SELECT trip_key, sum(high_s) AS high_s, bool_or(any_unknown) AS any_unknown
        FROM runs GROUP BY trip_key
    )"""


def _longest(p: SqlParameters) -> str:
    """The longest episode; each one that may pass the limit needs a call of its own in time."""
    return f"""
    passing AS (
        SELECT trip_key, least(from_s + {p.limit_s}, until_s) AS moment_s,
               row_number() OVER (
                   PARTITION BY trip_key ORDER BY least(from_s + {p.limit_s}, until_s)) AS needed
        FROM episodes WHERE {beyond("high_s", p.limit_s, p.at_limit)}
    ),
    covered AS (
        -- enough calls by every moment: then each episode can have its own
        SELECT trip_key, bool_and(had >= needed) AS authorised
        FROM (
            SELECT p.trip_key, p.needed, count(c.at_s) AS had
            FROM passing p
            LEFT JOIN calls c ON c.trip_key = p.trip_key AND c.at_s <= p.moment_s + {p.grace_s}
            GROUP BY p.trip_key, p.needed
        ) GROUP BY trip_key
    ),
    durations AS (
        SELECT trip_key, e.low_s, e.known_high_s, e.from_s, e.until_s, c.authorised
        FROM (
            SELECT trip_key, max(low_s) AS low_s, max(high_s) AS known_high_s,
                   arg_max(from_s, (low_s, -from_s)) AS from_s,
                   arg_max(until_s, (low_s, -from_s)) AS until_s
            FROM episodes GROUP BY trip_key
        ) e LEFT JOIN covered c USING (trip_key)
    ),
    possible AS (
        SELECT trip_key, max(high_s) AS high_s, bool_or(any_unknown) AS any_unknown
        FROM runs GROUP BY trip_key
    )"""
