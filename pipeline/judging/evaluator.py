"""From delivered rows to verdicts: the stages in order, over every trip that needs judging.

Stage tables of the run are temporary and end in `_now`; what is worth asking later is kept under
`judged.`, one row set for each trip content that holds at present.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.judging.versions import versions_in_store
from pipeline.rules import all_rules
from pipeline.rules.rule import Rule
from pipeline.rules.sql_parameters import TRIED, SqlParameters
from pipeline.store.database import one, transaction
from pipeline.store.protocol_versions import VersionInStore
from pipeline.timeline import occlusion_context, occlusions, series, window
from pipeline.timeline.contradictions import contradiction
from schemas.rule_parameters import Parameters

if TYPE_CHECKING:
    import duckdb

    from schemas.protocol import ProtocolVersion

KEPT = (
    "trip_window", "timeline", "exposure", "clock", "occlusion", "occlusion_context",
    "contradiction", "verdict",
)  # fmt: skip
"""Stage tables kept under `judged.` after a run."""

READ_BY_RULES = ("trip_window", "timeline", "clock", "occlusion")
"""Those that rules read."""

Stage = Callable[[str], None]


def judge(con: duckdb.DuckDBPyConnection, stage: Stage = lambda _: None) -> int:
    """Bring `judged.` up to date with what is delivered; returns how many trips were judged.

    Only trips whose content, protocol version or rules changed since they were last judged are
    judged again. Runs in one transaction: a kill leaves the verdicts as they were.
    """
    versions = versions_in_store(con)
    with transaction(con):
        _forget_outdated(con, versions)
        _make_in_force(con, versions)
        count = _to_judge(con, _already_judged(con))
        if count or _already_judged(con) == _NOTHING_JUDGED:
            _evaluate(con, versions, stage)
        stage("keep verdicts")
        _keep(con)
    return count


def replay(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    stage: Stage = lambda _: None,
    *,
    months: tuple[str, str] | None = None,
) -> int:
    """Judge every trip that holds under `versions` instead of the store's; returns how many.

    Leaves the answers in the temporary table `verdict_now` and keeps nothing: the store may be
    open for reading only. `months`: only trips from the first to the second of them.
    """
    _make_in_force(con, versions)
    if months:
        con.execute("DELETE FROM in_force WHERE service_month NOT BETWEEN ? AND ?", list(months))
    count = _to_judge(con, _NOTHING_JUDGED)
    _evaluate(con, versions, stage)
    return count


def up_to_date(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore]) -> bool:
    """Whether `judged.` has every trip in force as this program judges it under `versions`."""
    judged = _already_judged(con)
    if judged == _NOTHING_JUDGED:
        return False
    stored = dict(con.execute("SELECT protocol_no, value FROM judged.fingerprint").fetchall())
    if stored != {version.protocol_no: _fingerprint(version) for version in versions}:
        return False
    _make_in_force(con, versions)
    return _to_judge(con, judged) == 0


def reuse_judged(
    con: duckdb.DuckDBPyConnection,
    versions: list[VersionInStore],
    months: tuple[str, str] | None = None,
) -> None:
    """As `replay`, from what `judge` has kept instead of judging again, of the versions' rules.

    Right only where the store is `up_to_date` under those very versions, or these with some of
    their rules alone.
    """
    _make_in_force(con, versions)
    if months:
        con.execute("DELETE FROM in_force WHERE service_month NOT BETWEEN ? AND ?", list(months))
    _to_judge(con, _NOTHING_JUDGED)
    rules = [(stored, name) for stored in versions for name in stored.rules]
    for table in READ_BY_RULES:
        con.execute(f"""
            CREATE OR REPLACE TEMP TABLE {table}_now AS
            FROM judged.{table} SEMI JOIN to_judge USING (trip_key)""")
    con.execute(
        """CREATE OR REPLACE TEMP TABLE verdict_now AS
           SELECT v.* FROM judged.verdict v SEMI JOIN to_judge USING (trip_key)
           WHERE list_contains(?, v.rule)""",
        [sorted({name for _, name in rules})],
    )
    open_trips = (occlusions.logged_occlusions(), occlusions.occlusion_if_open())
    for sql in (_LOST, _CONTACTS, *open_trips):
        con.execute(sql)
    if any("charted_now" in all_rules()[name].sql(stored.rules[name]) for stored, name in rules):
        con.execute(series.charted())


def sql_for_values(
    con: duckdb.DuckDBPyConnection, tried: Mapping[int, Sequence[VersionInStore]]
) -> Iterator[str]:
    """SELECTs that judge the trips of the last `replay` or `reuse_judged` anew.

    Each gives `no`, a key of `tried`, and the columns of `verdict_now`; `tried` may differ from
    the versions replayed in nothing but rules. What one text of SQL asks with several values is
    asked in one go, of every trip with each of them.
    """
    in_use = _versions_in_use(con)
    for protocol_no, rule, chosen in tried_by_sql(tried):
        if protocol_no in in_use:
            values, differing = tried_values(rule, chosen)
            first = next(iter(chosen.values()))
            yield f"""
                WITH {_version_tables(protocol_no)}, {values}
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


