"""What the mapping asks of the files: which columns of which source, and how each cell is read."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.errors import Problem, Refused
from pipeline.mapping.clocks import DAY_S, read_date, read_time, read_time_of_day
from pipeline.mapping.files import Found, format_of
from pipeline.mapping.lineage import clocks_of
from pipeline.mapping.source_rows import Source
from pipeline.mapping.units import UnknownUnitError, contract_unit, factor
from pipeline.mapping.values import (
    Cell,
    Target,
    allowed_codes,
    converted,
    numeric,
    one_value,
    parts_of,
    text_of,
)
from pipeline.mapping.words import problem
from pipeline.store.sql import literal
from schemas.contract import TABLES
from schemas.mapping import (
    MONTHS,
    SLOT,
    ColumnMap,
    Filter,
    MappingFile,
    SourceFile,
    TableMap,
    UnitFrom,
    View,
)
from schemas.record import dataclass

BEDSIDE = "bedside"
"""The pseudo-column of the trips table that its other times count from."""

JOINED = "chr(31)"
"""SQL for what stands between the numbers that a trip goes by, where it goes by several."""


def filled(name: str, slot: str | None) -> str:
    """A column's name with its place for {n} filled."""
    return name if slot is None else name.replace(SLOT, slot)


@dataclass(frozen=True)
class TablePlan:
    """One entry of [tables]: what it makes, from which source, column by column."""

    name: str
    number: int
    into: str
    map: TableMap
    nulls: list[str]
    decimal: str
    repeats: bool
    """Whether an element of theirs may stand several times in one row, as in a report."""
    time_zone: str | None = None
    """Of times without an offset."""
    shift_s: int = 0
    """What makes the clock of these times right."""

    @property
    def specs(self) -> dict[str, ColumnMap]:
        """Every column that is made: the bedside's time first, then in the contract's order."""
        order = TABLES[self.into].to_schema().columns
        specs = {name: self.map.columns[name] for name in order if name in self.map.columns}
        return {BEDSIDE: self.map.bedside, **specs} if self.map.bedside else specs

    @property
    def timed(self) -> list[str]:
        """Columns that are made from an absolute time and placed on the trip's time line."""
        return [
            name
            for name, spec in self.specs.items()
            if spec.time and name not in (*MONTHS, "age_months")
        ]

    @property
    def slots(self) -> list[str | None]:
        """What stands for {n} in turn; one None where nothing repeats."""
        return list(self.map.repeat) if self.map.repeat else [None]

    def names(self, spec: ColumnMap, slot: str | None) -> list[str]:
        """Their columns that one of ours is made from."""
        names = [filled(name, slot) for name in spec.from_]
        return names + ([spec.unit.column] if isinstance(spec.unit, UnitFrom) else [])

    def wanted(self) -> tuple[list[str], set[str]]:
        """Every column of theirs that is read, and those that only some slots have."""
        names = [condition.column for condition in self.map.where]
        optional = set()
        for spec in self.specs.values():
            for slot in self.slots:
                names += self.names(spec, slot)
                optional |= {filled(n, slot) for n in spec.from_ if SLOT in n}
        return list(dict.fromkeys(names)), optional

    def slots_present(self, source: Source) -> list[str | None]:
        """The slots the source has; Refused where it has a part of one, or none."""
        found: list[str | None] = []
        problems = []
        for slot in self.slots:
            names = [filled(n, slot) for s in self.specs.values() for n in s.from_ if SLOT in n]
            missing = [name for name in names if name not in source.present]
            if names and len(missing) == len(names):
                continue
            found.append(slot)
            problems += [_missing(source, name) for name in missing]
        if not found:
            marked = [n for s in self.specs.values() for n in s.from_ if SLOT in n]
            problems.append(_missing(source, filled(marked[0], self.slots[0])))
        if problems:
            raise Refused(problems)
        return found

    def read(self, column: str) -> Cell:
        """How a cell that is not placed in time is read."""
        spec = self.specs[column]
        target = Target(self.into, column, text_name(column), unit_name(column))
        return converted(target, spec, self.decimal)

    def read_time(self, column: str) -> tuple[str, str, str]:
        """SQL for local time, moment in UTC and time of day of a cell; null where not given."""
        spec, text = self.specs[column], text_name(column)
        shift = f" + ({self.shift_s})" if self.shift_s else ""
        if spec.date:
            of_day = f"({read_time_of_day(spec, text)})"
            if shift:
                of_day = f"(({of_day}{shift}) % {DAY_S} + {DAY_S}) % {DAY_S}"
            return "null::BIGINT", "null::BIGINT", of_day
        if column == "age_months":
            return read_date(spec, text), "null::BIGINT", "null::BIGINT"
        local, utc = read_time(spec, text)
        return f"({local}){shift}", f"({utc}){shift}", "null::BIGINT"

    def raw(self, column: str, source: Source, slot: str | None) -> str:
        """SQL for the text a cell is made from; null where it is empty."""
        spec = self.specs[column]
        if spec.constant is not None:
            return literal(constant_text(spec))
        nulls = [*self.nulls, *spec.nulls]
        cells = [
            text_of(self._one(source.column(filled(name, slot)), spec.pick), nulls)
            for name in spec.from_
        ]
        between = " || chr(32) || " if spec.token is None else f" || {JOINED} || "
        return cells[0] if len(cells) == 1 else f"({between.join(f'({c})' for c in cells)})"

    def raw_unit(self, column: str, source: Source) -> str:
        """SQL for the text of the row's own unit."""
        unit = self.specs[column].unit
        if not isinstance(unit, UnitFrom):
            return "null"
        return text_of(self._one(source.column(unit.column), None), [])

    def _one(self, cell: str, pick: str | None) -> str:
        return one_value(cell, pick) if self.repeats else cell

    def rows(self, source: Source) -> str:
        """SQL for the source's rows, numbered; one for each value that a condition looks at.

        A trip stays one row, whichever of its values meet a condition.
        """
        rows = f"select rowid as row_no, * from {source.relation}"
        looked_at = dict.fromkeys(condition.column for condition in self.map.where)
        if not self.repeats or not looked_at or self.into == "trips":
            return rows
        for column in map(source.column, looked_at):
            rows = (
                f"select * exclude ({column}), unnest({parts_of(column)}) as {column} from ({rows})"
            )
        return f"select * replace (row_number() over () as row_no) from ({rows})"

    def conditions(self, source: Source) -> list[str]:
        """SQL of each condition, true for the rows that meet it."""
        found = []
        for filter in self.map.where:
            cell = source.column(filter.column)
            if self.repeats and self.into == "trips":
                met = _condition(filter, text_of("value", self.nulls), self.decimal)
                met = f"(len(list_filter({parts_of(cell)}, lambda value: {met})) > 0)"
            else:
                met = _condition(filter, text_of(cell, self.nulls), self.decimal)
            found.append(met)
        return found

    def not_numbers(self, source: Source) -> Iterator[tuple[str, str]]:
        """Columns that a condition compares, and SQL that is true where a cell is no number."""
        for filter in self.map.where:
            if filter.numeric and not (self.repeats and self.into == "trips"):
                cell = text_of(source.column(filter.column), self.nulls)
                yield (
                    filter.column,
                    f"({cell}) is not null and {numeric(cell, self.decimal)} is null",
                )

    def their_name(self, column: str, slot: str | None) -> str:
        """What a message calls a cell's column."""
        spec = self.specs[column]
        return " + ".join(filled(name, slot) for name in spec.from_) or column


