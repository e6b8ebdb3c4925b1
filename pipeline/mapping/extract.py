"""The first two stages of a table: the rows it takes, and each of their cells read by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.mapping.plan import SEVERAL, TablePlan, text_name, unit_name
from pipeline.mapping.rows import Source
from pipeline.store.sql import literal, quoted
from schemas.mapping import SLOT

if TYPE_CHECKING:
    import duckdb

KEY = "row_no, slot"
"""What tells rows apart: several may begin on one line."""

PLACE = "file_no, line, broken"


def extract_rows(con: duckdb.DuckDBPyConnection, plan: TablePlan, source: Source) -> None:
    """Create `extracted_<n>`: for each row and slot, the text of every column that is made from it.

    A row that does not fit its header is always taken, once: what it says is unknown, and the
    trip it may belong to must not look as if it had not been there.
    """
    structs = []
    for number, slot in enumerate(plan.slots_present(source)):
        cells = [f"slot: {number}"]
        for column, spec in plan.specs.items():
            cells.append(f"{quoted(text_name(column))}: {plan.raw(column, source, slot)}")
            if spec.unit is not None:
                cells.append(f"{quoted(unit_name(column))}: {plan.raw_unit(column, source)}")
        structs.append(f"{{{', '.join(cells)}}}")
    con.execute(f"""
        create table extracted_{plan.number} as
        select * from (
            select rowid as row_no, {PLACE}, unnest([{", ".join(structs)}], recursive := true)
            from {source.relation} where broken > 0 or ({plan.condition(source)})
        ) where case when broken > 0 then slot = 0 else {_says_something(plan)} end
    """)


def _says_something(plan: TablePlan) -> str:
    """SQL that is false for an empty slot, and if so asked for a row with no more than its time."""
    columns = list(plan.specs)
    if plan.map.repeat is not None:
        columns = [c for c in columns if any(SLOT in name for name in plan.specs[c].from_)]
    elif not plan.map.skip_empty:
        return "true"
    if plan.map.skip_empty:
        columns = [c for c in columns if c not in ("trip_id", "at_s")]
    filled = [f"{text_name(c)} is not null" for c in columns if plan.specs[c].constant is None]
    return f"({' or '.join(filled)})" if filled else "true"


def read_cells(
    con: duckdb.DuckDBPyConnection, plan: TablePlan, pads: dict[str, bytes] | None
) -> None:
    """Create `cells_<n>`: value `v_` and problem `p_` of a cell, and for a time `l_`, `u_`, `d_`.

    `e_` says whether a time's cell is empty. `pads` are the key's, if any column is hashed.
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
                f"insert into crosswalk select distinct {literal(spec.token)}, {value}, {text}"
                f" from extracted_{plan.number} where {text} is not null and broken = 0",
                pads,
            )
    con.execute(f"drop table extracted_{plan.number}")