def _evaluate(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], stage: Stage) -> None:
    for name, sql in stages(versions):
        stage(name)
        con.execute(sql)
    _judge_rules(con, versions, stage)


def stages(versions: list[VersionInStore]) -> Iterator[tuple[str, str]]:
    """The named SQL of every stage before the rules, in order."""
    limited = [
        f for f in series.FIELDS if any(carry_forward_s(v.version, f) is not None for v in versions)
    ]
    yield "lost rows", _LOST
    yield "calls", _CONTACTS
    yield "review windows", window.trip_window()
    yield "charted values", series.charted()
    yield "changes of support", series.point(limited)
    yield "timeline", series.timeline()
    yield "exposure", series.exposure()
    yield "clocks", occlusions.clock()
    yield "logged occlusions", occlusions.logged_occlusions()
    yield "occlusions", occlusions.occlusion()
    yield from occlusion_context.stages(_cutoff_limits(versions))
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


def carry_forward_s(version: ProtocolVersion, field: str) -> int | None:
    """How long a charted value of `field` is taken to hold; None where until it is changed."""
    minutes = getattr(version.carry_forward_min, field)
    return None if minutes == "until_changed" else round(minutes * 60)


def _judge_rules(
    con: duckdb.DuckDBPyConnection, versions: list[VersionInStore], stage: Stage
) -> None:
    con.execute("""
        CREATE OR REPLACE TEMP TABLE verdict_now (
            trip_key INTEGER, protocol_no INTEGER, rule VARCHAR, verdict VARCHAR,
            observed_low DOUBLE, observed_high DOUBLE, from_s INTEGER, until_s INTEGER, why VARCHAR
        )""")
    in_use = _versions_in_use(con)
    for stored in versions:
        if stored.protocol_no not in in_use:
            continue
        for name, parameters in stored.rules.items():
            stage(f"rule {name}")
            con.execute(f"""
                INSERT INTO verdict_now BY NAME
                WITH {_version_tables(stored.protocol_no)}
                SELECT *, {stored.protocol_no} AS protocol_no, '{name}' AS rule
                FROM ({all_rules()[name].sql(parameters)})""")


def _version_tables(protocol_no: int) -> str:
    """What rules read of the trips of one version."""
    return f"""
    version_trips AS (SELECT * FROM trip_window_now WHERE protocol_no = {protocol_no}),
    version_timeline AS (
        SELECT t.* FROM timeline_now t SEMI JOIN version_trips USING (trip_key)
    )"""


def _versions_in_use(con: duckdb.DuckDBPyConnection) -> set[int]:
    """The versions that some trip to judge is judged by."""
    return {no for (no,) in con.execute("SELECT DISTINCT protocol_no FROM to_judge").fetchall()}


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
        for table in KEPT:
            con.execute(f"DROP TABLE IF EXISTS judged.{table}")
    con.execute("DELETE FROM judged.fingerprint")
    if now:
        con.executemany("INSERT INTO judged.fingerprint VALUES (?, ?)", sorted(now.items()))


