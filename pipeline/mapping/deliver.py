"""Write the delivery: its tables as CSV, and export.toml from what the mapping states."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Refused
from pipeline.ingest.parts import CANNULAS, EXPORT, LARGEST_SETTINGS, PROTOCOL, read_part
from pipeline.ingest.problems import Findings
from pipeline.mapping.plan import TablePlan
from pipeline.mapping.words import refused, toml
from pipeline.store.database import one
from pipeline.store.sql import literal, quoted
from schemas.contract import CONTRACT_VERSION, MONTH_PATTERN, TABLES
from schemas.export_file import TIMED

if TYPE_CHECKING:
    import duckdb

    from schemas.mapping import MappingFile


def pick_months(
    con: duckdb.DuckDBPyConnection, plans: list[TablePlan], wanted: Sequence[str]
) -> list[str]:
    """Create `trip_left_out` and return the months of the trips that are delivered."""
    trips = next(plan for plan in plans if plan.into == "trips")
    months = con.execute(
        f"select distinct v_service_month from made_{trips.number}"
        f" where regexp_full_match(v_service_month, {literal(MONTH_PATTERN)}) order by 1"
    ).fetchall()
    found = [month for (month,) in months if not wanted or month in wanted]
    if not found:
        among = f" in {', '.join(wanted)}" if wanted else ""
        rows = one(con, f"select count(*) from made_{trips.number}")[0]
        what = f"no trip{among} with a readable service month came out of {rows} rows"
        raise refused("empty-file", ", ".join(_source_names(trips)), what)
    listed = ", ".join(map(literal, found))
    unknown = f"not regexp_full_match(v_service_month, {literal(MONTH_PATTERN)})"
    con.execute(
        f"create table trip_left_out as select distinct v_trip_id as trip from made_{trips.number}"
        f" where v_trip_id is not null and not coalesce({unknown} or v_service_month in ({listed}),"
        " true)"
    )
    return found


def _source_names(plan: TablePlan) -> list[str]:
    return [plan.map.from_]


def write_tables(
    con: duckdb.DuckDBPyConnection, plans: list[TablePlan], months: list[str], folder: Path
) -> dict[str, int]:
    """Write every table that is mapped; return how many rows each has."""
    counts = {}
    for table in TABLES:
        parts = [plan for plan in plans if plan.into == table]
        if not parts:
            continue
        specs = {column for plan in parts for column in _columns(plan)}
        columns = [column for column in TABLES[table].to_schema().columns if column in specs]
        union = " union all by name ".join(f"({_rows(plan, months)})" for plan in parts)
        listed = ", ".join(f"v_{column} as {quoted(column)}" for column in columns)
        con.execute(
            f"copy (select {listed} from ({union}) order by part, row_no, slot)"
            f" to {literal(str(folder / f'{table}.csv'))} (format csv, header true)"
        )
        counts[table] = int(one(con, f"select count(*) from ({union})")[0])
    return counts


def _columns(plan: TablePlan) -> list[str]:
    month = ["service_month"] if plan.into == "trips" else []
    return [*plan.map.columns, *month]


def _rows(plan: TablePlan, months: list[str]) -> str:
    """SQL for one entry's rows, without those of other months."""
    columns = [f"v_{column}" for column in dict.fromkeys(_columns(plan))]
    kept = "true"
    if "trip_id" in plan.specs:
        kept = "v_trip_id is null or v_trip_id not in (select trip from trip_left_out)"
    elif "month" in plan.specs:
        known = ", ".join(map(literal, months))
        kept = f"v_month is null or v_month = 'unreadable' or v_month in ({known})"
    once = ""
    if plan.map.distinct:
        once = (
            f" qualify row_number() over (partition by {', '.join(columns)}"
            " order by row_no, slot) = 1"
        )
    return (
        f"select {plan.number} as part, row_no, slot, {', '.join(columns)}"
        f" from made_{plan.number} where {kept}{once}"
    )


def write_settings(mapping: MappingFile, beside: Path, months: list[str], folder: Path) -> None:
    """Write export.toml, and copy the protocol and catalogue that the mapping names."""
    text = export_text(mapping, months)
    (folder / EXPORT).write_text(text, encoding="utf-8", newline="\n")
    for name, role in ((mapping.protocol, PROTOCOL), (mapping.cannulas, CANNULAS)):
        if name is None:
            continue
        findings = Findings()
        if read_part(beside / name, findings, most=LARGEST_SETTINGS) is None:
            raise Refused(findings.refusals)
        (folder / role).write_bytes((beside / name).read_bytes())


def export_text(mapping: MappingFile, months: list[str]) -> str:
    """An export.toml for the months found; all else is as the mapping states it."""
    lines = [
        f"contract = {CONTRACT_VERSION}",
        f"service = {toml(mapping.service)}",
        f"months = {toml(months)}",
        f"privacy_basis = {toml(mapping.privacy_basis)}",
        f"not_recorded = {toml(sorted(set(mapping.not_recorded)))}",
        "",
        "[time_resolution_s]",
    ]
    stated = {table: getattr(mapping.time_resolution_s, table) for table in TIMED}
    lines += [f"{table} = {value}" for table, value in stated.items() if value is not None]
    if mapping.device_clock:
        lines += ["", "[device_clock]", f"max_offset_s = {mapping.device_clock.max_offset_s}"]
    expected = {m: n for m, n in sorted(mapping.expected_trips.items()) if m in months}
    if expected:
        lines += ["", "[expected_trips]", *(f"{month} = {n}" for month, n in expected.items())]
    return "\n".join(lines) + "\n"
