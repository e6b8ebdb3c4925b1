"""Which trips are judged, by which version of the protocol, and so many of them at a time.

What stages and rules read of them is `settings_now`, `observations_now`, `device_events_now`,
`contacts_now` and `lost_now`: the rows of `delivered.` of the trips in `to_judge`; settings in the
order of trip, time and line.
"""

from __future__ import annotations

from pipeline.store.database import one
from pipeline.store.protocol_versions import VersionInStore
from pipeline.timeline import series
from schemas.connection import Connection
from schemas.protocol import ProtocolVersion

TRIPS_AT_ONCE = 100_000
"""What is held of a trip while it is judged is some 4 kB; more trips than this go in ranges."""

READ = ("settings", "observations", "device_events", "contacts", "lost")

READ_BY_RULES = ("trip_window", "timeline", "clock", "occlusion")
"""What the stages make that rules read."""

NOTHING_JUDGED = "SELECT NULL::INTEGER AS trip_key, NULL::INTEGER AS protocol_no WHERE FALSE"

Range = tuple[int, int]
"""The first and the last trip_key of some trips to judge."""


def make_in_force(
    con: Connection, versions: list[VersionInStore], months: tuple[str, str] | None = None
) -> None:
    """Make `in_force`: the trips whose content holds, each with the version of its month.

    `months`: only trips from the first to the second of them.
    """
    _protocol_now(con, versions)
    first, last = months or ("", "9999-99")
    con.execute(
        """
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
        WHERE t.service_month BETWEEN ? AND ?
        """,
        [first, last],
    )


def already_judged(con: Connection) -> str:
    """SQL for trip_key and protocol_no of the trips that are kept under `judged.`."""
    tables = one(
        con,
        "SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'judged'"
        " AND table_name = 'trip_window'",
    )
    if tables == (0,):
        return NOTHING_JUDGED
    return "SELECT trip_key, protocol_no FROM judged.trip_window"


def make_unjudged(con: Connection, judged: str = NOTHING_JUDGED) -> int:
    """Make `unjudged`, the trips in force but not among `judged`; returns how many."""
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE unjudged AS
        SELECT f.* FROM in_force f
        ANTI JOIN ({judged}) d ON d.trip_key = f.trip_key AND d.protocol_no = f.protocol_no
        ORDER BY trip_key
    """)
    return int(one(con, "SELECT count(*) FROM unjudged")[0])


def ranges(con: Connection) -> list[Range]:
    """The unjudged trips in ranges of `TRIPS_AT_ONCE`."""
    return con.execute(
        """
        SELECT min(trip_key), max(trip_key)
        FROM (SELECT trip_key, (row_number() OVER (ORDER BY trip_key) - 1) // ? AS part
              FROM unjudged)
        GROUP BY part ORDER BY part
        """,
        [TRIPS_AT_ONCE],
    ).fetchall()


def all_of_them(con: Connection) -> Range:
    """The unjudged trips as one range."""
    return one(con, "SELECT coalesce(min(trip_key), 0), coalesce(max(trip_key), 0) FROM unjudged")


def take(con: Connection, chosen: Range) -> str:
    """Make `to_judge` of the unjudged trips of one range, and what is read of them.

    Returns SQL that leaves the rows of these trips of any table of the store's trips.
    """
    forget(con)
    within = f"WHERE trip_key BETWEEN {chosen[0]} AND {chosen[1]}"
    con.execute(f"CREATE OR REPLACE TEMP VIEW to_judge AS FROM unjudged {within}")
    (others,) = one(
        con, f"SELECT count(*) FROM delivered.trips ANTI JOIN to_judge USING (trip_key) {within}"
    )
    if others:
        within += " AND trip_key IN (SELECT trip_key FROM to_judge)"
    for table in READ:
        con.execute(f"CREATE TEMP VIEW {table}_now AS FROM delivered.{table} {within}")
    # so they are stored but for corrected trips; a join, to leave others out, mixes them
    if others or not one(con, series.in_order())[0]:
        con.execute(f"""
            DROP VIEW settings_now;
            CREATE TEMP TABLE settings_now AS
            FROM delivered.settings {within} ORDER BY trip_key, at_s, line""")
    return within


def forget(con: Connection) -> None:
    """Drop what the stages made of the trips taken before."""
    made = con.execute("""
        SELECT table_name FROM duckdb_tables() WHERE temporary
            AND ends_with(table_name, '_now') AND table_name <> 'protocol_now'
    """).fetchall()
    # to ask which views there are takes longer than all of this
    views = [f"DROP VIEW IF EXISTS temp.{name}_now" for name in (*READ, *READ_BY_RULES)]
    con.execute("; ".join([*(f"DROP TABLE temp.{name}" for (name,) in made), *views]))


def versions_in_use(con: Connection) -> set[int]:
    """The versions that some trip to judge is judged by."""
    return {no for (no,) in con.execute("SELECT DISTINCT protocol_no FROM to_judge").fetchall()}


def carry_forward_s(version: ProtocolVersion, field: str) -> int | None:
    """How long a charted value of `field` is taken to hold; None where until it is changed."""
    minutes = getattr(version.carry_forward_min, field)
    return None if minutes == "until_changed" else round(minutes * 60)


def _protocol_now(con: Connection, versions: list[VersionInStore]) -> None:
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