def text_name(column: str) -> str:
    """SQL name of the text that a column of ours is made from."""
    return f"r_{column}"


def unit_name(column: str) -> str:
    """SQL name of the text of the row's own unit."""
    return f"x_{column}"


def constant_text(spec: ColumnMap) -> str:
    """A constant as a cell's text."""
    value = spec.constant
    return str(value).lower() if isinstance(value, bool) else str(value)


def _condition(filter: Filter, cell: str, decimal: str) -> str:
    if filter.numeric:
        number = numeric(cell, decimal)
        bounds = [f"{number} >= {filter.from_!r}"] if filter.from_ is not None else []
        bounds += [f"{number} < {filter.below!r}"] if filter.below is not None else []
        return f"coalesce({' and '.join(bounds)}, false)"
    if filter.empty is not None:
        return f"({cell}) is {'' if filter.empty else 'not '}null"
    listed = ", ".join(map(literal, (filter.is_ or filter.is_not or [])))
    if not listed:
        return "true" if filter.is_not is not None else "false"
    if filter.is_ is not None:
        return f"coalesce(({cell}) in ({listed}), false)"
    return f"coalesce(({cell}) not in ({listed}), true)"


@dataclass(frozen=True)
class Entry:
    """One entry of [files]: its number, the files it means, and the tables made from it."""

    number: int
    spec: SourceFile
    files: list[Found]
    plans: list[TablePlan]


