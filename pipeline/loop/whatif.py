"""History judged under other limits, without touching the store: what would have been flagged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem, Usage
from pipeline.judge import (
    VersionInStore,
    recall,
    replay,
    replay_rules,
    up_to_date,
    versions_in_store,
)
from pipeline.loop.settings import Setting, shown, under
from pipeline.store import one

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from pipeline.rules.rule import Parameters

MAIN_LIMITS = (
    "wall-oxygen-time.limit_min", "unheated-time.limit_min", "source-choice.flow_limit_lpm",
    "source-choice.transit_limit_min", "cannula-flow-range.limit_min",
)  # fmt: skip
"""The limits whose curves a director sees."""

FACTORS = (0.6, 0.8, 0.9, 1.0, 1.1, 1.2, 1.5)
WINDOW_MONTHS = 12

WALL, CHOICE = "wall-oxygen-time", "source-choice"
ASK_FOR_BLENDED = (WALL, CHOICE)
"""Rules that a trip keeps by being on the ventilator or another blended source."""


@dataclass(frozen=True)
class WhatIfResult:
    """`curve` has a row for each value and rule it bears on, `changes` one for each verdict.

    Frames follow `schemas.loop_outputs.WhatIf` and `WhatIfChanges`.
    """

    curve: pd.DataFrame
    changes: pd.DataFrame


def what_if(
    con: duckdb.DuckDBPyConnection,
    settings: Sequence[Setting],
    months: tuple[str, str] | None = None,
) -> WhatIfResult:
    """Judge the trips of `months`, or all, anew under each value of `settings`.

    Settings with one value hold throughout; at most one has several. The store may be open for
    reading only. Usage if no version in force judges a rule that is to be set.
    """
    versions = versions_in_store(con)
    rules = {setting.rule for setting in settings}
    kept = versions if None in rules else [_only(v, {r for r in rules if r}) for v in versions]
    _check_judged(kept, settings)
    if None not in rules and up_to_date(con, versions):
        recall(con, versions, months)
        con.execute(
            "DELETE FROM verdict_now WHERE NOT list_contains(?, rule)", [[r for r in rules if r]]
        )
        _keep_as(con, kept, "before")
    else:
        _replay(con, kept, "before", months, staged=False)
    return _tried(con, kept, settings, months, rules)


def main_curves(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Curves of the main limits over the twelve months to `month`; rows as `what_if` gives.

    Each limit is tried at parts and multiples of what the version in force in `month` has; a
    rule that is not judged is left out. The store must be as `judge` left it: what it kept is
    taken, and only rules are judged, those that do not share a limit in one go.
    """
    import pandas as pd

    versions = [v for v in versions_in_store(con) if v.version.from_month <= month]
    judged = versions[-1].rules if versions else {}
    values = _main_values(judged)
    if not values:
        return _columns(pd.DataFrame(), "what_if")
    recall(con, versions, (_earlier(month), month))
    _keep_as(con, versions, "all")
    curves: dict[str, list[pd.DataFrame]] = {name: [] for name in values}
    for together in _one_of_each_rule(list(values)):
        alone = [_only(v, set(together)) for v in versions]
        for name in ("verdict", "asked"):
            con.execute(
                f"CREATE OR REPLACE TEMP TABLE {name}_before AS"
                f" FROM {name}_all WHERE list_contains(?, rule)",
                [list(together)],
            )
        for step in range(max(len(values[name]) for name in together.values())):
            now = {r: (n, values[n][step]) for r, n in together.items() if step < len(values[n])}
            for name, rows in _curves_at(con, alone, now).items():
                curves[name].append(rows)
    found = [rows for of_limit in curves.values() for rows in of_limit]
    return _columns(pd.concat(found, ignore_index=True), "what_if")


def _main_values(judged: Mapping[str, Parameters]) -> dict[str, tuple[float, ...]]:
    """The values to try of every main limit that is judged."""
    values = {}
    for name in MAIN_LIMITS:
        rule, _, parameter = name.partition(".")
        if rule in judged:
            now = float(getattr(judged[rule], parameter))
            values[name] = tuple(dict.fromkeys(round(now * factor, 1) for factor in FACTORS))
    return values


def _one_of_each_rule(limits: list[str]) -> list[dict[str, str]]:
    """The limits in as few groups as may be, each with at most one of a rule, by rule."""
    groups: list[dict[str, str]] = []
    for name in limits:
        rule = name.partition(".")[0]
        free = next((group for group in groups if rule not in group), None)
        if free is None:
            groups.append(free := {})
        free[rule] = name
    return groups


