"""The first two stages of a table: the rows it takes, and each of their cells read by itself."""

from __future__ import annotations

from pipeline.files.text_rows import RAGGED, REJECTS
from pipeline.mapping.plan import TablePlan, text_name, unit_name
from pipeline.mapping.source_rows import Source
from pipeline.mapping.values import SEVERAL
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.mapping import SLOT

KEY = "row_no, slot"
"""What tells rows apart: several may begin on one line."""

PLACE = "file_no, line, broken"

PROBLEMS = """
    create table shape (name VARCHAR, shape VARCHAR);
    create table cell_problem (
        plan INTEGER, row_no BIGINT, file VARCHAR, line INTEGER, name VARCHAR, code VARCHAR,
        month VARCHAR
    )
"""
"""Every cell that cannot be used, and the service month of its trip, where that is known."""


def extract_rows(con: Connection, plan: TablePlan, source: Source) -> None:
    """Create `extracted_<n>`: for each row and slot, the text of every column that is made from it.

    A row that does not fit its header is always taken, once: what it says is unknown, and the
    trip it may belong to must not look as if it had not been there. A row that says nothing is
    not taken, and one of trips that says no more than a single thing makes no trip.
    """
    structs = []
    for number, slot in enumerate(plan.slots_present(source)):
        cells = [f"slot: {number}"]
        for column, spec in plan.specs.items():
            cells.append(f"{quoted(text_name(column))}: {plan.raw(column, source, slot)}")
            if spec.unit is not None:
                cells.append(f"{quoted(unit_name(column))}: {plan.raw_unit(column, source)}")
        structs.append(f"{{{', '.join(cells)}}}")
    taken = " and ".join(plan.conditions(source)) or "true"
    con.execute(f"""
        create table extracted_{plan.number} as
        select * from (
            select row_no, {PLACE}, unnest([{", ".join(structs)}], recursive := true)
            from ({plan.rows(source)}) where broken > 0 or ({taken})
        ) where case when broken > 0 then slot = 0 else {_says_something(plan)} end
    """)
    _list_conditions(con, plan, source)
    if plan.into == "trips":
        _take_out_footers(con, plan, source)


def _filled(plan: TablePlan) -> list[str]:
    return [f"{text_name(c)} is not null" for c, s in plan.specs.items() if s.constant is None]


def _says_something(plan: TablePlan) -> str:
    """SQL that is false for an empty row or slot, and if so asked for one with no more than its
    time; of trips also for one with no more than its number."""
    columns = list(plan.specs)
    if plan.map.repeat is not None:
        columns = [c for c in columns if any(SLOT in name for name in plan.specs[c].from_)]
    if plan.map.skip_empty:
        columns = [c for c in columns if c not in ("trip_id", "at_s")]
    elif plan.into == "trips":
        columns.remove("trip_id")
    filled = [f"{text_name(c)} is not null" for c in columns if plan.specs[c].constant is None]
    return f"({' or '.join(filled)})" if filled else "true"


def _list_conditions(con: Connection, plan: TablePlan, source: Source) -> None:
    """List every cell that a condition should compare as a number, and that is none."""
    for name, wrong in plan.not_numbers(source):
        con.execute(
            f"insert into cell_problem select {plan.number}, row_no, {source.file_name},"
            f" line, {literal(name)}, 'not-a-number', null"
            f" from ({plan.rows(source)}) where broken = 0 and {wrong}"
        )


def _take_out_footers(con: Connection, plan: TablePlan, source: Source) -> None:
    """Take out rows that do not fit the header and hold a single cell: listed, but no trips."""
    single = f"broken = {RAGGED} and {' + '.join(f'({f})::INTEGER' for f in _filled(plan))} < 2"
    codes = " ".join(f"when {number} then '{code}'" for number, code in REJECTS.items())
    con.execute(
        f"insert into cell_problem select {plan.number}, row_no, {source.file_name}, line, null,"
        f" case broken {codes} end, null from extracted_{plan.number} where {single}"
    )
    con.execute(f"delete from extracted_{plan.number} where {single}")


