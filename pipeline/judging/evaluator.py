"""From delivered rows to verdicts: the stages in order, over every trip that needs judging.

Stage tables of the run are temporary and end in `_now`; what is worth asking later is kept under
`judged.`, one row set for each trip content that holds at present. Many trips are judged in ranges,
so that what is held does not grow with them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.judging.trips_to_judge import (
    NOTHING_JUDGED,
    READ_BY_RULES,
    Range,
    all_of_them,
    already_judged,
    carry_forward_s,
    forget,
    make_in_force,
    make_unjudged,
    ranges,
    take,
    versions_in_use,
)
from pipeline.judging.versions import versions_in_store
from pipeline.rules import all_rules
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import TRIED, SqlParameters, as_sql
from pipeline.store.database import transaction
from pipeline.store.protocol_versions import VersionInStore
from pipeline.timeline import occlusion_context, occlusions, series, window
from pipeline.timeline.contradictions import charted_twice, contradiction
from schemas.rule_parameters import Parameters

if TYPE_CHECKING:
    import duckdb

OF_STAGES = (
    "trip_window", "timeline", "clock", "occlusion", "occlusion_context", "contradiction",
)  # fmt: skip
KEPT = (*OF_STAGES, "verdict")
"""What is kept under `judged.`: some tables of the stages, and the verdicts."""

FORMER = ("exposure",)
"""What an earlier program kept there."""

Stage = Callable[[str], None]


def judge(con: duckdb.DuckDBPyConnection, stage: Stage = lambda _: None) -> int:
    """Bring `judged.` up to date with what is delivered; returns how many trips were judged.

    Only trips whose content, protocol version or rules changed since they were last judged are
    judged again. Runs in one transaction, or in one for each range where there are more: a kill
    leaves what is kept of each trip as it was, or leaves it to the next call.
    """
    versions = versions_in_store(con)
    with transaction(con):
        _forget_outdated(con, versions)
        make_in_force(con, versions)
        judged = already_judged(con)
        count = make_unjudged(con, judged)
        if judged == NOTHING_JUDGED:
            con.execute(f"CREATE TABLE judged.verdict ({_VERDICT})")
        else:
            _drop_what_no_longer_holds(con)
        first, *others = ranges(con) or [all_of_them(con)]
        if count or judged == NOTHING_JUDGED:
            _judge_range(con, first, versions, stage)
    # what a transaction has dropped goes with its end
    for trips in others:
        with transaction(con):
            _judge_range(con, trips, versions, stage)
    return count


def _judge_range(
    con: duckdb.DuckDBPyConnection, trips: Range, versions: list[VersionInStore], stage: Stage
) -> None:
    take(con, trips)
    _evaluate(con, versions, stage, "judged.verdict")
    stage("keep what was found")
    for table in OF_STAGES:
        con.execute(f"CREATE TABLE IF NOT EXISTS judged.{table} AS FROM {table}_now LIMIT 0")
        con.execute(f"INSERT INTO judged.{table} FROM {table}_now")
    forget(con)


def replay(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    stage: Stage = lambda _: None,
    *,
    months: tuple[str, str] | None = None,
    only: Range | None = None,
) -> int:
    """Judge every trip that holds under `versions` instead of the store's; returns how many.

    Leaves the answers in the temporary table `verdict_now` and keeps nothing: the store may be
    open for reading only. `months`: only trips from the first to the second of them; `only`: of
    these, one of `ranges_of`.
    """
    make_in_force(con, versions, months)
    count = make_unjudged(con)
    take(con, only or all_of_them(con))
    con.execute(f"CREATE TEMP TABLE verdict_now ({_VERDICT})")
    _evaluate(con, versions, stage, "verdict_now")
    return count


def ranges_of(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    months: tuple[str, str] | None = None,
) -> list[Range]:
    """The trips of `months` that `versions` judge, in parts that are not too many at once."""
    make_in_force(con, versions, months)
    make_unjudged(con)
    return ranges(con)


def up_to_date(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore]) -> bool:
    """Whether `judged.` has every trip in force as this program judges it under `versions`."""
    judged = already_judged(con)
    if judged == NOTHING_JUDGED:
        return False
    stored = dict(con.execute("SELECT protocol_no, value FROM judged.fingerprint").fetchall())
    if stored != {version.protocol_no: _fingerprint(version) for version in versions}:
        return False
    make_in_force(con, versions)
    return make_unjudged(con, judged) == 0


def reuse_judged(
    con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], trips: Range
) -> None:
    """As `replay` of one of `ranges_of`, from what `judge` has kept instead of judging again.

    Of the versions' rules. Call after `ranges_of`, with no `replay` since. Right only where the
    store is `up_to_date` under those very versions, or these with some of their rules alone.
    """
    within = take(con, trips)
    asked = [(name, all_rules()[name].sql(p)) for v in versions for name, p in v.rules.items()]
    rules = ", ".join(sorted({as_sql(name) for name, _ in asked})) or "NULL"
    for table in READ_BY_RULES:
        con.execute(f"CREATE TEMP VIEW {table}_now AS FROM judged.{table} {within}")
    con.execute(f"""
        CREATE TEMP TABLE verdict_now AS
        FROM judged.verdict {within} AND rule IN ({rules})""")
    for name, sql in _MADE_ANEW.items():
        if any(name in text for _, text in asked):
            con.execute(sql)


def sql_for_values(
    con: duckdb.DuckDBPyConnection, tried: Mapping[int, Sequence[VersionInStore]]
) -> Iterator[str]:
    """SELECTs that judge the trips of the last `replay` or `reuse_judged` anew.

    Each gives `no`, a key of `tried`, and the columns of `verdict_now`; `tried` may differ from
    the versions replayed in nothing but rules. What one text of SQL asks with several values is
    asked in one go, of every trip with each of them.
    """
    in_use = versions_in_use(con)
    for protocol_no, rule, chosen in tried_by_sql(tried):
        if protocol_no in in_use:
            values, differing = tried_values(rule, chosen)
            first = next(iter(chosen.values()))
            yield f"""
                WITH {_version_tables(protocol_no, in_use)}, {values}
                SELECT {TRIED}.no, answer.*, {protocol_no} AS protocol_no, '{rule.id}' AS rule
                FROM {TRIED}, LATERAL ({rule.sql(first, differing)}) answer
                UNION ALL BY NAME {_NOTHING_OBSERVED}"""


def tried_by_sql(
    tried: Mapping[int, Sequence[VersionInStore]],
) -> Iterator[tuple[int, Rule, dict[int, Parameters]]]:
    """Version, rule, and the parameters by number of `tried`: those one text of SQL asks about."""
    together: dict[tuple[int, str, str], dict[int, Parameters]] = {}
    for no, versions in tried.items():
        for stored in versions:
            for name, parameters in stored.rules.items():
                rule = all_rules()[name]
                asked = (stored.protocol_no, name, rule.sql(parameters, rule.values))
                together.setdefault(asked, {})[no] = parameters
    for (protocol_no, name, _), chosen in together.items():
        yield protocol_no, all_rules()[name], chosen


def tried_values(rule: Rule, chosen: Mapping[int, Parameters]) -> tuple[str, list[str]]:
    """`tried` as a part of WITH: a row for each of `chosen`, its number and values that differ.

    Also the names of these values.
    """
    first = next(iter(chosen.values()))
    differing = [
        n for n in rule.values if any(getattr(p, n) != getattr(first, n) for p in chosen.values())
    ]
    rows = ", ".join(
        f"({', '.join([str(no), *(getattr(SqlParameters(p), name) for name in differing)])})"
        for no, p in chosen.items()
    )
    return f"{TRIED}({', '.join(['no', *differing])}) AS (VALUES {rows})", differing


def _evaluate(
    con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], stage: Stage, verdicts: str
) -> None:
    """Run every stage and rule for the trips taken; answers are added to the table `verdicts`."""
    for name, sql in stages(versions):
        stage(name)
        con.execute(sql)
    in_use = versions_in_use(con)
    for stored in versions:
        for name, parameters in stored.rules.items() if stored.protocol_no in in_use else ():
            stage(f"rule {name}")
            con.execute(f"""
                INSERT INTO {verdicts} BY NAME
                WITH {_version_tables(stored.protocol_no, in_use)}
                SELECT *, {stored.protocol_no} AS protocol_no, '{name}' AS rule
                FROM ({all_rules()[name].sql(parameters)})""")


def stages(versions: list[VersionInStore]) -> Iterator[tuple[str, str]]:
    """The named SQL of every stage before the rules, in order."""
    limited = [
        f for f in series.FIELDS if any(carry_forward_s(v.version, f) is not None for v in versions)
    ]
    yield "charted times", window.charted_times()
    yield "review windows", window.trip_window()
    yield "charted values", series.charted()
    yield "changes of support", series.point(limited)
    yield "timeline", series.timeline()
    yield "clocks", occlusions.clock()
    yield "logged occlusions", occlusions.logged_occlusions()
    yield "occlusions", occlusions.occlusion()
    yield from occlusion_context.stages(_cutoff_limits(versions))
    yield "seconds charted twice", charted_twice()
    yield "contradictions", contradiction()
    yield "occlusions of open trips", occlusions.occlusion_if_open()


def _cutoff_limits(versions: Sequence[VersionInStore]) -> str:
    """Protocol_no, longest_limit_s and fails_at_limit of the versions that limit a cut-off."""
    rows = []
    for stored in versions:
        for name, parameters in stored.rules.items():
            p, limit = SqlParameters(parameters), all_rules()[name].cutoff_limit
            if limit:
                rows.append(f"({stored.protocol_no}, {getattr(p, limit)}, {p.at_limit == 'fail'})")
    if not rows:
        return "SELECT NULL::INTEGER, NULL::DOUBLE, NULL::BOOLEAN WHERE FALSE"
    return f"VALUES {', '.join(rows)}"


def _version_tables(protocol_no: int, in_use: set[int]) -> str:
    """What rules read of the trips of one version; all of them where no other is in use."""
    if len(in_use) == 1:
        return "version_trips AS (FROM trip_window_now), version_timeline AS (FROM timeline_now)"
    return f"""
    version_trips AS (SELECT * FROM trip_window_now WHERE protocol_no = {protocol_no}),
    version_timeline AS (
        SELECT t.* FROM timeline_now t SEMI JOIN version_trips USING (trip_key)
    )"""


def _fingerprint(stored: VersionInStore) -> str:
    """Changes whenever this program would judge a trip of the version otherwise."""
    parts = [sql for _, sql in stages([stored])]
    for name, parameters in stored.rules.items():
        parts += [name, all_rules()[name].sql(parameters), parameters.model_dump_json()]
    return hashlib.sha256("\x00".join(parts).encode()).hexdigest()


def _forget_outdated(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore]) -> None:
    """Drop every verdict where the program's own rules have changed since it was reached."""
    con.execute("CREATE SCHEMA IF NOT EXISTS judged")
    con.execute(
        "CREATE TABLE IF NOT EXISTS judged.fingerprint (protocol_no INTEGER, value VARCHAR)"
    )
    before = dict(con.execute("SELECT protocol_no, value FROM judged.fingerprint").fetchall())
    now = {stored.protocol_no: _fingerprint(stored) for stored in versions}
    if any(now.get(no) != value for no, value in before.items()):
        for table in (*KEPT, *FORMER):
            con.execute(f"DROP TABLE IF EXISTS judged.{table}")
    con.execute("DELETE FROM judged.fingerprint")
    if now:
        con.executemany("INSERT INTO judged.fingerprint VALUES (?, ?)", sorted(now.items()))


