"""One meaning of 'at departure' for every rule that asks what held then."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.rules.fragments import at_departure, excused, first_authorisation, one_answer
from pipeline.rules.sql_parameters import SqlParameters

CHANGED = (
    "The setting changed so close to departure that the recorded times cannot say which held; the"
    " answer differs before and after the change."
)


def departure_answers(
    p: SqlParameters, *, answer: str, code: str, joins: str = "", observed: str = "NULL"
) -> str:
    """The answers of a rule about departure.

    `answer` is SQL for one instant's answer ('met', 'deviation' or 'cannot_tell') from the
    setting in force `i`, the trip `t` and whatever `joins` adds; `observed` is the number shown.
    """
    in_time = f"coalesce(authorised_s <= departed_s + {p.grace_s}, FALSE)"
    return f"""
    WITH instants AS ({at_departure()}),
    answered AS (
        SELECT i.trip_key, {observed} AS observed, {answer} AS answer
        FROM instants i JOIN delivered.trips t USING (trip_key) {joins}
    ),
    judged AS (
        SELECT w.trip_key, w.departed_s, w.contacts_known,
               {one_answer()} AS plain, count(a.answer) = 0 AS no_instant,
               min(a.observed) AS low, max(a.observed) AS high
        FROM version_trips w LEFT JOIN answered a USING (trip_key)
        GROUP BY ALL
    )
    SELECT trip_key,
           {excused("plain", in_time, "contacts_known")} AS verdict,
           low AS observed_low, high AS observed_high, departed_s AS from_s, departed_s AS until_s,
           CASE WHEN verdict <> plain AND plain = 'borderline'
                    THEN CASE verdict WHEN 'authorised' THEN 'borderline_authorised'
                                      ELSE 'borderline_calls_unknown' END
                WHEN verdict = 'cannot_tell' AND plain <> 'cannot_tell' THEN 'calls_unknown'
                WHEN verdict = 'cannot_tell' AND no_instant THEN 'no_departure'
                ELSE verdict END AS why
    FROM judged LEFT JOIN ({first_authorisation(code)}) USING (trip_key)
    """


def departure_sentences(*, met: str, deviation: str, unknown: str) -> Mapping[str, str]:
    """The answer sentences of a departure rule; `deviation` ends with a full stop."""
    return {
        "met": met,
        "deviation": deviation,
        "authorised": f"{deviation} A call authorised it in time.",
        "borderline": CHANGED,
        "borderline_authorised": f"{CHANGED} A call authorised it in time.",
        "borderline_calls_unknown": f"{CHANGED} Not all calls that may have authorised it are"
        " known.",
        "cannot_tell": unknown,
        "no_departure": "The departure time is missing or outside the review window.",
        "calls_unknown": f"{deviation} Not all calls that may have authorised it are known.",
    }
