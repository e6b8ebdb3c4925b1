"""The last stage of a table: every cell as the delivery states it, and the list of what is wrong.

A cell that cannot be used says `unreadable`: the delivery's reader then sets the row aside and
knows that something was charted. An empty cell would claim that nothing was.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.files import shown
from pipeline.files.rows import REJECTS
from pipeline.mapping.extract import KEY
from pipeline.mapping.plan import BEDSIDE, TablePlan
from pipeline.mapping.rows import Source
from pipeline.store.sql import literal
from schemas.mapping import MONTHS

if TYPE_CHECKING:
    import duckdb

UNREADABLE = "unreadable"


def make_table(con: duckdb.DuckDBPyConnection, plan: TablePlan) -> None:
    """Create `made_<n>`: for each column its value `v_` and its problem `p_`."""
    joins = [f"left join bedside on bedside.trip = {_trip(plan)}"] if plan.timed else []
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
            columns.append(f"{_or_unreadable(column, value, problem)} as v_{column}")
        elif "service_month" not in plan.specs:
            month = _month(_bedside_local())
            none = f"case when {month} is null then 'no-bedside' end"
            columns.append(f"{_or_unreadable('service_month', month, none)} as v_service_month")
    con.execute(f"""
        create table made_{plan.number} as
        select c.row_no, c.slot, c.file_no, c.line, c.broken, {", ".join(columns)}
        from cells_{plan.number} c {" ".join(joins)}
    """)
    con.execute(f"drop table cells_{plan.number}; drop table if exists placed_{plan.number}")


def _trip(plan: TablePlan) -> str:
    return "c.v_trip_id" if "trip_id" in plan.specs else "null"


def _or_unreadable(column: str, value: str, problem: str) -> str:
    """SQL for a cell in the end; of a row that does not fit its header only the trip is taken."""
    broken = "false" if column == "trip_id" else "c.broken > 0"
    return f"case when {broken} or ({problem}) is not null then '{UNREADABLE}' else ({value}) end"


def _value_and_problem(plan: TablePlan, column: str) -> tuple[str, str]:
    """SQL for a column's value and for what is wrong with it."""
    spec = plan.specs[column]
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
    problem = _unless(empty, *doubts, "bedside.origin is null", "no-bedside")
    return f"(t_{column}.utc - bedside.origin)::VARCHAR", f"coalesce({doubt}, {problem})"


def _unless(empty: str, *conditions_and_codes: str) -> str:
    pairs = zip(conditions_and_codes[::2], conditions_and_codes[1::2], strict=True)
    arms = " ".join(f"when {condition} then '{code}'" for condition, code in pairs)
    return f"case when c.broken > 0 or {empty} then null {arms} end"


def _bedside_local() -> str:
    """SQL for what the clock at home showed; for a time with an offset, if the zone is known."""
    time = f"t_{BEDSIDE}"
    offset = f"case when {time}.utc >= {time}.change then {time}.off2 else {time}.off1 end"
    return (
        f"case when c.u_{BEDSIDE} is null or {time}.off1 is null then c.l_{BEDSIDE}"
        f" else {time}.utc + {offset} end"
    )


def _month(local: str) -> str:
    return f"strftime(make_timestamp(({local}) * 1000000), '%Y-%m')"


def list_problems(con: duckdb.DuckDBPyConnection, plan: TablePlan, source: Source) -> None:
    """Add every cell of `made_<n>` that cannot be used, and every broken row, to `cell_problem`."""
    file = f"[{', '.join(map(literal, source.files))}][file_no + 1]"
    codes = " ".join(f"when {number} then '{code}'" for number, code in REJECTS.items())
    selects = [
        f"select {file}, line, null, case broken {codes} end from made_{plan.number}"
        " where broken > 0"
    ]
    slots = plan.slots_present(source)
    for column in plan.specs:
        names = [literal(shown(plan.their_name(column, slot))) for slot in slots]
        selects.append(
            f"select {file}, line, [{', '.join(names)}][slot + 1], p_{column}"
            f" from made_{plan.number} where p_{column} is not null and broken = 0"
        )
    con.execute(f"insert into cell_problem {' union all '.join(selects)}")
