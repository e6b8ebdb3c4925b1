"""A mapping file's text, laid over the mapping it extends and checked to hang together."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from schemas.contract import MAY_BE_ABSENT, TABLES
from schemas.export_file import TIMED
from schemas.located import Located, LocatedError, parse_toml, plain_problems
from schemas.mapping import ISO, MONTHS, TIMES, ColumnMap, MappingFile, TableMap, Tokens

TOKEN_COLUMNS = ("trip_id", "crew_member")
"""Columns that a delivery may hold as tokens alone."""


class _Any(BaseModel):
    model_config = ConfigDict(extra="allow")


def parse_mapping(text: str, shipped: Mapping[str, str]) -> MappingFile:
    """Read a mapping file's text; LocatedError lists every fault with its dotted path.

    `shipped` holds the texts of the mappings that come with the tool. The one named by `extends`
    is read first, and the file's own keys are laid over it.
    """
    data = _raw(text)
    extends = data.get("extends")
    if isinstance(extends, str) and extends in shipped:
        under = _raw(shipped[extends])
        for table in _listed(data.get("not_recorded")):
            under["tables"].pop(table, None)
        data = overlaid(under, data)
    try:
        mapping = MappingFile.model_validate(data)
    except ValidationError as error:
        raise LocatedError(plain_problems(error, data, list(MappingFile.model_fields))) from None
    faults = list(_faults(mapping))
    if faults:
        raise LocatedError(faults)
    return mapping


def _listed(value: Any) -> list[str]:
    return [entry for entry in value if isinstance(entry, str)] if isinstance(value, list) else []


def _raw(text: str) -> dict[str, Any]:
    return parse_toml(text, _Any).model_extra or {}


def overlaid(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `under` with every key of `over` put in place; tables are merged, the rest replaced.

    How one column is made is replaced as a whole: half of one way and half of another is neither.
    Conditions are added to those that are there, or take the place of those on the same column.
    """
    merged = dict(under)
    for key, value in over.items():
        below = merged.get(key)
        if key == "where" and isinstance(below, list):
            merged[key] = _conditions(below, value)
        elif not isinstance(value, dict) or not isinstance(below, dict):
            merged[key] = value
        elif key == "columns":
            merged[key] = {**below, **value}
        else:
            merged[key] = overlaid(below, value)
    return merged


def _conditions(below: list[Any], over: Any) -> Any:
    if not isinstance(over, list):
        return over
    named = [entry.get("column") for entry in over if isinstance(entry, dict)]
    return [*(entry for entry in below if entry["column"] not in named), *over]


def _faults(mapping: MappingFile) -> Iterator[Located]:
    """What contradicts itself between parts of the file, each with its dotted path."""
    into = []
    for name, table in mapping.tables.items():
        place = f"tables.{name}"
        if mapping.into(name) not in TABLES:
            yield Located(place, f"is none of {', '.join(TABLES)}; say which with into")
            continue
        into.append(mapping.into(name))
        if table.from_ not in mapping.files and table.from_ not in mapping.views:
            what = f"there is no [files.{table.from_}] and no [views.{table.from_}]"
            yield Located(f"{place}.from", what)
        for path, what in _table_faults(mapping, name):
            yield Located(f"{place}.{path}", what)
    yield from _name_faults(mapping)
    yield from _token_faults(mapping)
    if into.count("trips") != 1:
        yield Located("tables", "exactly one must make trips")
    for name in TABLES:
        if name in into and name in mapping.not_recorded:
            yield Located("not_recorded", f"names {name}, which is mapped")
        if name not in (*into, *mapping.not_recorded, *MAY_BE_ABSENT):
            yield Located("tables", f"{name} is neither mapped nor under not_recorded")
        if name in into and name in TIMED and getattr(mapping.time_resolution_s, name) is None:
            yield Located(
                f"time_resolution_s.{name}", "must say how finely times were recorded: 1 or 60"
            )


def _name_faults(mapping: MappingFile) -> Iterator[Located]:
    """Files and views that a SELECT could not tell apart: it does not look at case."""
    seen = {name.lower() for name in mapping.files}
    for name in mapping.views:
        if name.lower() in seen:
            yield Located(f"views.{name}", "is the name of a file or of another view")
        seen.add(name.lower())


