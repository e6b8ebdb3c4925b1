"""Reads the spec tables of every rule: small cases and the verdicts worked out by hand.

A rule's spec table is one or two sheets of one form (see `pipeline.rules.worked`): the worked
cases, the first three of which `tailrace explain` prints, and any others, in
`tests/spec/<rule-id>.md`.

- Times are minutes:seconds since the bedside, in columns named without `_s` (`at`, `handover`).
- Columns that are not there, and empty cells, are null. A contact is a call to medical direction
  unless it says otherwise. A row marked `set aside` could not be used; `?` is an unreadable time.
- `Parameters:` adds to the rule's own parameters, `Protocol:` to the protocol version, `Export:`
  to the delivery's description, each as TOML; a `cannulas` table is the catalogue.
- `Verdict: met, 29 to 31 min, from 0:00 until 30:00`. Numbers or times that are not stated are
  not compared; `no number` says that there is none. `at least 29 min` has no upper bound.
- `Reason:` is the sentence the verdict is printed with, where a rule has several for one verdict.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.rules import all_rules
from pipeline.rules.rule import Rule
from pipeline.rules.worked import (
    ASIDE,
    CASE_TABLES,
    Section,
    Sheet,
    SheetError,
    Table,
    read_sheet,
    time_s,
    worked_sheet,
)
from schemas import kinds
from schemas.catalogue import Cannula
from schemas.contract import TABLES

FOLDER = Path(__file__).parent
VERDICTS = ("met", "deviation", "authorised", "borderline", "cannot tell", "not applicable")
AT_LIMIT = ("at the limit, pass", "at the limit, fail")
BOUNDARY = ("just inside", "just outside")
KINDS = (*VERDICTS, *AT_LIMIT, *BOUNDARY)

TRIP = {
    "base": "B1",
    "vehicle": "ground",
    "diagnosis_group": "bronchiolitis",
}
CANNULA = {
    "family": "prong",
    "size_rank": 1,
    "flow_min_lpm": 1,
    "flow_max_lpm": 30,
    "carried": True,
}
EXPORT = {
    "time_resolution_s": {
        "trips": 60,
        "settings": 60,
        "device_events": 1,
        "observations": 60,
        "contacts": 60,
    }
}


@dataclass(frozen=True)
class Expected:
    """A verdict; all but the verdict itself are None where not stated."""

    verdict: str
    numbers: tuple[float | None, float | None] | None
    unit: str | None
    span: tuple[int, int] | None
    reason: str | None


@dataclass(frozen=True)
class Case:
    """One case, ready to be stored: rows by export table, without the trip's id."""

    rule: str
    kind: str
    title: str
    place: str
    parameters: dict[str, Any]
    version: dict[str, Any]
    export: dict[str, Any]
    catalogue: list[dict[str, Any]]
    expected: Expected
    tables: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    lost: list[tuple[str, int, int | None]] = field(default_factory=list)

    @property
    def id(self) -> str:
        return f"{self.rule}: {self.kind}: {self.title}"

    @property
    def recorded(self) -> str:
        """Everything but the parameters and the verdict, for comparing cases."""
        told = [self.version, self.export, self.catalogue, self.tables, self.lost]
        return json.dumps(told, sort_keys=True)


def sheets(rule: str) -> list[Sheet]:
    """The sheets of a rule that are there: worked cases, further cases."""
    found = [worked_sheet(rule)]
    path = FOLDER / f"{rule}.md"
    if path.is_file():
        found.append(read_sheet(path.read_text(encoding="utf-8"), f"tests/spec/{path.name}"))
    return [sheet for sheet in found if sheet]


@cache
def all_cases() -> tuple[Case, ...]:
    """Every case of every rule that the registry finds."""
    return tuple(case for rule in all_rules() for case in cases_of(sheets(rule)))


def cases_of(found: Iterable[Sheet]) -> list[Case]:
    """The cases of a rule's sheets; what the first sheet shares holds for all of them."""
    found = list(found)
    return [_case(section, sheet, found[0]) for sheet in found for section in sheet.cases]


def never(found: Iterable[Sheet]) -> dict[str, str]:
    """Which verdicts the sheets say a rule never gives, and why."""
    return {
        verdict: why
        for sheet in found
        for key, why in sheet.shared.says.items()
        if key.startswith("Never")
        for verdict in re.split(", | or ", key.removeprefix("Never "))
    }


def missing_kinds(rule: Rule, cases: Iterable[Case], excluded: Iterable[str]) -> list[str]:
    """The kinds of case that a rule's spec table must have and has not."""
    there = {case.kind for case in cases}
    limits = AT_LIMIT if "at_limit" in rule.parameters.model_fields else BOUNDARY
    wanted = [verdict for verdict in VERDICTS if verdict not in set(excluded)]
    return [kind for kind in (*wanted, *limits) if kind not in there]