def _protocol_now(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore]) -> None:
    carries = ", ".join(f"carry_{f}_s INTEGER" for f in series.FIELDS)
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE protocol_now (
            protocol_no INTEGER, from_month VARCHAR, merge_within_s DOUBLE,
            clock_tolerance_s DOUBLE, matched_tolerance_s DOUBLE, {carries}
        )""")
    marks = ", ".join("?" * (5 + len(series.FIELDS)))
    for stored in versions:
        v = stored.version
        carry = [carry_forward_s(v, f) for f in series.FIELDS]
        con.execute(
            f"INSERT INTO protocol_now VALUES ({marks})",
            [stored.protocol_no, v.from_month, v.merge_within_s, v.clock_tolerance_s,
             v.matched_tolerance_s, *carry],
        )  # fmt: skip


def _make_in_force(con: duckdb.DuckDBPyConnection, versions: list[VersionInStore]) -> None:
    """The trips whose content holds, each with the version in force in its month."""
    _protocol_now(con, versions)
    con.execute("""
        CREATE OR REPLACE TEMP TABLE in_force AS
        SELECT h.trip_key, h.trip_id, t.service_month, h.delivery_no, p.protocol_no
        FROM delivered.holding h
        JOIN delivered.trips t USING (trip_key)
        JOIN (
            SELECT m.service_month, arg_max(protocol_no, from_month) AS protocol_no
            FROM (SELECT DISTINCT service_month FROM delivered.trips) m
            JOIN protocol_now ON from_month <= m.service_month
            GROUP BY m.service_month
        ) p USING (service_month)
    """)


def _already_judged(con: duckdb.DuckDBPyConnection) -> str:
    tables = con.execute(
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'judged'"
        " AND table_name = 'trip_window'"
    ).fetchone()
    return "SELECT trip_key, protocol_no FROM judged.trip_window" if tables != (0,) else (
        _NOTHING_JUDGED
    )  # fmt: skip


def _to_judge(con: duckdb.DuckDBPyConnection, judged: str) -> int:
    """The trips in force but not among `judged`; returns how many."""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE to_judge AS
        SELECT f.* FROM in_force f
        ANTI JOIN ({judged}) d ON d.trip_key = f.trip_key AND d.protocol_no = f.protocol_no
        ORDER BY trip_key
    """)
    return int(one(con, "SELECT count(*) FROM to_judge")[0])


def _keep(con: duckdb.DuckDBPyConnection) -> None:
    """Replace what is kept of the trips judged now, and drop what no longer holds."""
    existing = {
        name
        for (name,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'judged'"
        ).fetchall()
    }
    (judged_now,) = one(con, "SELECT count(*) FROM to_judge")
    outdated = 0
    if "trip_window" in existing:
        con.execute(_OUTDATED)
        (outdated,) = one(con, "SELECT count(*) FROM outdated")
    for table in KEPT:
        if table not in existing:
            con.execute(f"CREATE TABLE judged.{table} AS SELECT * FROM {table}_now")
            continue
        if outdated:
            con.execute(f"DELETE FROM judged.{table} WHERE trip_key IN (FROM outdated)")
        if judged_now:
            con.execute(f"INSERT INTO judged.{table} SELECT * FROM {table}_now")


# a rule that measures nothing answers without these
_NOTHING_OBSERVED = """
    SELECT NULL::DOUBLE AS observed_low, NULL::DOUBLE AS observed_high,
           NULL::INTEGER AS from_s, NULL::INTEGER AS until_s WHERE FALSE"""

_NOTHING_JUDGED = "SELECT NULL::INTEGER AS trip_key, NULL::INTEGER AS protocol_no WHERE FALSE"

# every trip kept has a window; those that hold and are not judged now stay
_OUTDATED = """
    CREATE OR REPLACE TEMP TABLE outdated AS
    SELECT trip_key FROM judged.trip_window
    ANTI JOIN (FROM in_force ANTI JOIN to_judge USING (trip_key)) USING (trip_key)
"""

_LOST = """
    CREATE OR REPLACE TEMP TABLE lost_now AS
    SELECT trip_key, table_name, line, at_s FROM delivered.lost SEMI JOIN to_judge USING (trip_key)
"""

_CONTACTS = """
    CREATE OR REPLACE TEMP TABLE contacts_now AS
    SELECT trip_key, at_s, contacted, authorised
    FROM delivered.contacts SEMI JOIN to_judge USING (trip_key)
"""
