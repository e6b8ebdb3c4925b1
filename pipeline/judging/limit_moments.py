"""When each limit was reached, from the verdicts and the timeline of the case trips."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.rules import all_rules
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import SqlParameters, as_sql
from pipeline.store.protocol_versions import VersionInStore
from schemas.connection import Connection
from schemas.rule_parameters import Parameters


def limit_moments(con: Connection, versions: list[VersionInStore]) -> None:
    """Make `case_limit` and `case_stretch` for the trips of `case_trip`; needs `month_verdict`.

    `case_limit`: trip_id, rule, at_s and due, where the limit was reached in known time; `due`:
    what is due then, null where it is no more than reached.
    `case_stretch`: what counts towards a limit of minutes. Either only where the answer is
    neither plain `met` nor `not_applicable`.
    """
    con.execute("""
        CREATE OR REPLACE TEMP TABLE case_limit (
            trip_id VARCHAR, rule VARCHAR, at_s INTEGER, due VARCHAR);
        CREATE OR REPLACE TEMP TABLE case_stretch (
            trip_id VARCHAR, rule VARCHAR, from_s INTEGER, until_s INTEGER, counts BOOLEAN);
        CREATE OR REPLACE TEMP TABLE case_verdict AS
        SELECT v.*, c.protocol_no FROM month_verdict v JOIN case_trip c USING (trip_key)
        WHERE v.verdict NOT IN ('met', 'not_applicable');
    """)
    stretches, moments = list[str](), list[str]()
    for stored in versions:
        for name, parameters in stored.rules.items():
            rule, of = all_rules()[name], f"rule = '{name}' AND protocol_no = {stored.protocol_no}"
            states = rule.stretches(SqlParameters(parameters)) if rule.stretches else rule.states
            if states:
                stretches.append(_stretches(states, of))
            moments += _moments(rule, parameters, of)
    # moments are looked for in the stretches
    for into, selects in ((f"case_stretch {_OF_CASES}", stretches), ("case_limit", moments)):
        if selects:
            con.execute(f"INSERT INTO {into} {' UNION ALL '.join(selects)}")


def _moments(rule: Rule, parameters: Parameters, of: str) -> Iterator[str]:
    """SELECT the moments of one rule of one protocol version; nothing for a rule without."""
    limit_s = round(getattr(parameters, rule.limit) * 60) if rule.limit else 0
    if getattr(parameters, "count", "") == "total":
        yield _added_up(limit_s, of)
        return
    if rule.states or rule.limit_runs_from == "from_s":
        moment, within = f"from_s + {limit_s}", f"from_s + {limit_s} <= until_s"
    elif rule.limit_runs_from == "until_s":
        moment, within = f"until_s + {limit_s}", "TRUE"
    else:
        return
    yield f"""
        SELECT trip_id, rule, ({moment})::INTEGER, {as_sql(rule.due or None)}
        FROM case_verdict
        WHERE {of} AND {within} AND from_s IS NOT NULL AND until_s IS NOT NULL
    """


def _stretches(states: str, of: str) -> str:
    """What counts towards a limit of minutes, or may."""
    return f"""
        SELECT w.trip_id, w.rule, s.from_s, s.until_s, s.in_state
        FROM ({states}) s JOIN case_verdict w USING (trip_key)
        WHERE {of} AND s.in_state IS NOT FALSE
    """


# what the rules' SQL reads, of the case trips
_OF_CASES = """
    WITH version_trips AS (
        SELECT w.* FROM judged.trip_window w SEMI JOIN case_verdict USING (trip_key)),
    version_timeline AS (
        SELECT t.* FROM judged.timeline t SEMI JOIN case_verdict USING (trip_key)),
    timeline_now AS (FROM version_timeline),
    settings_now AS (SELECT s.* FROM delivered.settings s SEMI JOIN case_verdict USING (trip_key)),
    lost_now AS (SELECT l.* FROM delivered.lost l SEMI JOIN case_verdict USING (trip_key))
"""


def _added_up(limit_s: int, of: str) -> str:
    """Where the recorded minutes that count, added up, reach the limit."""
    return f"""
        SELECT trip_id, rule, min(until_s - (so_far_s - {limit_s}))::INTEGER, NULL
        FROM (
            SELECT trip_id, rule, s.until_s,
                   sum(s.until_s - s.from_s) OVER (
                       PARTITION BY trip_id ORDER BY s.from_s) AS so_far_s
            FROM case_stretch s JOIN case_verdict v USING (trip_id, rule)
            WHERE {of} AND s.counts
        )
        WHERE so_far_s >= {limit_s}
        GROUP BY trip_id, rule
    """
