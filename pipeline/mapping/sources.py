"""Bring the rows of every source that the mapping names into the database."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Problem, Refused
from pipeline.mapping.entries import Entry, wanted_by
from pipeline.mapping.files import find, format_of
from pipeline.mapping.plan import TablePlan
from pipeline.mapping.rows import Source, read_file

if TYPE_CHECKING:
    import duckdb

    from schemas.mapping import MappingFile


def read_sources(
    con: duckdb.DuckDBPyConnection,
    source: Path,
    mapping: MappingFile,
    plans: list[TablePlan],
    scratch: Path,
) -> dict[int, Source]:
    """Return the source of every plan, by its number; Refused lists what is wrong with any file."""
    used = {plan.map.from_ for plan in plans}
    found = find(source, {key: spec for key, spec in mapping.files.items() if key in used})
    con.execute(
        "create table note (file VARCHAR, line INTEGER, name VARCHAR, code VARCHAR, detail VARCHAR)"
    )
    problems: list[Problem] = []
    sources: dict[int, Source] = {}
    for number, (key, files) in enumerate(found.items()):
        own_plans = [plan for plan in plans if plan.map.from_ == key]
        entry = Entry(number, mapping.files[key], files, own_plans)
        try:
            if format_of(entry.spec) == "nemsis":
                from pipeline.mapping.nemsis import read_reports

                sources |= read_reports(con, entry)
            else:
                sources |= _read_tables(con, entry, scratch)
        except Refused as refusal:
            problems += refusal.problems
    if problems:
        raise Refused(problems)
    return sources


def _read_tables(con: duckdb.DuckDBPyConnection, entry: Entry, scratch: Path) -> dict[int, Source]:
    """Read the files of one entry, which are tables, into one relation."""
    names, optional = wanted_by(entry.plans)
    source = Source(f"source_{entry.number}", names, optional)
    source.create(con)
    problems: list[Problem] = []
    for found in entry.files:
        try:
            read_file(con, source, found, entry.spec, scratch)
        except Refused as refusal:
            problems += refusal.problems
    if problems:
        raise Refused(problems)
    return {plan.number: source for plan in entry.plans}
