"""What is seen in the files as a whole: where headings stand, which column is the trip's number in
all of them, and where one row is one fact."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from pipeline.mapping.samples import Sample
from pipeline.mapping.suggest_values import Column
from pipeline.mapping.suggest_words import meant, split_unit
from pipeline.store.sql import literal, quoted

VALUE_WORDS = {"value", "result", "reading", "measurement", "measured", "val", "content"}
MOST_FACTS = 40
LEAST_SHARED = 0.5
"""What share of a column's numbers must be those of the trips for it to be their number."""


def mark_trips(samples: Sequence[Sample]) -> None:
    """Mark in each file the column that holds the number of the trip, where values tell it.

    That is a column of one file whose values tell its rows apart, and which every other file has
    among its own, by whatever name.
    """
    tables = [sample for sample in samples if sample.columns]
    if len(tables) < 2:
        return
    best: tuple[int, dict[int, Column]] = (0, {})
    for sample in tables:
        for column in filter(_is_key, sample.columns):
            found = {id(sample): column}
            for other in tables:
                if other is not sample and (same := _same(column, other)) is not None:
                    found[id(other)] = same
            shared = len(set(column.filled))
            if len(found) == len(tables) and shared > best[0]:
                best = (shared, found)
    for sample in tables:
        if id(sample) in best[1]:
            sample.trip = best[1][id(sample)].template


def _is_key(column: Column) -> bool:
    """Whether a column may number the rows of its file: no small numbers, dates or clock times."""
    values = column.filled
    distinct = set(values)
    if column.slots or len(distinct) < 3 or len(distinct) < len(values):
        return False
    if column.is_clock or column.time_format()[0]:
        return False
    return not column.is_number or all(re.fullmatch("[0-9]{4,}", value) for value in values)


def _same(key: Column, sample: Sample) -> Column | None:
    """The column of another file whose values are those of a key; None if none or several are."""
    numbers = set(key.filled)
    found = []
    for column in sample.columns:
        distinct = set(column.filled)
        if len(distinct) > 1 and len(distinct & numbers) >= LEAST_SHARED * len(distinct):
            found.append(column)
    return found[0] if len(found) == 1 else None


def views_of(samples: Sequence[Sample]) -> list[Sample]:
    """A view for every file in which one row is one fact: its columns are the facts."""
    return [view for sample in samples if (view := _view(sample)) is not None]


def _view(sample: Sample) -> Sample | None:
    kind = next((c for c in sample.columns if len(_facts(c)) > 1), None)
    trip, at = _named(sample, "trip_id"), _named(sample, "at_s")
    if kind is None or trip is None or at is None:
        return None
    value = _value(sample, {kind.template, trip.template, at.template})
    if value is None:
        return None
    facts = sorted(set(kind.filled))
    key = f"{sample.key}-entries"
    view = Sample(key, "view", sample.path, _sql(sample.key, (trip, at, kind, value), facts))
    view.columns = [trip, at]
    for fact in facts:
        rows = zip(kind.values, value.values, strict=False)
        view.columns.append(Column(fact, fact, [cell for name, cell in rows if name == fact]))
    view.trip = trip.template
    sample.used |= {column.template for column in (trip, at, kind, value)}
    return view


def _facts(column: Column) -> list[str]:
    """The values of a column that go by names of settings and observations."""
    distinct = set(column.filled)
    recur = 2 <= len(distinct) <= MOST_FACTS and len(column.filled) >= 2 * len(distinct)
    if column.slots or not recur:
        return []
    known = {**meant("settings"), **meant("observations")}
    ours = {known.get(split_unit(value)[0]) for value in distinct} - {None, "trip_id", "at_s"}
    return [str(name) for name in ours]


def _named(sample: Sample, ours: str) -> Column | None:
    known = meant("settings")
    for column in sample.columns:
        if ours == "trip_id" and sample.trip == column.template:
            return column
    return next((c for c in sample.columns if known.get(split_unit(c.plain)[0]) == ours), None)


def _value(sample: Sample, but: set[str]) -> Column | None:
    """The column that holds what is said of a fact."""
    others = [c for c in sample.columns if c.template not in but and not c.slots and c.filled]
    for column in others:
        if split_unit(column.plain)[0] in VALUE_WORDS:
            return column
    numbers = Counter({
        at: sum(re.fullmatch(r"[<>]?-?[0-9]+([.,][0-9]+)?", v) is not None for v in c.filled)
        for at, c in enumerate(others)
    })  # fmt: skip
    most = numbers.most_common(1)
    return others[most[0][0]] if most and most[0][1] else None


def _sql(key: str, columns: tuple[Column, Column, Column, Column], facts: list[str]) -> list[str]:
    trip, at, kind, value = (quoted(column.name) for column in columns)
    lines = [
        "# one row is one fact: this makes a row of those of one trip and time. CHECK: where the",
        "# log numbers its entries, group by that, too; it tells apart an hour that comes twice",
        "sql = '''",
        f"  select {trip}, {at}, min(line) as line, any_value(file_name) as file_name",
        *(
            f"    , any_value({value}) filter ({kind} = {literal(fact)}) as {quoted(fact)}"
            for fact in facts
        ),
        f"  from {quoted(key)} group by {trip}, {at}",
        "'''",
    ]
    return lines
