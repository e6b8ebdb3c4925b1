"""Absolute times on each trip's time line: every moment in UTC, and where the trip begins."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pipeline.mapping.clocks import IN_ORDER, PLACED, changes, on_day
from pipeline.mapping.extract import KEY
from pipeline.mapping.plan import BEDSIDE, TablePlan
from pipeline.mapping.words import refused
from pipeline.store.sql import literal
from schemas.connection import Connection

DAY = f"coalesce(u_{BEDSIDE}, l_{BEDSIDE}) // 86400"
"""SQL for the day of a trip, which says how far its clocks are from UTC."""


def place_all(
    con: Connection, plans: list[TablePlan], home: str | None, *, in_minutes: bool
) -> None:
    """Create `placed_<n>` for every table with absolute times, and `bedside`, one row a trip.

    `home`: the zone in which service months are counted.
    """
    con.execute(
        "create table bedside (trip VARCHAR, day BIGINT, l BIGINT, origin BIGINT, differs BOOLEAN)"
    )
    con.execute(
        "create table zone_day"
        " (zone VARCHAR, day BIGINT, off1 INTEGER, off2 INTEGER, change BIGINT)"
    )
    trips = next(plan for plan in plans if plan.into == "trips")
    if BEDSIDE not in trips.specs:
        return
    for plan in plans:
        if plan.time_zone is None:
            _need_no_zone(con, plan)
    for zone in dict.fromkeys([home, *(plan.time_zone for plan in plans)]):
        if zone is not None:
            _zone_days(con, trips, zone)
    _trip_times(con, trips)
    if _place(con, str(trips.number)):
        _decide_by_entries(con, plans, trips)
    _begin(con, trips, in_minutes=in_minutes)
    for plan in plans:
        if plan.timed and plan is not trips:
            _row_times(con, plan, trips)
            _place(con, str(plan.number))


def _need_no_zone(con: Connection, plan: TablePlan) -> None:
    """Refuse local times where the mapping does not say whose clock they are from."""
    for column in plan.timed:
        local = f"(u_{column} is null and l_{column} is not null) or d_{column} is not null"
        rows = con.execute(
            f"select count(*) from cells_{plan.number} where broken = 0 and ({local})"
        ).fetchone()
        if rows != (0,):
            what = "is missing: there are times without their offset from UTC"
            raise refused("toml-content", "mapping file", what, column="time_zone")


def _zone_days(con: Connection, trips: TablePlan, time_zone: str) -> None:
    days = con.execute(
        f"select distinct {DAY} as day from cells_{trips.number} where {DAY} is not null"
        " order by day"
    ).fetchall()
    rows = [(time_zone, *row) for row in changes(ZoneInfo(time_zone), [day for (day,) in days])]
    if rows:
        con.executemany("insert into zone_day values (?, ?, ?, ?, ?)", rows)


def zone_of(plan: TablePlan, day: str, alias: str = "zone_day") -> str:
    """SQL that joins the clock of a plan's own zone on a trip's day."""
    zone = "null" if plan.time_zone is None else literal(plan.time_zone)
    return f"left join zone_day {alias} on {alias}.zone = {zone} and {alias}.day = {day}"


def _trip_times(con: Connection, plan: TablePlan, not_after: str = "null::BIGINT") -> None:
    """Create `times` of the trips' own times; `not_after`: SQL by which a bedside was over."""
    structs = ", ".join(
        f"{{place: {place}, l0: l_{c}, u: u_{c}, d: d_{c}}}" for place, c in enumerate(plan.timed)
    )
    con.execute(f"""
        create table times as
        select {KEY}, (row_no, slot) as stream, place, u, off1, off2, change,
            null::BIGINT as not_before, case when place = 0 then {not_after} end as not_after,
            case when d is not null then {on_day("d", "bedside_l")} else l0 end as l
        from (
            select {KEY}, v_trip_id as trip, l_{BEDSIDE} as bedside_l, {DAY} as trip_day,
                unnest([{structs}], recursive := true)
            from cells_{plan.number} where broken = 0
        ) t {zone_of(plan, "trip_day")}
    """)