def wanted_by(plans: list[TablePlan]) -> tuple[list[str], frozenset[str]]:
    """Every column that some plan reads, and those that all of them can do without."""
    names: dict[str, None] = {}
    needed: set[str] = set()
    for plan in plans:
        columns, optional = plan.wanted()
        names |= dict.fromkeys(columns)
        needed |= set(columns) - optional
    return list(names), frozenset(set(names) - needed)


def _missing(source: Source, name: str) -> Problem:
    file = source.files[0] if source.files else None
    return problem("missing-column", file, "there is no such column", column=name)


def _holds_reports(spec: SourceFile | View) -> bool:
    return isinstance(spec, SourceFile) and format_of(spec) == "nemsis"


def plans(mapping: MappingFile) -> list[TablePlan]:
    """Every table to make, in the mapping's order."""
    found = []
    for number, (name, table) in enumerate(mapping.tables.items()):
        source = mapping.files.get(table.from_) or mapping.views[table.from_]
        found.append(
            TablePlan(
                name,
                number,
                mapping.into(name),
                table,
                mapping.nulls,
                source.decimal,
                _holds_reports(source),
                *min(clocks_of(mapping, table.from_), key=str),
            )
        )
    return found


def check_cells(mapping: MappingFile, file: str) -> list[Problem]:
    """What no file could make right: units of another kind, codes the contract does not have."""
    return [
        problem("toml-content", file, what, column=place) for place, what in _plan_faults(mapping)
    ]


def _plan_faults(mapping: MappingFile) -> Iterator[tuple[str, str]]:
    every = plans(mapping)
    for plan in every:
        if plan.timed and len(clocks_of(mapping, plan.map.from_)) > 1:
            what = "is made from files of several clocks: say time_zone, in which its times are"
            yield f"views.{plan.map.from_}", what
    grouped = [f"tables.{plan.name}" for plan in every if plan.map.each and not plan.repeats]
    for name, spec in mapping.files.items():
        grouped += [f"files.{name}"] if spec.each and not _holds_reports(spec) else []
    for place in grouped:
        yield f"{place}.each", "is for files of reports alone, which have groups"
    for plan in every:
        for column, column_map in plan.specs.items():
            if column != BEDSIDE:
                for path, what in _cell_faults(plan.into, column, column_map):
                    yield f"tables.{plan.name}.columns.{path}", what


def _cell_faults(table: str, column: str, spec: ColumnMap) -> Iterator[tuple[str, str]]:
    ours = contract_unit(table, column)
    units = list(spec.unit.means.values()) if isinstance(spec.unit, UnitFrom) else [spec.unit]
    for unit in filter(None, units):
        if ours is None:
            yield f"{column}.unit", "the contract's column has no unit"
            break
        try:
            factor(str(unit), ours)
        except UnknownUnitError as error:
            yield f"{column}.unit", str(error)
    allowed = allowed_codes(table, column)
    made = [*(spec.codes or {}).values(), spec.otherwise or ""]
    if spec.constant is not None:
        made.append(constant_text(spec))
    for code in dict.fromkeys(made):
        if allowed is not None and code and code not in allowed:
            yield column, f'"{code}" is none of {", ".join(allowed)}'
