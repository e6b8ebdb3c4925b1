"""The last stage of a table: every cell as the delivery states it, and the list of what is wrong.

A cell that cannot be used says `unreadable`: the delivery's reader then sets the row aside and
knows that something was charted. An empty cell would claim that nothing was.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.errors import shown
from pipeline.files.text_rows import REJECTS
from pipeline.mapping.extract import KEY
from pipeline.mapping.plan import BEDSIDE, TablePlan
from pipeline.mapping.source_rows import Source
from pipeline.mapping.timeline import DAY, zone_of
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.contract import MONTH_PATTERN, OF_THE_SERVICE
from schemas.mapping import MILESTONES, MONTHS

UNREADABLE = "unreadable"


def make_table(con: Connection, plan: TablePlan, home: str | None) -> None:
    """Create `made_<n>`: for each column its value `v_` and its problem `p_`.

    `home`: the zone in which service months are counted.
    """
    joins = [f"left join bedside on bedside.trip = {_trip(plan)}"] if plan.timed else []
    if belongs_to_a_trip(plan):
        joins.append("left join trip on trip.trip = c.v_trip_id")
    if BEDSIDE in plan.specs:
        joins.append(zone_of(replace(plan, time_zone=home), DAY, "home"))
    for place, column in enumerate(plan.timed):
        name = f"t_{column}"
        keys = [f"{name}.{key} = c.{key}" for key in KEY.split(", ")]
        if plan.into == "trips":
            keys.append(f"{name}.place = {place}")
        joins.append(f"left join placed_{plan.number} {name} on {' and '.join(keys)}")
    columns = []
    for column in plan.specs:
        value, problem = _value_and_problem(plan, column)
        columns.append(f"{problem} as p_{column}")
        if column != BEDSIDE:
            columns.append(f"{_or_unreadable(plan, column, value, problem)} as v_{column}")
        elif "service_month" not in plan.specs:
            month = _month(_bedside_local(same_clock=plan.time_zone == home))
            none = f"case when {month} is null then 'no-bedside' end"
            month = _or_unreadable(plan, "service_month", month, none)
            columns.append(f"{month} as v_service_month")
    con.execute(f"""
        create table made_{plan.number} as
        select c.row_no, c.slot, c.file_no, c.line, c.broken, {", ".join(columns)}
        from cells_{plan.number} c {" ".join(joins)}
    """)
    con.execute(f"drop table cells_{plan.number}; drop table if exists placed_{plan.number}")


def _trip(plan: TablePlan) -> str:
    return "c.v_trip_id" if "trip_id" in plan.specs else "null"


def belongs_to_a_trip(plan: TablePlan) -> bool:
    """Whether a table's rows are those of trips that must be among the delivery's."""
    return "trip_id" in plan.specs and plan.into not in ("trips", *OF_THE_SERVICE)


def list_trips(con: Connection, plan: TablePlan) -> None:
    """Create `trip` of the trips that were made: each with its service month, null if unknown."""
    con.execute(f"""
        create table trip as
        select v_trip_id as trip,
            min(case when regexp_full_match(v_service_month, {literal(MONTH_PATTERN)})
                then v_service_month end) as month
        from made_{plan.number} where v_trip_id is not null group by v_trip_id
    """)


def list_repeated(con: Connection, plan: TablePlan, source: Source) -> None:
    """List every row of a trip that will have several rows in the delivery."""
    values = ", ".join(f"v_{column}" for column in plan.map.columns)
    rows = f"select {'distinct' if plan.map.distinct else 'all'} {values} from made_{plan.number}"
    name = literal(shown(plan.their_name("trip_id", None)))
    con.execute(f"""
        insert into cell_problem
        select {plan.number}, row_no, {source.file_name}, line, {name}, 'repeated-trip', month
        from made_{plan.number} join trip on trip = v_trip_id
        where trip in (select v_trip_id from ({rows}) group by v_trip_id having count(*) > 1)
    """)


def _or_unreadable(plan: TablePlan, column: str, value: str, problem: str) -> str:
    """SQL for a cell in the end; of a row that does not fit its header only the trip is taken.

    A milestone in an hour that came twice is left empty: that costs the one time. It is listed,
    and unreadable would set aside the trip.
    """
    broken = "false" if column == "trip_id" else "c.broken > 0"
    is_open = ""
    if column in MILESTONES and plan.specs[column].time:
        doubts = f"t_{column}.doubt is not null or t_{BEDSIDE}.doubt is not null"
        is_open = f" when c.broken = 0 and ({doubts}) then null"
    return (
        f"case{is_open} when {broken} or ({problem}) is not null then '{UNREADABLE}'"
        f" else ({value}) end"
    )


def _value_and_problem(plan: TablePlan, column: str) -> tuple[str, str]:
    """SQL for a column's value and for what is wrong with it."""
    spec = plan.specs[column]
    if column == "trip_id" and belongs_to_a_trip(plan):
        nobody = "case when c.broken = 0 and trip.trip is null then 'row-of-no-trip' end"
        return f"c.v_{column}", f"coalesce(c.p_{column}, {nobody})"
    if not spec.time:
        return f"c.v_{column}", f"c.p_{column}"
    local, empty = f"c.l_{column}", f"c.e_{column}"
    if column in MONTHS:
        return _month(local), _unless(empty, f"{local} is null", "not-a-time")
    if column == "age_months":
        born = f"make_timestamp({local} * 1000000)"
        age = f"datesub('month', {born}, make_timestamp(c.l_{BEDSIDE} * 1000000))"
        return f"({age})::VARCHAR", _unless(
            empty, f"{local} is null", "not-a-time", f"c.l_{BEDSIDE} is null", "no-bedside"
        )
    unread = f"{local} is null and c.d_{column} is null"
    doubts = [unread, "not-a-time", "bedside.differs", "bedside-differs"]
    doubt = f"t_{column}.doubt"
    if column == BEDSIDE:
        problem = f"case when {empty} then 'no-bedside' else {_unless(empty, *doubts)} end"
        return "null", f"coalesce({problem}, {doubt})"
    if belongs_to_a_trip(plan):  # of a row of no trip that alone is said
        empty = f"{empty} or trip.trip is null"
    problem = _unless(empty, *doubts, "bedside.origin is null", "no-bedside")
    if belongs_to_a_trip(plan):
        doubt = f"case when trip.trip is not null then {doubt} end"
    return f"(t_{column}.utc - bedside.origin)::VARCHAR", f"coalesce({doubt}, {problem})"