def read_cells(con: Connection, plan: TablePlan, pads: dict[str, bytes] | None) -> None:
    """Create `cells_<n>`: value `v_` and problem `p_` of a cell, and for a time `l_`, `u_`, `d_`.

    `e_` says whether a time's cell is empty. `pads` are the key's, if any column is hashed. Rows
    of trips that were left out are left out with them.
    """
    columns = []
    for column, spec in plan.specs.items():
        text = text_name(column)
        if spec.time:
            local, utc, of_day = plan.read_time(column)
            columns += [f"{local} as l_{column}", f"{utc} as u_{column}", f"{of_day} as d_{column}"]
            columns.append(f"{text} is null as e_{column}")
            continue
        cell = plan.read(column)
        value, problem = cell.value, cell.problem
        if plan.repeats:
            several = f"{text} = {literal(SEVERAL)}"
            value = f"case when {several} then null else {value} end"
            problem = f"case when {several} then 'several-values' else {problem} end"
        columns += [f"{value} as v_{column}", f"{problem} as p_{column}"]
    hashed = any(spec.token for spec in plan.specs.values())
    con.execute(
        f"create table cells_{plan.number} as"
        f" select {KEY}, {PLACE}, {', '.join(columns)} from extracted_{plan.number}",
        pads if hashed else None,
    )
    for column, spec in plan.specs.items():
        if spec.token:
            value, text = plan.read(column).value, text_name(column)
            con.execute(
                f"insert into crosswalk select distinct {literal(spec.token)}, {value},"
                f" replace({text}, chr(31), ' ')"
                f" from extracted_{plan.number} where {text} is not null and broken = 0",
                pads,
            )
    _keep_shapes(con, plan)
    con.execute(f"drop table extracted_{plan.number}")


def _keep_shapes(con: Connection, plan: TablePlan) -> None:
    """Keep what times and numbers that cannot be read look like, under their names and ours."""
    for column, spec in plan.specs.items():
        text = text_name(column)
        if spec.time:
            read = " and ".join(f"({sql}) is null" for sql in plan.read_time(column))
        elif "'not-a-number'" in (problem := plan.read(column).problem):
            read = f"({problem}) = 'not-a-number'"
        else:
            continue
        digits = f"regexp_replace({text}, '[0-9]', '9', 'g')"
        shape = f"regexp_replace({digits}, '\\p{{L}}', 'a', 'g')"
        for name in (column, plan.their_name(column, None)):
            con.execute(
                f"insert into shape select {literal(name)}, left({shape}, 40)"
                f" from extracted_{plan.number} where {text} is not null and {read} limit 1"
            )


def leave_out_trips(
    con: Connection, plan: TablePlan, source: Source, pads: dict[str, bytes] | None
) -> None:
    """Create `left_out`: the trips that the conditions of trips leave out, whatever has rows of
    them. A trip of which one row is taken is not among them."""
    con.execute("create table left_out (trip VARCHAR)")
    taken = " and ".join(plan.conditions(source))
    if not taken:
        return
    hashed = plan.specs["trip_id"].token is not None
    con.execute(
        f"insert into left_out select distinct {plan.read('trip_id').value} from ("
        f" select {plan.raw('trip_id', source, None)} as {text_name('trip_id')}"
        f" from ({plan.rows(source)}) where broken = 0 and not ({taken}))"
        f" where {text_name('trip_id')} is not null",
        pads if hashed else None,
    )
    con.execute(
        f"delete from left_out where trip in"
        f" (select v_trip_id from cells_{plan.number} where v_trip_id is not null)"
    )


def follow_trips(con: Connection, plan: TablePlan) -> int:
    """Take out the rows of trips that were left out; return how many."""
    if "trip_id" not in plan.specs or plan.into == "trips":
        return 0
    (count,) = con.execute(
        f"delete from cells_{plan.number} where v_trip_id in (select trip from left_out)"
    ).fetchall()[0]
    return int(count)