def _curves_at(
    con: duckdb.DuckDBPyConnection,
    kept: list[VersionInStore],
    now: Mapping[str, tuple[str, float]],
) -> dict[str, pd.DataFrame]:
    """One value of each rule's limit, judged together: a row of its curve by the limit's name."""
    changed = under(kept, list(now.values()))
    trips = _after(con, kept, changed, staged=True)
    curve = _curve(con)
    rows = {}
    for rule, (name, value) in now.items():
        alone = [[_only(v, {rule}) for v in versions] for versions in (kept, changed)]
        labels: dict[str, Any] = {
            "setting": name, "value": shown(value), "trips": trips,
            "current": all(b.rules == a.rules for b, a in zip(*alone, strict=True)),
        }  # fmt: skip
        rows[name] = curve[curve["rule"] == rule].assign(**labels)
    return rows


def _tried(
    con: duckdb.DuckDBPyConnection,
    kept: list[VersionInStore],
    settings: Sequence[Setting],
    months: tuple[str, str] | None,
    rules: set[str | None],
) -> WhatIfResult:
    """Judge by each value, and hold it against `verdict_before` and `asked_before`."""
    import pandas as pd

    moved = next((s for s in settings if len(s.values) > 1), settings[0])
    fixed = [(s.name, s.values[0]) for s in settings if s is not moved]
    curves, changes = [], []
    for value, changed in [(v, under(kept, [*fixed, (moved.name, v)])) for v in moved.values]:
        trips = _after(con, kept, changed, months, staged=None not in rules)
        words = "; ".join([*(f"{name}={shown(v)}" for name, v in fixed), shown(value)])
        labels: dict[str, Any] = {"setting": moved.name, "value": words,
                                  "current": _same(kept, changed), "trips": trips}  # fmt: skip
        curves.append(_curve(con).assign(**labels))
        changes.append(con.execute(_CHANGES).df().assign(**labels))
    return WhatIfResult(
        _columns(pd.concat(curves, ignore_index=True), "what_if"),
        _columns(pd.concat(changes, ignore_index=True), "what_if_changes"),
    )


def _after(
    con: duckdb.DuckDBPyConnection,
    kept: list[VersionInStore],
    changed: list[VersionInStore],
    months: tuple[str, str] | None = None,
    *,
    staged: bool,
) -> int:
    """Make `verdict_after` and `asked_after`; what changes nothing is not judged again."""
    if not _same(kept, changed):
        return _replay(con, changed, "after", months, staged=staged)
    for name in ("verdict", "asked"):
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name}_after AS FROM {name}_before")
    return _trips(con)


def _earlier(month: str) -> str:
    number = int(month[:4]) * 12 + int(month[5:]) - 1 - (WINDOW_MONTHS - 1)
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def _only(kept: VersionInStore, rules: set[str]) -> VersionInStore:
    """The version with these rules alone: no verdict rests on another rule's parameters."""
    return replace(kept, rules={n: p for n, p in kept.rules.items() if n in rules})


def _check_judged(versions: list[VersionInStore], settings: Sequence[Setting]) -> None:
    for setting in settings:
        if setting.rule and not any(setting.rule in kept.rules for kept in versions):
            what = f"no protocol version of this store judges {setting.rule}"
            remedy = "Turn it on in the protocol file first."
            raise Usage(Problem(None, None, "--set", "toml-content", what, remedy))


def _same(before: list[VersionInStore], after: list[VersionInStore]) -> bool:
    return all(
        b.rules == a.rules and b.version.model_copy(update={"rules": a.version.rules}) == a.version
        for b, a in zip(before, after, strict=True)
    )


def _replay(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    name: str,
    months: tuple[str, str] | None,
    *,
    staged: bool,
) -> int:
    """Make `verdict_<name>` and `asked_<name>`; returns how many trips were judged."""
    if staged:
        replay_rules(con, versions)
    else:
        replay(con, versions, months=months)
    _keep_as(con, versions, name)
    return _trips(con)


def _keep_as(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], name: str) -> None:
    con.execute(f"CREATE OR REPLACE TEMP TABLE verdict_{name} AS FROM verdict_now")
    _asked(con, versions, name)


