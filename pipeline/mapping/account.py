"""The account of a mapping: for each entry what was read, taken, left out and why; zeros first."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field

from pipeline.errors import Mistake, NothingFound, Problem
from pipeline.mapping.assemble import belongs_to_a_trip
from pipeline.mapping.deliver import delivered, rows_of
from pipeline.mapping.plan import BEDSIDE, TablePlan
from pipeline.mapping.source_rows import Source
from pipeline.mapping.words import problem, refused
from pipeline.store.database import one
from pipeline.store.sql import literal
from schemas.connection import Connection
from schemas.contract import PERCENTS, fractions
from schemas.mapping import Filter
from schemas.record import dataclass


@dataclass(frozen=True)
class Made:
    """Every table's plan, the source it was made from, and the rows that went with their trips."""

    plans: list[TablePlan]
    sources: dict[int, Source]
    followed: dict[int, int]


@dataclass
class Entry:
    """What became of the rows of one entry of [tables]; `without`: trips that have no row in it."""

    plan: TablePlan
    made_from: int | None = None
    read: int = 0
    left_out: list[tuple[Filter, int, int]] = field(default_factory=list)
    """Each condition, how many rows came to it, and how many did not meet it."""
    other: dict[str, int] = field(default_factory=dict)
    taken: int = 0
    unusable: int = 0
    without: int = 0
    before: tuple[str, int] | None = None

    def line(self) -> str:
        """The entry in one line."""
        others = [(f"by {f.words()}", n) for f, _, n in self.left_out] + list(self.other.items())
        out = ", ".join(f"{n} {why}" for why, n in others if n)
        parts = [f"{self.read} rows read of {self.plan.map.from_}"]
        parts += [f"made from {self.made_from} lines"] if self.made_from is not None else []
        parts += [f"{self.taken} taken"]
        parts += [f"left out: {out}"] if out else []
        parts += [f"{self.unusable} with a cell that cannot be used"] if self.unusable else []
        trips = "trip has" if self.without == 1 else "trips have"
        parts += [f"{self.without} {trips} none"] if self.without else []
        parts += [f"in {self.before[0]} {self.before[1]} taken"] if self.before else []
        return f"{self.plan.name}: {'; '.join(parts)}."


@dataclass(frozen=True)
class Account:
    """Every entry, and what is to be said before all else."""

    entries: list[Entry]
    first: list[Problem]

    def lines(self) -> list[str]:
        """One line for each entry."""
        return [entry.line() for entry in self.entries]

    def over(self, tolerated: Mapping[str, float]) -> list[str]:
        """What is not tolerated: conditions that nothing meets, tables that came empty, and those
        of whose rows a larger share cannot be used. One of which all rows may be lost may be empty.
        """
        may_be_empty = {e.plan.name for e in self.entries if tolerated.get(e.plan.into) == 1}
        found = [
            str(first.column)
            for first in self.first
            if first.code != "no-rows" or first.column not in may_be_empty
        ]
        for table in dict.fromkeys(entry.plan.into for entry in self.entries):
            own = [entry for entry in self.entries if entry.plan.into == table]
            lost = sum(e.unusable + e.other.get(NO_TRIP, 0) for e in own)
            rows = sum(e.taken + e.other.get(NO_TRIP, 0) for e in own)
            if lost and lost > tolerated.get(table, 0.0) * max(rows, 1):
                found.append(table)
        return found


NO_TRIP = "of no trip"


def make_account(con: Connection, made: Made, months: list[str], *, unknown: bool) -> Account:
    """Count what became of every row, for the delivery of these months.

    Problems of trips of other months are no longer listed after it. `unknown`: trips whose month
    cannot be read are delivered, too.
    """
    listed = ", ".join(map(literal, months)) or "null"
    con.execute(f"delete from cell_problem where month is not null and month not in ({listed})")
    (earlier,) = one(con, "select max(month) from trip where month < ?", [min(months, default="")])
    entries = [_entry(con, made, plan, months, earlier, unknown=unknown) for plan in made.plans]
    return Account(entries, list(_first(con, made, entries)))


def _entry(
    con: Connection,
    made: Made,
    plan: TablePlan,
    months: list[str],
    earlier: str | None,
    *,
    unknown: bool,
) -> Entry:
    source = made.sources[plan.number]
    kept = delivered(plan, months, unknown=unknown)
    entry = Entry(plan, source.made_from, *_read(con, plan, source))
    nobody = "p_trip_id = 'row-of-no-trip'" if belongs_to_a_trip(plan) else "false"
    total, no_trip, here = one(
        con,
        f"select count(*), count(*) filter ({nobody}), count(*) filter ({kept})"
        f" from made_{plan.number}",
    )
    entry.taken = one(con, f"select count(*) from ({rows_of(plan, months, unknown=unknown)})")[0]
    followed = made.followed[plan.number]
    entry.other = {
        "of trips left out": followed,
        NO_TRIP: no_trip,
        "of other months": total - no_trip - here,
        "that are there twice": here - entry.taken,
        "that the mapping skips": source.skipped,
    }
    if not plan.repeats and plan.map.repeat is None:
        left = sum(n for _, _, n in entry.left_out)
        entry.other["that say nothing"] = entry.read - left - followed - total
    entry.unusable = one(
        con,
        "select count(distinct row_no) from cell_problem"
        f" where plan = {plan.number} and code <> 'row-of-no-trip'",
    )[0]
    entry.without = _without(con, plan, months)
    if earlier:
        sql = f"select count(*) from ({rows_of(plan, [earlier], unknown=False)})"
        entry.before = (earlier, one(con, sql)[0])
    return entry


