"""Bring the rows of every source that the mapping names into the database."""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

from pipeline.errors import Problem, Refused
from pipeline.mapping import views
from pipeline.mapping.files import find, format_of
from pipeline.mapping.lineage import files_below, mentions, needed_views
from pipeline.mapping.nemsis import elements_in, read_reports
from pipeline.mapping.plan import Entry, TablePlan, wanted_by
from pipeline.mapping.source_rows import FIRST_CELL, SHELF, Source, read_file
from pipeline.mapping.words import problem
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.mapping import MappingFile, SourceFile


def read_sources(
    con: Connection, source: Path, mapping: MappingFile, plans: list[TablePlan], scratch: Path
) -> dict[int, Source]:
    """Return the source of every plan, by its number; Refused lists what is wrong with any file.

    Whatever kind of source is added, it fills a Source, and a view reads it as any other.
    """
    names, for_views = needed_views(mapping)
    used = {plan.map.from_ for plan in plans} | set(for_views)
    found = find(source, {key: spec for key, spec in mapping.files.items() if key in used})
    con.execute(
        "create table note (file VARCHAR, line INTEGER, name VARCHAR, code VARCHAR, detail VARCHAR)"
    )
    if for_views:
        con.execute(f"attach {literal(str(scratch / f'{SHELF}.duckdb'))} as {SHELF}")
    problems: list[Problem] = []
    sources: dict[int, Source] = {}
    below: dict[str, Source] = {}
    for number, (key, files) in enumerate(found.items()):
        own_plans = [plan for plan in plans if plan.map.from_ == key]
        entry = Entry(number, mapping.files[key], files, own_plans)
        try:
            if format_of(entry.spec) == "nemsis":
                seen = _seen_by_views(entry, mapping) if key in for_views else None
                sources |= read_reports(con, entry, seen)
                below |= {key: seen} if seen else {}
                continue
            table = _read_tables(con, entry, mapping, scratch, in_view=key in for_views)
            sources |= {plan.number: table for plan in own_plans}
            below[key] = table
        except Refused as refusal:
            problems += refusal.problems
    if problems:
        raise Refused(problems)
    needed = (names, for_views)
    return sources | _of_views(con, mapping, plans, needed=needed, below=below, scratch=scratch)


def _of_views(
    con: Connection,
    mapping: MappingFile,
    plans: list[TablePlan],
    *,
    needed: tuple[list[str], list[str]],
    below: dict[str, Source],
    scratch: Path,
) -> dict[int, Source]:
    """Make the views, and return the source of every plan that is made from one."""
    names, for_views = needed
    if not names:
        return {}
    if not for_views:
        what = "it reads none of the declared files"
        raise Refused(problem("view-fails", None, what, column=f"views.{names[0]}"))
    views.make_views(con, mapping, names, {key: below[key] for key in for_views}, scratch)
    found: dict[int, Source] = {}
    problems: list[Problem] = []
    for name in names:
        own_plans = [plan for plan in plans if plan.map.from_ == name]
        if not own_plans:
            continue
        under = [below[key] for key in for_views if key in files_below(mapping, name)]
        try:
            made = views.view_source(con, name, mapping.views[name], own_plans, under)
        except Refused as refusal:
            problems += refusal.problems
            continue
        found |= {plan.number: made for plan in own_plans}
    if problems:
        raise Refused(problems)
    return found


def _seen_by_views(entry: Entry, mapping: MappingFile) -> Source:
    """A source, still empty, of those elements of reports that views name."""
    names = elements_in(_Mentioned(mapping, entry.spec).text)
    return Source(f"{SHELF}.source_{entry.number}", names, present=set(names), repeats=True)


def _read_tables(
    con: Connection, entry: Entry, mapping: MappingFile, scratch: Path, *, in_view: bool
) -> Source:
    """Read the files of one entry, which are tables, into one relation."""
    names, optional = wanted_by(entry.plans)
    spec = entry.spec
    if isinstance(spec.skip_rows, list) or isinstance(spec.footer, list):
        names.append(FIRST_CELL)
    relation = f"source_{entry.number}"
    source = Source(f"{SHELF}.{relation}" if in_view else relation, names, optional)
    if in_view:
        source.mentioned = _Mentioned(mapping, spec).__contains__
    problems: list[Problem] = []
    for found in entry.files:
        try:
            read_file(con, source, found, spec, scratch)
        except Refused as refusal:
            problems += refusal.problems
    if problems:
        raise Refused(problems)
    return source


class _Mentioned:
    """The headings that a view, or a table made from one, names: the others are never read."""

    def __init__(self, mapping: MappingFile, spec: SourceFile) -> None:
        tables = [t for t in mapping.tables.values() if t.from_ in mapping.views]
        names = [name for t in tables for c in t.columns.values() for name in c.from_]
        names += [name for t in tables if t.bedside for name in t.bedside.from_]
        names += [condition.column for t in tables for condition in t.where]
        self.text = "\n".join([*(view.sql for view in mapping.views.values()), *map(quoted, names)])
        self.patterns = spec.columns

    def __contains__(self, name: str) -> bool:
        by_pattern = any(fnmatchcase(name, pattern) for pattern in self.patterns)
        return by_pattern or mentions(self.text, name)