def _trips(con: duckdb.DuckDBPyConnection) -> int:
    return int(one(con, "SELECT count(*) FROM to_judge")[0])


def _asked(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], name: str) -> None:
    """Make `asked_<name>`: trips that a rule surely wants on a blended source, and for how long.

    Past the limit of undiluted oxygen, the minutes over it; where the source at departure is not
    the one asked for, the minutes from departure on another known one.
    """
    con.execute("""
        CREATE OR REPLACE TEMP TABLE asking (
            protocol_no INTEGER, limit_min DOUBLE, satisfied_by VARCHAR[])""")
    for kept in versions:
        limit = getattr(kept.rules.get(WALL), "limit_min", None)
        blended = getattr(kept.rules.get(CHOICE), "satisfied_by", None)
        con.execute("INSERT INTO asking VALUES (?, ?, ?)", [kept.protocol_no, limit, blended])
    con.execute(_ASKED.format(name=name))


def _curve(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    frame = con.execute(_CURVE).df()
    asks = frame["rule"].isin(ASK_FOR_BLENDED)
    for column in ("extra_ventilator_trips", "extra_ventilator_minutes"):
        frame[column] = frame[column].where(asks)
    return frame


def _columns(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    from schemas.loop_outputs import LOOP_OUTPUTS

    return frame.reindex(columns=list(LOOP_OUTPUTS[name].to_schema().columns))


_ASKED = f"""
    CREATE OR REPLACE TEMP TABLE asked_{{name}} AS
    SELECT v.trip_key, v.rule, v.observed_low - a.limit_min AS minutes
    FROM verdict_now v JOIN asking a USING (protocol_no)
    WHERE v.rule = '{WALL}' AND v.verdict = 'deviation'
    UNION ALL
    SELECT v.trip_key, v.rule,
           coalesce(sum(l.until_s - greatest(l.from_s, t.departed_s)) / 60.0, 0)
    FROM verdict_now v
    JOIN asking a USING (protocol_no)
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN timeline_now l ON l.trip_key = v.trip_key AND l.until_s > t.departed_s
        AND l.source IS NOT NULL AND NOT list_contains(a.satisfied_by, l.source)
    WHERE v.rule = '{CHOICE}' AND v.verdict = 'deviation'
    GROUP BY v.trip_key, v.rule
"""

_CURVE = """
    WITH both_verdicts AS (
        SELECT rule, b.verdict AS was, n.verdict AS becomes
        FROM verdict_before b FULL JOIN verdict_after n USING (trip_key, rule)
    ),
    asked AS (
        SELECT rule, sum(sign) AS trips, sum(sign * minutes) AS minutes
        FROM (SELECT *, 1 AS sign FROM asked_after UNION ALL SELECT *, -1 FROM asked_before)
        GROUP BY rule
    )
    SELECT rule,
           count(*) FILTER (becomes = 'met')::INTEGER AS met,
           count(*) FILTER (becomes = 'authorised')::INTEGER AS authorised,
           count(*) FILTER (becomes = 'borderline')::INTEGER AS borderline,
           count(*) FILTER (becomes = 'cannot_tell')::INTEGER AS cannot_tell,
           count(*) FILTER (becomes = 'deviation')::INTEGER AS deviation,
           count(*) FILTER (becomes = 'not_applicable')::INTEGER AS not_applicable,
           count(*) FILTER (was IS DISTINCT FROM becomes)::INTEGER AS changed,
           count(*) FILTER (becomes = 'deviation' AND was IS DISTINCT FROM becomes)::INTEGER
               AS to_deviation,
           count(*) FILTER (was = 'deviation' AND was IS DISTINCT FROM becomes)::INTEGER
               AS from_deviation,
           coalesce(any_value(a.trips), 0)::INTEGER AS extra_ventilator_trips,
           round(coalesce(any_value(a.minutes), 0), 1) AS extra_ventilator_minutes
    FROM both_verdicts LEFT JOIN asked a USING (rule)
    GROUP BY rule ORDER BY rule
"""

_CHANGES = """
    SELECT t.trip_id, t.service_month AS month, rule, b.verdict AS was, n.verdict AS becomes
    FROM verdict_before b FULL JOIN verdict_after n USING (trip_key, rule)
    JOIN delivered.trips t USING (trip_key)
    WHERE b.verdict IS DISTINCT FROM n.verdict ORDER BY rule, was, becomes, t.trip_id
"""