def _without(con: Connection, plan: TablePlan, months: list[str]) -> int:
    """How many of the trips delivered have no row of an entry."""
    if not belongs_to_a_trip(plan):
        return 0
    known = ", ".join(map(literal, months)) or "null"
    (count,) = one(
        con,
        f"select count(*) from trip where month in ({known}) and trip not in"
        f" (select v_trip_id from made_{plan.number} where v_trip_id is not null)",
    )
    return int(count)


def _read(
    con: Connection, plan: TablePlan, source: Source
) -> tuple[int, list[tuple[Filter, int, int]]]:
    """How many rows there were, and at which condition each was left out, in one pass."""
    counts, met = ["count(*)"], "broken = 0"
    for condition in plan.conditions(source):
        counts.append(f"count(*) filter ({met})")
        counts.append(f"count(*) filter ({met} and not ({condition}))")
        met = f"{met} and ({condition})"
    found = one(con, f"select {', '.join(counts)} from ({plan.rows(source)})")
    pairs = zip(plan.map.where, found[1::2], found[2::2], strict=True)
    return found[0], list(pairs)


def _first(con: Connection, made: Made, entries: list[Entry]) -> Iterator[Problem]:
    """What is said first: conditions that nothing meets, and tables that came empty."""
    told = set()
    for entry in entries:
        source = made.sources[entry.plan.number]
        for filter, came, left in entry.left_out:
            if came and came == left:
                told.add(entry.plan.into)
                yield _nothing_meets(con, entry.plan, source, filter, came)
        yield from _percents(con, entry.plan, source)
    for table in dict.fromkeys(entry.plan.into for entry in entries):
        own = [entry for entry in entries if entry.plan.into == table]
        if any(entry.taken for entry in own) or table in told:
            continue
        name, files = own[0].plan.name, made.sources[own[0].plan.number].files
        before = [e.before for e in own if e.before and e.before[1]]
        lost = sum(e.other[NO_TRIP] for e in own)
        if before:
            what = f"{name} has no rows; of {before[0][0]} it has {before[0][1]}"
            yield problem("no-rows", files[0] if files else None, what, column=name)
        elif lost and not any(e.other["of other months"] for e in own):
            what = f"none of its {lost} rows is of a trip that trips has"
            remedy = "Export both with the trips' numbers as text, or say in a view how they agree."
            file = files[0] if files else None
            yield problem("no-rows", file, what, column=name, remedy=remedy)


def _percents(con: Connection, plan: TablePlan, source: Source) -> Iterator[Problem]:
    """Say which fractions look like percents: `check` would set every row of them aside."""
    for column in (name for name in fractions(plan.into) if name in plan.specs):
        value = f"try_cast(v_{column} as DOUBLE)"
        rows, above = one(
            con,
            f"select count({value}), count(*) filter ({value} > 1 and {value} <= 100)"
            f" from made_{plan.number}",
        )
        if above and 2 * above >= rows:
            file, name = source.files[0] if source.files else None, plan.their_name(column, None)
            yield problem("looks-like-percents", file, PERCENTS, column=name)


def _nothing_meets(
    con: Connection, plan: TablePlan, source: Source, filter: Filter, rows: int
) -> Problem:
    """Say that no row meets a condition, and whether spelling is all that keeps them from it."""
    what = f"none of {rows} rows meets the condition {filter.words()}"
    if filter.is_:
        texts = ", ".join(literal(text.strip().lower()) for text in filter.is_)
        cell = f"lower(trim({source.column(filter.column)}))"
        near = one(con, f"select count(*) from ({plan.rows(source)}) where {cell} in ({texts})")[0]
        if near:
            what += f"; {near} would if case and spaces did not count"
    file = source.files[0] if source.files else None
    return problem("nothing-matches", file, what, column=f"tables.{plan.name}.where")


def looks_like(form: str) -> str:
    """What times of a format look like, digits as 9."""
    return re.sub("%[a-zA-Z]", "99", form.replace("%Y", "9999"))


def nothing_found(
    con: Connection,
    made: Made,
    every: list[str],
    wanted: Sequence[str],
    *,
    shapes: Mapping[str, str],
) -> Mistake:
    """Why no trip is delivered: none of those months is there, or none could be made at all."""
    plan = next(plan for plan in made.plans if plan.into == "trips")
    source = made.sources[plan.number]
    file = ", ".join(source.files[:3]) or plan.map.from_
    if every:
        what = f"there is no trip of {', '.join(wanted)}; there are of {', '.join(every)}"
        return NothingFound(problem("nothing-found", file, what))
    rows, left_out = _read(con, plan, source)
    if not rows:
        what = "below its header there is no row"
        return refused("empty-file", file, what)
    for filter, came, left in left_out:
        if came == left:
            reason = _nothing_meets(con, plan, source, filter, came)
            return refused("no-trips", file, reason.what, column=reason.column)
    column = BEDSIDE if BEDSIDE in plan.specs else "service_month"
    spec = plan.specs[column]
    what = f"in none of {rows} rows could the trip's month be read"
    if spec.time:
        formats = " or ".join(f'"{form}"' for form in spec.time)
        what = f"none of the times in {rows} rows is of the format {formats}"
    remedy = None
    if column in shapes:
        what += f'; they look like "{shapes[column]}"'
        if re.fullmatch(r"9{5}([.,]9+)?", shapes[column]):
            what += ", as days that a spreadsheet counts do"
            remedy = "Map the workbook itself, or save the column as dates and times."
        elif any(looks_like(form) == shapes[column] for form in spec.time):
            what += ", so a part is out of its range: see which of them is day, and which month"
    name = plan.their_name(column, None)
    return refused("no-trips", file, what, column=name, remedy=remedy)
