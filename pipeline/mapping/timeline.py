"""Absolute times on each trip's time line: every moment in UTC, and where the trip begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.mapping.clocks import IN_ORDER, PLACED, on_day
from pipeline.mapping.extract import KEY
from pipeline.mapping.plan import BEDSIDE, TablePlan
from pipeline.mapping.words import refused

if TYPE_CHECKING:
    import duckdb

_DAY = f"coalesce(u_{BEDSIDE}, l_{BEDSIDE}) // 86400"


def place_all(
    con: duckdb.DuckDBPyConnection,
    plans: list[TablePlan],
    time_zone: str | None,
    *,
    in_minutes: bool,
) -> None:
    """Create `placed_<n>` for every table with absolute times, and `bedside`, one row a trip."""
    con.execute("create table bedside (trip VARCHAR, origin BIGINT, differs BOOLEAN)")
    trips = next(plan for plan in plans if plan.into == "trips")
    if BEDSIDE not in trips.specs:
        return
    if time_zone is None:
        for plan in plans:
            _need_no_zone(con, plan)
    con.execute("create table zone_day (day BIGINT, off1 INTEGER, off2 INTEGER, change BIGINT)")
    if time_zone is not None:
        _zone_days(con, trips, time_zone)
    _place_trips(con, trips, in_minutes=in_minutes)
    for plan in plans:
        if plan.timed and plan is not trips:
            _place_rows(con, plan)


def _need_no_zone(con: duckdb.DuckDBPyConnection, plan: TablePlan) -> None:
    """Refuse local times where the mapping does not say whose clock they are from."""
    for column in plan.timed:
        local = f"(u_{column} is null and l_{column} is not null) or d_{column} is not null"
        rows = con.execute(
            f"select count(*) from cells_{plan.number} where broken = 0 and ({local})"
        ).fetchone()
        if rows != (0,):
            what = "is missing: there are times without their offset from UTC"
            raise refused("toml-content", "mapping file", what, column="time_zone")


def _zone_days(con: duckdb.DuckDBPyConnection, trips: TablePlan, time_zone: str) -> None:
    from zoneinfo import ZoneInfo

    from pipeline.mapping.zones import changes

    days = con.execute(
        f"select distinct {_DAY} as day from cells_{trips.number} where {_DAY} is not null"
        " order by day"
    ).fetchall()
    rows = changes(ZoneInfo(time_zone), [day for (day,) in days])
    if rows:
        con.executemany("insert into zone_day values (?, ?, ?, ?)", rows)


def _place_trips(con: duckdb.DuckDBPyConnection, plan: TablePlan, *, in_minutes: bool) -> None:
    """Place the trips' own times, and say where each trip's time begins.

    The origin is the beginning of the recorded minute where any table is recorded in minutes, so
    that elapsed times stay cut off as the recorded ones were.
    """
    structs = ", ".join(
        f"{{place: {place}, l0: l_{c}, u: u_{c}, d: d_{c}}}" for place, c in enumerate(plan.timed)
    )
    con.execute(f"""
        create table times as
        select {KEY}, (row_no, slot) as stream, place, u, off1, off2, change,
            null::BIGINT as not_before,
            case when d is not null then {on_day("d", "bedside_l")} else l0 end as l
        from (
            select {KEY}, l_{BEDSIDE} as bedside_l, {_DAY} as day,
                unnest([{structs}], recursive := true)
            from cells_{plan.number} where broken = 0
        ) left join zone_day using (day)
    """)
    _place(con, plan.number)
    origin = "utc - utc % 60" if in_minutes else "utc"
    con.execute(f"""
        create or replace table bedside as
        select trip, case when low = high then low end as origin, low <> high as differs,
            off1, off2, change, l
        from (
            select v_trip_id as trip, min({origin}) as low, max({origin}) as high,
                any_value(off1) as off1, any_value(off2) as off2, any_value(change) as change,
                any_value(l) as l
            from cells_{plan.number} join placed_{plan.number} using ({KEY})
            where place = 0 and v_trip_id is not null group by trip)
    """)


def _place_rows(con: duckdb.DuckDBPyConnection, plan: TablePlan) -> None:
    """Place the one absolute time of a table other than trips."""
    (column,) = plan.timed
    # a device's clock may run slow, so that what it logs may well lie before the bedside
    not_before = "null::BIGINT" if plan.into == "device_events" else "origin"
    con.execute(f"""
        create table times as
        select {KEY}, v_trip_id as stream, (row_no, slot) as place, {not_before} as not_before,
            u_{column} as u, off1, off2, change,
            case when d_{column} is not null then {on_day(f"d_{column}", "bedside.l")}
                else l_{column} end as l
        from cells_{plan.number} left join bedside on trip = v_trip_id
        where broken = 0
    """)
    _place(con, plan.number)


def _place(con: duckdb.DuckDBPyConnection, number: int) -> None:
    """Make `placed_<n>` of `times`; an hour that came twice is decided by order where that can."""
    into = f"placed_{number}"
    con.execute(f"create table {into} as {PLACED.format(times='select * from times')}")
    con.execute("drop table times")
    doubtful = f"select count(*) from {into} where doubt = 'hour-twice'"
    if con.execute(doubtful).fetchone() == (0,):
        return
    con.execute(f"create table decided as {IN_ORDER.format(placed=f'select * from {into}')}")
    con.execute(f"""
        update {into} set utc = decided.utc, doubt = null from decided
        where decided.stream = {into}.stream and decided.place = {into}.place
    """)
    con.execute("drop table decided")