def _token_faults(mapping: MappingFile) -> Iterator[Located]:
    """Numbers of trips and crew that are neither hashed nor said to be tokens already."""
    stated = mapping.tokens or Tokens()
    kinds: dict[str, set[str | None]] = {}
    for name, table in mapping.tables.items():
        for column in TOKEN_COLUMNS:
            spec = table.columns.get(column)
            if spec is None:
                continue
            place = f"tables.{name}.columns.{column}"
            first = column not in kinds  # of the others the same is to be said
            kinds.setdefault(column, set()).add(spec.token)
            if not first:
                continue
            assigned = getattr(stated, column) == "assigned"
            if spec.token is None and not assigned:
                kind = column.partition("_")[0]
                yield Located(
                    place,
                    f'is not hashed: write {{ from = "...", token = "{kind}" }}, or, if these are'
                    f' tokens already, {column} = "assigned" under [tokens]',
                )
            elif spec.token is not None and (assigned or stated.key_file is None):
                what = "is hashed, and [tokens] says that it is assigned"
                yield Located(place, what if assigned else "needs [tokens] with key_file")
    for column, found in kinds.items():
        if len(found) > 1 and None not in found:
            yield Located("tables", f"{column} is hashed as {' and as '.join(map(str, found))}")


def _table_faults(mapping: MappingFile, name: str) -> Iterator[tuple[str, str]]:
    table, into = mapping.tables[name], mapping.into(name)
    yield from _column_faults(mapping, name)
    if table.bedside and into != "trips":
        yield "bedside", "belongs to the table that makes trips"
    elif table.bedside and not table.bedside.time:
        yield "bedside", "needs time, the format it is written in"
    elif table.bedside:
        for at, what in _format_faults("bedside", table.bedside):
            yield f"bedside.{at}", what
    if table.repeat is not None and into == "trips":
        yield "repeat", "a trip is one row"


def _column_faults(mapping: MappingFile, name: str) -> Iterator[tuple[str, str]]:
    table, into = mapping.tables[name], mapping.into(name)
    columns = TABLES[into].to_schema().columns
    for column, spec in table.columns.items():
        place = f"columns.{column}"
        if column not in columns:
            yield place, f"{into} has no such column"
            continue
        if spec.time and column not in TIMES:
            yield f"{place}.time", f"is only for {', '.join(TIMES)}"
        elif spec.time:
            for at, what in _format_faults(column, spec):
                yield f"{place}.{at}", what
        if spec.token and str(columns[column].dtype) != "string":
            yield f"{place}.token", "only columns of tokens can be hashed"
        if spec.token and column not in TOKEN_COLUMNS and not (mapping.tokens or Tokens()).key_file:
            yield f"{place}.token", "needs [tokens] with key_file"
    for column, field in columns.items():
        of_bedside = into == "trips" and column == "service_month"
        if not field.nullable and column not in table.columns and not of_bedside:
            yield f"columns.{column}", "is missing"
    if into == "trips" and table.bedside is None:
        yield from _bedside_faults(mapping, table)


def _bedside_faults(mapping: MappingFile, trips: TableMap) -> Iterator[tuple[str, str]]:
    """Times count from the bedside, and its month is the trip's."""
    timed = [
        f"tables.{name}.columns.{column}"
        for name, table in mapping.tables.items()
        for column, spec in table.columns.items()
        if spec.time and column not in MONTHS
    ]
    if timed:
        yield "bedside", f"is missing: {timed[0]} counts from when the crew reached the bedside"
    elif "service_month" not in trips.columns:
        yield "bedside", "is missing, and so is columns.service_month, which one of them must give"


def _format_faults(column: str, spec: ColumnMap) -> Iterator[tuple[str, str]]:
    """Formats that do not say what the column needs: a date, a time of day, or both."""
    if spec.date and column in ("bedside", *MONTHS, "age_months"):
        yield "date", "is only for times that are counted from the bedside"
        return
    for form in spec.time:
        parts = set(re.findall(r"%(.)", form))
        day_and_month = "j" in parts or ("d" in parts and parts & set("mbB"))
        has_date = form == ISO or bool(parts & set("Yy") and day_and_month)
        has_hour = form == ISO or "H" in parts or {"I", "p"} <= parts
        if spec.date and (parts & set("YymbBdj") or not has_hour):
            yield "time", f'with date = "bedside" a format has the time of day alone, "{form}" not'
        elif not spec.date and not has_date:
            yield (
                "time",
                f'"{form}" does not say day, month and year; for a time of day alone'
                ' write date = "bedside"',
            )
        elif not spec.date and not has_hour and column not in (*MONTHS, "age_months"):
            yield "time", f'"{form}" does not say the hour'