def _drop_what_no_longer_holds(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what is kept of trips that are judged now, or do not hold any more."""
    con.execute("""
        CREATE OR REPLACE TEMP TABLE outdated AS
        SELECT trip_key FROM judged.trip_window
        ANTI JOIN (FROM in_force ANTI JOIN unjudged USING (trip_key)) USING (trip_key)""")
    if con.execute("FROM outdated LIMIT 1").fetchone():
        for table in KEPT:
            con.execute(f"DELETE FROM judged.{table} WHERE trip_key IN (FROM outdated)")


_VERDICT = """
    trip_key INTEGER, protocol_no INTEGER, rule VARCHAR, verdict VARCHAR,
    observed_low DOUBLE, observed_high DOUBLE, from_s INTEGER, until_s INTEGER, why VARCHAR
"""

# a rule that measures nothing answers without these
_NOTHING_OBSERVED = """
    SELECT NULL::DOUBLE AS observed_low, NULL::DOUBLE AS observed_high,
           NULL::INTEGER AS from_s, NULL::INTEGER AS until_s WHERE FALSE"""

# what rules read that is not kept
_MADE_ANEW = {
    "charted_times_now": window.charted_times(),
    "occlusion_if_open_now": f"{occlusions.logged_occlusions()}; {occlusions.occlusion_if_open()}",
    "charted_now": series.charted(),
}
