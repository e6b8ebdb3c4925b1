"""Write the delivery: its tables as CSV, and export.toml from what the mapping states."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import Refused
from pipeline.ingest.delivery_files import CANNULAS, EXPORT, LARGEST_SETTINGS, PROTOCOL, read_part
from pipeline.ingest.problems import Findings
from pipeline.mapping.plan import TablePlan
from pipeline.mapping.words import toml
from pipeline.store.database import one
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.contract import CONTRACT_VERSION, MONTH_PATTERN, TABLES
from schemas.export_file import TIMED, VOCABULARY_COLUMNS
from schemas.mapping import MappingFile

UNITS = VOCABULARY_COLUMNS["units"]


def months_of(con: Connection) -> list[str]:
    """The service months of the trips that were made."""
    found = con.execute("select distinct month from trip where month is not null order by 1")
    return [month for (month,) in found.fetchall()]


def write_tables(
    con: Connection, plans: list[TablePlan], months: list[str], folder: Path, *, unknown: bool
) -> dict[str, int]:
    """Write every table that is mapped; return how many rows each has.

    `unknown`: also the trips whose month could not be read.
    """
    counts = {}
    for table in TABLES:
        parts = [plan for plan in plans if plan.into == table]
        if not parts:
            continue
        specs = {column for plan in parts for column in _columns(plan)}
        columns = [column for column in TABLES[table].to_schema().columns if column in specs]
        union = " union all by name ".join(
            f"({rows_of(plan, months, unknown=unknown)})" for plan in parts
        )
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


def delivered(plan: TablePlan, months: list[str], *, unknown: bool) -> str:
    """SQL that is true for the rows of `made_<n>` that a delivery of these months holds."""
    listed = ", ".join(map(literal, months)) or "null"
    month = {"trips": "v_service_month", "expected": "v_service_month", "training": "v_month"}
    if plan.into in month:
        own = month[plan.into]
        other = f"not regexp_full_match({own}, {literal(MONTH_PATTERN)})"
        return f"({own} in ({listed})" + (f" or coalesce({other}, true))" if unknown else ")")
    known = f"month in ({listed})" + (" or month is null" if unknown else "")
    return f"v_trip_id in (select trip from trip where {known})"


def rows_of(plan: TablePlan, months: list[str], *, unknown: bool) -> str:
    """SQL for one entry's rows, without those of other months and of no trip."""
    columns = [f"v_{column}" for column in dict.fromkeys(_columns(plan))]
    once = ""
    if plan.map.distinct:
        once = (
            f" qualify row_number() over (partition by {', '.join(columns)}"
            " order by row_no, slot) = 1"
        )
    return (
        f"select {plan.number} as part, row_no, slot, {', '.join(columns)}"
        f" from made_{plan.number} where {delivered(plan, months, unknown=unknown)}{once}"
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
    stated_tokens = _tokens(mapping)
    if stated_tokens:
        lines += ["", "[tokens]", *(f"{name} = {toml(value)}" for name, value in stated_tokens)]
    expected = {m: n for m, n in sorted(mapping.expected_trips.items()) if m in months}
    if expected:
        lines += ["", "[expected_trips]", *(f"{month} = {n}" for month, n in expected.items())]
    return "\n".join(lines) + "\n"


def _tokens(mapping: MappingFile) -> list[tuple[str, str]]:
    """What is known of where the delivery's tokens come from."""
    found = []
    for name, columns in (("trip_id", ("trip_id",)), ("crew_member", ("crew_member",)),
                          ("units", UNITS)):  # fmt: skip
        specs = [t.columns[c] for t in mapping.tables.values() for c in columns if c in t.columns]
        if mapping.tokens and getattr(mapping.tokens, name):
            found.append((name, "assigned"))
        elif specs and all(spec.token for spec in specs):
            found.append((name, "hashed"))
    return found
