"""History judged under other limits, without touching the store: what would have been flagged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pipeline.errors import usage
from pipeline.judging.evaluator import (
    ranges_of,
    replay,
    reuse_judged,
    sql_for_values,
    tried_by_sql,
    tried_values,
    up_to_date,
)
from pipeline.judging.trips_to_judge import Range
from pipeline.judging.versions import versions_in_store
from pipeline.judging.whatif_settings import Setting, shown, versions_with
from pipeline.rules import all_rules
from pipeline.rules.sql_parameters import TRIED, SqlParameters, as_sql
from pipeline.store.database import one
from pipeline.store.protocol_versions import VersionInStore
from schemas.connection import Connection
from schemas.months import later
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.frame import Frame

FACTORS = (0.6, 0.8, 0.9, 1.0, 1.1, 1.2, 1.5)
WINDOW_MONTHS = 12

Row = dict[str, Any]

BEFORE = -1
"""The number of what the protocol says; values that are tried count from 0."""


@dataclass(frozen=True)
class _Tried:
    """A value of a setting under its number; `current`: it changes nothing."""

    no: int
    setting: str
    value: str
    versions: list[VersionInStore]
    current: bool


@dataclass(frozen=True)
class WhatIfResult:
    """`curve` has a row for each value and rule it bears on, `changes` one for each verdict.

    Frames follow `schemas.followup_outputs.WhatIf` and `WhatIfChanges`; rows have their columns,
    for a caller that would import pandas for nothing else.
    """

    curve_rows: list[Row]
    change_rows: list[Row]

    @property
    def curve(self) -> Frame:
        """The rows of values."""
        return _frame(self.curve_rows, "what_if")

    @property
    def changes(self) -> Frame:
        """The rows of verdicts."""
        return _frame(self.change_rows, "what_if_changes")


def what_if(
    con: Connection, settings: Sequence[Setting], months: tuple[str, str] | None = None
) -> WhatIfResult:
    """Judge the trips of `months`, or all, anew under each value of `settings`.

    Settings with one value hold throughout; at most one has several. The store may be open for
    reading only. Usage if no version in force judges a rule that is to be set.
    """
    versions = versions_in_store(con)
    rules = {setting.rule for setting in settings}
    current = (
        versions if None in rules else [_with_only(v, {r for r in rules if r}) for v in versions]
    )
    _check_judged(current, settings)
    rules_alone = None not in rules
    kept = rules_alone and up_to_date(con, versions)
    varied = next((s for s in settings if len(s.values) > 1), settings[0])
    fixed = [(s.name, s.values[0]) for s in settings if s is not varied]
    fixed_words = "".join(f"{name}={shown(value)}; " for name, value in fixed)
    tried = [
        _tried_value(no, current, [*fixed, (varied.name, value)], fixed_words)
        for no, value in enumerate(varied.values)
    ]
    con.execute(_BEGIN)
    for trips in ranges_of(con, current, months):
        if kept:
            reuse_judged(con, current, trips)
        else:
            replay(con, current, months=months, only=trips)
        _compare_with_these(con)
        if rules_alone:
            _judge_at_once(con, current, tried)
        else:
            _record_asked(con, {BEFORE: current})
            _judge_in_turn(con, tried, months, trips)
        _no_longer_judged(con, current, tried)
    return WhatIfResult(_labelled(con, _curves(), tried), _labelled(con, _CHANGES, tried))


def main_curves(con: Connection, month: str) -> Frame:
    """Curves of the main limits over the twelve months to `month`; rows as `what_if` gives.

    Each limit is tried at parts and multiples of what the version in force in `month` has; a
    rule that is not judged is left out. The store must be as `judge` left it: what it kept is
    taken, and only these rules are judged, each under all its values in one go.
    """
    versions = [v for v in versions_in_store(con) if v.version.from_month <= month]
    values = [(n, v) for n, tried in _main_values(versions[-1:]).items() for v in tried]
    if not values:
        return _frame([], "what_if")
    alone = {r: [_with_only(v, {r}) for v in versions] for r in {_rule(name) for name, _ in values}}
    tried = [
        _tried_value(no, alone[_rule(name)], [(name, value)])
        for no, (name, value) in enumerate(values)
    ]
    current = [_with_only(v, set(alone)) for v in versions]
    months = (later(month, 1 - WINDOW_MONTHS), month)
    con.execute(_BEGIN)
    for trips in ranges_of(con, current, months):
        reuse_judged(con, current, trips)
        _compare_with_these(con)
        _judge_at_once(con, current, tried)
    rows = _labelled(con, _curves(), tried)
    return _frame([row for row in rows if row["rule"] == _rule(row["setting"])], "what_if")


def _main_values(versions: Sequence[VersionInStore]) -> dict[str, tuple[float, ...]]:
    """The values to try of every limit with a curve, in the order of the page."""
    values = {}
    for stored in versions:
        for rule in sorted(stored.rules, key=lambda name: (all_rules()[name].curves_place, name)):
            for limit in all_rules()[rule].curves:
                now = float(getattr(stored.rules[rule], limit))
                tried = dict.fromkeys(round(now * factor, 1) for factor in FACTORS)
                values[f"{rule}.{limit}"] = tuple(tried)
    return values


def _rule(setting: str) -> str:
    return setting.partition(".")[0]


def _tried_value(
    no: int, current: list[VersionInStore], chosen: Sequence[tuple[str, Any]], fixed_words: str = ""
) -> _Tried:
    """The last of `chosen` as the setting that is tried; `fixed_words` says the others in words."""
    name, value = chosen[-1]
    changed = versions_with(current, chosen)
    return _Tried(no, name, f"{fixed_words}{shown(value)}", changed, _same(current, changed))


def _compare_with_these(con: Connection) -> None:
    """Make `verdict_before` of what was just replayed or recalled, and add it to what is compared.

    That is `verdict_tried`, with each variance of before under the number BEFORE, and of each value
    tried the variances and the verdicts that are not what they were; `count_before` has how many
    of each verdict there were.
    """
    con.execute("DROP TABLE IF EXISTS temp.verdict_before")
    con.execute("ALTER TABLE temp.verdict_now RENAME TO verdict_before")
    con.execute(f"""
        INSERT INTO count_before SELECT rule, verdict, count(*) FROM verdict_before GROUP BY ALL;
        INSERT INTO verdict_tried
        SELECT {BEFORE}, trip_key, protocol_no, rule, verdict, verdict, observed_low
        FROM verdict_before WHERE verdict = 'deviation'""")


def _judge_at_once(con: Connection, current: list[VersionInStore], tried: Sequence[_Tried]) -> None:
    """Judge under every value that changes a rule; what comes before the rules stays."""
    new = {t.no: t.versions for t in tried if not t.current}
    for sql in sql_for_values(con, new):
        con.execute(_TRIED.format(verdicts=sql))
    _record_asked(con, {BEFORE: current, **new})


def _judge_in_turn(
    con: Connection, tried: Sequence[_Tried], months: tuple[str, str] | None, trips: Range
) -> None:
    """Likewise where the timeline changes, too: the trips of `months` anew for each value."""
    for t in tried:
        if not t.current:
            replay(con, t.versions, months=months, only=trips)
            con.execute(_TRIED.format(verdicts=f"SELECT {t.no} AS no, * FROM verdict_now"))
            _record_asked(con, {t.no: t.versions})


def _no_longer_judged(
    con: Connection, current: list[VersionInStore], tried: Sequence[_Tried]
) -> None:
    """Where a value turns a rule off, its verdicts become none."""
    for t in tried:
        for before, after in zip(current, t.versions, strict=True):
            gone = sorted(before.rules.keys() - after.rules.keys())
            if gone:
                con.execute(_GONE, {"no": t.no, "version": before.protocol_no, "rules": gone})


def _labelled(con: Connection, sql: str, tried: Sequence[_Tried]) -> list[Row]:
    """The rows that `sql` has for each value, in the values' order, with what the value is."""
    con.execute(
        """CREATE OR REPLACE TEMP TABLE value_tried AS
           SELECT unnest(?::INTEGER[]) AS no, unnest(?::BOOLEAN[]) AS current""",
        [[t.no for t in tried], [t.current for t in tried]],
    )
    (trips,) = one(con, "SELECT count(*) FROM unjudged")
    found = con.execute(sql)
    names = [name for name, *_ in found.description]
    labels = {
        t.no: {"setting": t.setting, "value": t.value, "current": t.current, "trips": trips}
        for t in tried
    }
    return [labels[row[0]] | dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _with_only(stored: VersionInStore, rules: set[str]) -> VersionInStore:
    """The version with these rules alone: no verdict rests on another rule's parameters."""
    return replace(stored, rules={n: p for n, p in stored.rules.items() if n in rules})


def _check_judged(versions: list[VersionInStore], settings: Sequence[Setting]) -> None:
    for setting in settings:
        if setting.rule and not any(setting.rule in stored.rules for stored in versions):
            what = f"no protocol version of this store judges {setting.rule}"
            remedy = "Turn it on in the protocol file first."
            raise usage("toml-content", "--set", what, remedy=remedy)


def _same(before: list[VersionInStore], after: list[VersionInStore]) -> bool:
    return all(
        b.rules == a.rules and b.version.model_copy(update={"rules": a.version.rules}) == a.version
        for b, a in zip(before, after, strict=True)
    )


def _record_asked(con: Connection, tried: Mapping[int, Sequence[VersionInStore]]) -> None:
    """Fill `asked_tried`: trips that a rule surely wants on a blended source, and for how long."""
    for protocol_no, rule, chosen in tried_by_sql(tried):
        if rule.blended_minutes:
            values, varied = tried_values(rule, chosen)
            minutes = rule.blended_minutes(SqlParameters(next(iter(chosen.values())), varied))
            con.execute(f"""
                INSERT INTO asked_tried BY NAME
                WITH {values}
                SELECT {TRIED}.no, '{rule.id}' AS rule, asked.trip_key, asked.minutes
                FROM {TRIED}, LATERAL (
                    WITH variances AS (
                        SELECT trip_key, observed_low
                        FROM verdict_tried SEMI JOIN to_judge USING (trip_key)
                        WHERE no = {TRIED}.no AND protocol_no = {protocol_no}
                          AND rule = '{rule.id}' AND becomes = 'deviation'
                    )
                    {minutes}
                ) asked""")


def _frame(rows: list[Row], name: str) -> Frame:
    """The declared columns; whole numbers are such, whether or not any of them is missing."""
    from schemas.followup_outputs import FOLLOWUP_OUTPUTS
    from schemas.frame import Frame

    return Frame.declared(rows, FOLLOWUP_OUTPUTS[name].to_schema().columns)


_BEGIN = """
    CREATE OR REPLACE TEMP TABLE count_before (rule VARCHAR, verdict VARCHAR, trips BIGINT);
    CREATE OR REPLACE TEMP TABLE verdict_tried (
        no INTEGER, trip_key INTEGER, protocol_no INTEGER, rule VARCHAR, was VARCHAR,
        becomes VARCHAR, observed_low DOUBLE);
    CREATE OR REPLACE TEMP TABLE asked_tried (
        no INTEGER, trip_key INTEGER, rule VARCHAR, minutes DOUBLE)
"""

_TRIED = """
    INSERT INTO verdict_tried
    SELECT n.no, n.trip_key, n.protocol_no, n.rule, b.verdict, n.verdict, n.observed_low
    FROM ({verdicts}) n JOIN verdict_before b ON b.trip_key = n.trip_key AND b.rule = n.rule
    WHERE n.verdict = 'deviation' OR n.verdict <> b.verdict
"""

_GONE = """
    INSERT INTO verdict_tried
    SELECT $no, trip_key, protocol_no, rule, verdict, NULL, NULL
    FROM verdict_before WHERE protocol_no = $version AND list_contains($rules, rule)
"""

_VERDICTS = ("met", "authorised", "borderline", "cannot_tell", "deviation", "not_applicable")
_COUNTS = ", ".join(
    f"coalesce(sum(trips) FILTER (verdict = '{v}'), 0)::INTEGER AS {v}" for v in _VERDICTS
)


def _curves() -> str:
    """The counts of each value and rule: those of before, but for what changed."""
    asks = (
        f"list_contains({as_sql([r.id for r in all_rules().values() if r.blended_minutes])}, rule)"
    )
    return f"""
    WITH changed AS (FROM verdict_tried WHERE was IS DISTINCT FROM becomes),
    counted AS (
        SELECT no, rule, verdict, trips FROM value_tried
        CROSS JOIN count_before
        UNION ALL SELECT no, rule, becomes, 1 FROM changed
        UNION ALL SELECT no, rule, was, -1 FROM changed
    ),
    moved AS (
        SELECT no, rule, count(*) AS changed,
               count(*) FILTER (becomes = 'deviation') AS to_deviation,
               count(*) FILTER (was = 'deviation') AS from_deviation
        FROM changed GROUP BY no, rule
    ),
    asked AS (
        SELECT no, rule, sum(sign) AS trips,
               -- in order, so that the sum does not depend on the number of threads
               sum(sign * minutes ORDER BY sign DESC, trip_key) AS minutes
        FROM (SELECT *, 1 AS sign FROM asked_tried WHERE no <> {BEFORE}
              UNION ALL
              SELECT v.no, a.trip_key, a.rule, a.minutes, -1
              FROM asked_tried a CROSS JOIN value_tried v WHERE a.no = {BEFORE} AND NOT v.current)
        GROUP BY no, rule
    )
    SELECT t.*, coalesce(m.changed, 0)::INTEGER AS changed,
           coalesce(m.to_deviation, 0)::INTEGER AS to_deviation,
           coalesce(m.from_deviation, 0)::INTEGER AS from_deviation,
           CASE WHEN {asks}
                THEN coalesce(a.trips, 0)::INTEGER END AS extra_ventilator_trips,
           CASE WHEN {asks}
                THEN round(coalesce(a.minutes, 0), 1) END AS extra_ventilator_minutes
    FROM (SELECT no, rule, {_COUNTS} FROM counted GROUP BY no, rule) t
    LEFT JOIN moved m USING (no, rule)
    LEFT JOIN asked a USING (no, rule)
    ORDER BY no, rule
    """


_CHANGES = """
    SELECT v.no, t.trip_id, t.service_month AS month, v.rule, v.was, v.becomes
    FROM verdict_tried v JOIN delivered.trips t USING (trip_key)
    WHERE v.was IS DISTINCT FROM v.becomes ORDER BY no, rule, was, becomes, t.trip_id
"""