def _decide_by_entries(con: Connection, plans: list[TablePlan], trips: TablePlan) -> None:
    """Place the trips again whose bedside is open: what was charted there came after it.

    An entry from before the change of the clock says that the bedside was before it, too.
    """
    own = f"placed_{trips.number}"
    con.execute(f"""
        insert into bedside by name
        select distinct v_trip_id as trip, {DAY} as day from cells_{trips.number} join {own}
            using ({KEY}) where place = 0 and doubt is not null and v_trip_id is not null
    """)
    con.execute("create table charted (trip VARCHAR, utc BIGINT)")
    for plan in plans:
        if plan is trips or not plan.timed or plan.into == "device_events":
            continue
        if plan.specs[plan.timed[0]].date:
            continue  # a time of day alone is placed by the bedside, and cannot place it
        _row_times(con, plan, trips, only="v_trip_id in (select trip from bedside)")
        _place(con, "entries")
        con.execute("insert into charted select stream, utc from placed_entries")
        con.execute("drop table placed_entries")
    con.execute(f"delete from bedside; drop table {own}")
    _trip_times(con, trips, "(select min(utc) from charted where charted.trip = t.trip)")
    _place(con, str(trips.number))


def _begin(con: Connection, plan: TablePlan, *, in_minutes: bool) -> None:
    """Say where each trip's time begins.

    The origin is the beginning of the recorded minute where any table is recorded in minutes, so
    that elapsed times stay cut off as the recorded ones were.
    """
    origin = "utc - utc % 60" if in_minutes else "utc"
    con.execute(f"""
        insert into bedside
        select trip, day, l, case when low = high then low end as origin, low <> high as differs
        from (
            select v_trip_id as trip, min({origin}) as low, max({origin}) as high,
                any_value({DAY}) as day, any_value(l) as l
            from cells_{plan.number} join placed_{plan.number} using ({KEY})
            where place = 0 and v_trip_id is not null group by trip)
    """)


def _row_times(con: Connection, plan: TablePlan, trips: TablePlan, only: str = "true") -> None:
    """Create `times` of the one absolute time of a table other than trips."""
    (column,) = plan.timed
    # a device's clock may run slow, so that what it logs may well lie before the bedside
    not_before = "null::BIGINT" if plan.into == "device_events" else "origin"
    bedside = "bedside.l"
    if plan.time_zone != trips.time_zone:
        bedside = "(origin + case when origin >= change then off2 else off1 end)"
    con.execute(f"""
        create table times as
        select {KEY}, v_trip_id as stream, (row_no, slot) as place, {not_before} as not_before,
            null::BIGINT as not_after, u_{column} as u, off1, off2, change,
            case when d_{column} is not null then {on_day(f"d_{column}", bedside)}
                else l_{column} end as l
        from cells_{plan.number} left join bedside on trip = v_trip_id
            {zone_of(plan, "bedside.day")}
        where broken = 0 and {only}
    """)


def _place(con: Connection, name: str) -> bool:
    """Make `placed_<name>` of `times`; whether an hour that came twice is left open somewhere.

    What order decides of such hours is decided.
    """
    into = f"placed_{name}"
    con.execute(f"create table {into} as {PLACED.format(times='select * from times')}")
    con.execute("drop table times")
    doubtful = f"select count(*) from {into} where doubt = 'hour-twice'"
    if con.execute(doubtful).fetchone() == (0,):
        return False
    con.execute(f"create table decided as {IN_ORDER.format(placed=f'select * from {into}')}")
    con.execute(f"""
        update {into} set utc = decided.utc, doubt = null from decided
        where decided.stream = {into}.stream and decided.place = {into}.place
    """)
    con.execute("drop table decided")
    return con.execute(doubtful).fetchone() != (0,)