def _case(section: Section, sheet: Sheet, first: Sheet) -> Case:
    place = f"{sheet.name}, line {section.line}"
    if section.kind not in KINDS:
        raise SheetError(f'{place}: "{section.kind}" is none of {", ".join(KINDS)}')
    if not section.text or not section.title:
        raise SheetError(f"{place}: a case needs a title and a sentence that says why")
    if "Verdict" not in section.says:
        raise SheetError(f"{place}: a case needs a verdict")
    shared, own = first.shared.says, section.says
    tables: dict[str, list[dict[str, Any]]] = {}
    lost: list[tuple[str, int, int | None]] = []
    catalogue: list[dict[str, Any]] = []
    for table in (*first.shared.tables, *section.tables):
        where = f"{sheet.name}, line {table.line}"
        if table.name == "cannulas":
            catalogue = [_cannula(row, where) for _, row in _records(table, where)]
        elif table.name in CASE_TABLES:
            _add_rows(table, where, tables, lost)
        else:
            raise SheetError(f'{where}: "{table.name}" is no table of a case')
    return Case(
        sheet.rule,
        section.kind,
        section.title,
        place,
        parameters=_toml(shared, "Parameters", place) | _toml(own, "Parameters", place),
        version=_toml(shared, "Protocol", place) | _toml(own, "Protocol", place),
        export=_merged(EXPORT, _toml(own, "Export", place)),
        catalogue=catalogue or [_cannula({"id": "prong-2"}, place)],
        expected=_expected(own, place),
        tables=tables,
        lost=lost,
    )


def _add_rows(
    table: Table,
    where: str,
    tables: dict[str, list[dict[str, Any]]],
    lost: list[tuple[str, int, int | None]],
) -> None:
    name = CASE_TABLES[table.name]
    kept = tables.setdefault(name, [])
    if name == "trips" and (kept or len(table.rows) > 1):
        raise SheetError(f"{where}: a case is of one trip")
    for place, (mark, row) in enumerate(_records(table, where)):
        if mark:
            lost.append((name, place, row.get("at_s")))
        else:
            kept.append(({"contacted": "medical_direction"} if name == "contacts" else {}) | row)


def _records(table: Table, where: str) -> list[tuple[str, dict[str, Any]]]:
    """Each row's mark, and its values by the contract's column names."""
    for mark, _ in table.rows:
        if mark and (mark != ASIDE or table.name in ("trip", "cannulas")):
            raise SheetError(f'{where}: "{mark}" is no mark of a row of {table.name}')
    if table.name == "cannulas":
        return [
            (mark, {h: _plain(cell) for h, cell in zip(table.head, cells, strict=True) if cell})
            for mark, cells in table.rows
        ]
    columns = TABLES[CASE_TABLES[table.name]].to_schema().columns
    records = []
    for mark, cells in table.rows:
        row: dict[str, Any] = {}
        for head, cell in zip(table.head, cells, strict=True):
            name = head if head in columns else f"{head}_s"
            if name not in columns or name == "trip_id":
                raise SheetError(f'{where}: "{head}" is no column of {table.name}')
            unreadable = mark == ASIDE and cell == "?"
            row[name] = None if unreadable else _value(cell, head, columns[name], where)
        records.append((mark, row))
    return records


def _value(cell: str, head: str, column: Any, where: str) -> Any:
    if not cell:
        return None
    if head != column.name:
        value: Any = time_s(cell, where)
    else:
        value = cell if column.dtype == kinds.string else _plain(cell)
    for check in column.checks:
        allowed = check.statistics.get("allowed_values", [value])
        low = check.statistics.get("min_value", value)
        high = check.statistics.get("max_value", value)
        if value not in allowed or not low <= value <= high:
            raise SheetError(f'{where}: the contract does not allow "{cell}" as {column.name}')
    return value


def _plain(cell: str) -> Any:
    if cell in ("true", "false"):
        return cell == "true"
    if re.fullmatch(r"-?\d+", cell):
        return int(cell)
    return float(cell) if re.fullmatch(r"-?\d+\.\d+", cell) else cell


def _cannula(row: dict[str, Any], where: str) -> dict[str, Any]:
    entry = CANNULA | {"label": row.get("id", "")} | row
    try:
        return Cannula.model_validate(entry).model_dump()
    except ValueError as error:
        raise SheetError(f"{where}: {error}") from None


def _toml(says: dict[str, str], key: str, place: str) -> dict[str, Any]:
    try:
        found = tomllib.loads(f"found = {{ {says.get(key, '')} }}")["found"]
    except tomllib.TOMLDecodeError as error:
        raise SheetError(f"{place}: {key}: {error}") from None
    return dict(found)


def _merged(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    both = {
        key: _merged(base[key], more[key]) if isinstance(base[key], dict) else more[key]
        for key in base.keys() & more.keys()
    }
    return base | more | both


_VERDICT = re.compile(
    rf"(?P<verdict>{'|'.join(VERDICTS)})"
    r"(?:, (?P<none>no number)"
    r"|, (?P<open>at least )?(?P<low>-?\d+(?:\.\d+)?)(?: to (?P<high>-?\d+(?:\.\d+)?))?"
    r" (?P<unit>[^ ,]+))?"
    r"(?:, from (?P<from>\S+) until (?P<until>\S+))?"
)


def _expected(says: dict[str, str], place: str) -> Expected:
    read = _VERDICT.fullmatch(says["Verdict"])
    if not read:
        raise SheetError(f'{place}: "{says["Verdict"]}" is no verdict')
    numbers: tuple[float | None, float | None] | None = None
    if read["none"]:
        numbers = (None, None)
    elif read["low"]:
        low = float(read["low"])
        numbers = (low, None if read["open"] else float(read["high"] or low))
    span = (time_s(read["from"], place), time_s(read["until"], place)) if read["from"] else None
    return Expected(read["verdict"], numbers, read["unit"], span, says.get("Reason"))