def _unless(empty: str, *conditions_and_codes: str) -> str:
    pairs = zip(conditions_and_codes[::2], conditions_and_codes[1::2], strict=True)
    arms = " ".join(f"when {condition} then '{code}'" for condition, code in pairs)
    return f"case when c.broken > 0 or {empty} then null {arms} end"


def _bedside_local(*, same_clock: bool) -> str:
    """SQL for what the clock at home showed; for a time of another clock, if the zone is known."""
    utc = f"t_{BEDSIDE}.utc"
    there = f"{utc} + case when {utc} >= home.change then home.off2 else home.off1 end"
    if same_clock:
        there = f"case when c.u_{BEDSIDE} is not null then {there} end"
    return f"coalesce({there}, c.l_{BEDSIDE})"


def _month(local: str) -> str:
    return f"strftime(make_timestamp(({local}) * 1000000), '%Y-%m')"


def list_problems(con: Connection, plan: TablePlan, source: Source) -> None:
    """Add every cell of `made_<n>` that cannot be used, and every broken row, to `cell_problem`."""
    codes = " ".join(f"when {number} then '{code}'" for number, code in REJECTS.items())
    selects = [
        f"select row_no, line, file_no, v_trip_id, null as name, case broken {codes} end as code"
        f" from made where broken > 0"
    ]
    slots = plan.slots_present(source)
    for column in plan.specs:
        names = [literal(shown(plan.their_name(column, slot))) for slot in slots]
        selects.append(
            f"select row_no, line, file_no, v_trip_id, [{', '.join(names)}][slot + 1], p_{column}"
            f" from made where p_{column} is not null and broken = 0"
        )
    trip = "" if "trip_id" in plan.specs else ", null as v_trip_id"
    con.execute(f"""
        insert into cell_problem
        with made as (select *{trip} from made_{plan.number})
        select {plan.number}, row_no, {source.file_name}, line, name, code, month
        from ({" union all ".join(selects)}) left join trip on trip.trip = v_trip_id
    """)
