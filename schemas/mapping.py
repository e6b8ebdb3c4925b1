"""The mapping file: how a service's own files, sheets and columns become a delivery.

Shapes only: whether a file, column or unit exists is found out where the files are read.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from schemas.export_file import (
    DeviceClock,
    Month,
    PrivacyBasis,
    Table,
    TimeResolution,
    Token,
)
from schemas.located import Strict, shown

MAPPING_VERSION = 1
MILESTONES = ("departed_s", "arrived_s", "handover_s")
ELAPSED = (*MILESTONES, "at_s")
MONTHS = ("service_month", "month")
TIMES = (*ELAPSED, *MONTHS, "age_months")
"""Columns that may be made from an absolute time: age_months from a date of birth."""

ISO = "iso"
CLOCK_UNIT = "h:mm"
"""Elapsed time written as a clock would show it: 1:35 or 1:35:20."""

UNIT = re.compile(r"(1|[A-Za-zµ%][A-Za-zµ0-9_]{0,30})(/[A-Za-zµ][A-Za-zµ0-9_]{0,30})?")
DIRECTIVES = "YymdHIMSfpbBaAj"
SHIFT = re.compile(r"([+-])([0-9]{1,3}):([0-5][0-9])(?::([0-5][0-9]))?")
SLOT = "{n}"
MOST_SLOTS = 1000


def _version(value: int) -> int:
    if value != MAPPING_VERSION:
        raise ValueError(f"this tool reads mapping files of version {MAPPING_VERSION}, is {value}")
    return value


def _unit(value: str) -> str:
    if value != CLOCK_UNIT and not UNIT.fullmatch(value):
        raise ValueError(
            f"must be a unit such as min, percent, mL/min or {CLOCK_UNIT}, is {shown(value)}"
        )
    return value


def _time_format(value: str) -> str:
    """Pass "iso" or a format of date directives; a time of day may stand alone."""
    if value == ISO:
        return value
    found = re.findall(r"%(.?)", value)
    for directive in found:
        if not directive or directive not in DIRECTIVES:
            raise ValueError(
                f"%{directive} is not a part of a date or time; write as in"
                ' "%d/%m/%Y %H:%M" (day, month, year, hour, minute)'
            )
    if len(set(found)) < len(found):
        raise ValueError(f"a part stands twice in {shown(value)}")
    if not found:
        raise ValueError(f'must be "{ISO}" or a format as in "%d/%m/%Y %H:%M", is {shown(value)}')
    return value


def _file_text(value: str) -> str:
    if not value or "\x00" in value or len(value) > 1000:
        raise ValueError("must be the name of a file")
    return value


def _zone(value: str) -> str:
    if not _zone_exists(value):
        raise ValueError(
            f"{shown(value)} is not a time zone; write as in Europe/Berlin or America/Denver"
        )
    return value


def _zone_exists(name: str) -> bool:
    from zoneinfo import ZoneInfo

    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+){0,3}", name):
        return False
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _shift(value: str) -> str:
    if not SHIFT.fullmatch(value):
        raise ValueError(f'must be written as in "+1:00" or "-0:01:30", is {shown(value)}')
    return value


def shift_s(shift: str | None) -> int:
    """A shift of the clock in seconds."""
    match = SHIFT.fullmatch(shift or "")
    if not match:
        return 0
    seconds = int(match[2]) * 3600 + int(match[3]) * 60 + int(match[4] or 0)
    return -seconds if match[1] == "-" else seconds


def _view_name(value: str) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,62}", value):
        raise ValueError("must be a name of letters, digits, - and _")
    return value


FileName = Annotated[str, AfterValidator(_file_text)]
Unit = Annotated[str, AfterValidator(_unit)]
TimeFormat = Annotated[str, AfterValidator(_time_format)]
Zone = Annotated[str, AfterValidator(_zone)]
Shift = Annotated[str, AfterValidator(_shift)]
ViewName = Annotated[str, AfterValidator(_view_name)]
Rows = Annotated[int, Field(ge=0, le=100_000)] | list[str]
"""A number of rows, or what the first cell of each begins with or is: "Page*", "Total"."""


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _as_float(value: Any) -> Any:
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _text_for(key: str) -> Callable[[Any], Any]:
    """Takes a table of tables in which a bare text means `key`."""

    def spelled(value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {k: {key: v} if isinstance(v, str) else v for k, v in value.items()}

    return spelled


class SourceFile(Strict):
    """One kind of file of theirs. `path` is relative to the source folder; * and ? stand for
    any characters of a name, and all files that match are read one after the other."""

    path: FileName
    format: Literal["csv", "parquet", "xlsx", "nemsis"] | None = None
    delimiter: str = Field(default=",", min_length=1, max_length=1)
    encoding: Literal["utf-8", "utf-16", "utf-16-le", "utf-16-be", "windows-1252", "iso-8859-1"] = (
        "utf-8"
    )
    decimal: Literal[".", ","] = "."
    quotes: bool = True
    sheet: str | None = None
    each: str | None = None
    header_line: int = Field(default=1, ge=1, le=100)
    skip_rows: Rows = 0
    footer: Rows = 0
    time_zone: Zone | None = None
    clock_shift: Shift | None = None
    columns: list[str] = Field(default_factory=list)

    _lists = field_validator("skip_rows", "footer", "columns", mode="before")(_as_list)

    @field_validator("delimiter")
    @classmethod
    def _separates(cls, value: str) -> str:
        if value in '"\r\n\x00' or value.isalnum():
            raise ValueError("must be a character that separates cells, such as a semicolon")
        return value

    @field_validator("path")
    @classmethod
    def _inside(cls, value: str) -> str:
        parts = value.replace("\\", "/").split("/")
        if re.match("[A-Za-z]:", value):
            raise ValueError("must be a path inside the source folder, without a drive")
        if value.startswith("/") or ".." in parts or "**" in value:
            raise ValueError("must be a path inside the source folder, without .. and **")
        return value


class View(Strict):
    """A SELECT over the declared files and other views, to be mapped as a file is.

    It carries on file_name and line, so that what is wrong with a row still has a place.
    """

    sql: str = Field(min_length=1, max_length=100_000)
    decimal: Literal[".", ","] = "."
    time_zone: Zone | None = None
    clock_shift: Shift | None = None


class UnitFrom(Strict):
    """A unit that another column states for each row, and what its spellings mean."""

    column: str = Field(min_length=1)
    means: dict[str, Unit] = Field(min_length=1)


class ColumnMap(Strict):
    """How one column of the contract is made; a bare text means `from`."""

    from_: list[str] = Field(default_factory=list, alias="from")
    constant: str | int | float | bool | None = None
    unit: Unit | UnitFrom | None = None
    codes: dict[str, str] | None = None
    otherwise: str | None = None
    ignore_case: bool = False
    time: list[TimeFormat] = Field(default_factory=list)
    date: Literal["bedside"] | None = None
    token: str | None = Field(default=None, pattern=r"^[a-z][a-z0-9-]{0,31}$")
    nulls: list[str] = Field(default_factory=list)
    pick: Literal["first", "last"] | None = None

    _lists = field_validator("from_", "time", mode="before")(_as_list)

    @model_validator(mode="after")
    def _one_way(self) -> ColumnMap:
        if bool(self.from_) == (self.constant is not None):
            raise ValueError("needs either from, the name of their column, or constant")
        if self.constant is not None and self.model_fields_set - {"constant"}:
            raise ValueError("a constant stands alone")
        if len(self.from_) > 1 and not self.time and self.token is None:
            raise ValueError(
                "only a time, or a number that is hashed, may be put together from several columns"
            )
        if any(not name or "\x00" in name for name in self.from_):
            raise ValueError("from must name a column")
        kinds = [
            n for n in ("unit", "codes", "time", "token") if getattr(self, n) not in (None, [])
        ]
        if len(kinds) > 1:
            raise ValueError(f"{kinds[0]} and {kinds[1]} cannot both say how a cell is read")
        if self.otherwise is not None and self.codes is None:
            raise ValueError("otherwise needs codes")
        if self.date and not self.time:
            raise ValueError('date = "bedside" needs time, the format of the time of day')
        return self

    @model_validator(mode="after")
    def _codes_unambiguous(self) -> ColumnMap:
        keys = list(self.codes or {})
        folded = [key.casefold() for key in keys]
        twice = sorted({key for key in folded if folded.count(key) > 1})
        if self.ignore_case and twice:
            raise ValueError(f'codes names "{twice[0]}" twice when case is ignored')
        return self


class Filter(Strict):
    """A condition on one of their columns; a table takes the rows that meet all of its own."""

    column: str = Field(min_length=1)
    is_: list[str] | None = Field(default=None, alias="is")
    is_not: list[str] | None = None
    empty: bool | None = None
    from_: float | None = Field(default=None, alias="from")
    below: float | None = None

    _lists = field_validator("is_", "is_not", mode="before")(_as_list)
    _numbers = field_validator("from_", "below", mode="before")(_as_float)

    @model_validator(mode="after")
    def _one_condition(self) -> Filter:
        stated = [x is not None for x in (self.is_, self.is_not, self.empty)]
        if sum(stated) + self.numeric != 1:
            raise ValueError("needs one of is, is_not and empty, or from, below or both")
        return self

    @property
    def numeric(self) -> bool:
        """Whether the cell must be a number from one bound to below another."""
        return self.from_ is not None or self.below is not None

    def words(self) -> str:
        """The condition as the mapping states it, for a message."""
        parts = []
        for key, value in self.model_dump(by_alias=True, exclude_none=True).items():
            texts = ", ".join(f'"{entry}"' for entry in value) if isinstance(value, list) else ""
            shown_value = f"{value:g}" if isinstance(value, float) else str(value).lower()
            if key != "column":
                parts.append(f"{key} = {texts or shown_value}")
        return f"{self.column}: {' and '.join(parts)}"


def _slots(value: Any) -> Any:
    """`"1-20"`, a list of numbers or of texts, as the texts that stand for {n}."""
    if isinstance(value, str):
        bounds = re.fullmatch(r"([0-9]{1,4})-([0-9]{1,4})", value)
        if not bounds or int(bounds[1]) > int(bounds[2]):
            raise ValueError(f'must be written as in "1-20" or as a list, is {shown(value)}')
        return [str(n) for n in range(int(bounds[1]), int(bounds[2]) + 1)]
    if isinstance(value, list):
        return [str(n) if isinstance(n, int) and not isinstance(n, bool) else n for n in value]
    return value


class TableMap(Strict):
    """One table of the contract from one kind of file.

    `repeat` makes several rows of one: {n} in a column's name stands for each entry in turn.
    """

    into: Table | None = None
    from_: str = Field(alias="from")
    each: str | None = None
    repeat: list[str] | None = Field(default=None, min_length=1, max_length=MOST_SLOTS)
    where: list[Filter] = Field(default_factory=list)
    skip_empty: bool = False
    distinct: bool = False
    bedside: ColumnMap | None = None
    columns: dict[str, ColumnMap] = Field(min_length=1)

    _repeat = field_validator("repeat", mode="before")(_slots)

    _short_form = field_validator("columns", mode="before")(_text_for("from"))

    @field_validator("bedside", mode="before")
    @classmethod
    def _bedside_short(cls, value: Any) -> Any:
        return {"from": value, "time": ISO} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _slots_used(self) -> TableMap:
        marked = any(SLOT in name for spec in self.columns.values() for name in spec.from_)
        if self.repeat is not None and not marked:
            raise ValueError(f"repeat needs columns whose name holds {SLOT}")
        if self.repeat is None and marked:
            raise ValueError(f"{SLOT} in a column's name needs repeat")
        return self


class Tokens(Strict):
    """Where the key of the keyed hashes is kept, and the optional list of what was hashed.

    Columns that hold tokens already say so: of trips, of crew, of ventilators and heaters.
    """

    key_file: FileName | None = None
    crosswalk: FileName | None = None
    trip_id: Literal["assigned"] | None = None
    crew_member: Literal["assigned"] | None = None
    units: Literal["assigned"] | None = None


class ByItself(Strict):
    """What `tailrace month` works on; paths start from the mapping file's folder."""

    source: FileName = "."
    into: FileName = "tailrace-out"


class MappingFile(Strict):
    """The whole file; paths in it are relative to its own folder."""

    mapping: Annotated[int, AfterValidator(_version)]
    extends: Literal["nemsis-3.5"] | None = None
    service: Token
    privacy_basis: PrivacyBasis
    time_zone: Zone | None = None
    not_recorded: list[Table] = Field(default_factory=list)
    nulls: list[str] = Field(default_factory=list)
    protocol: FileName | None = None
    cannulas: FileName | None = None
    time_resolution_s: TimeResolution
    device_clock: DeviceClock | None = None
    expected_trips: dict[Month, Annotated[int, Field(ge=0)]] = Field(default_factory=dict)
    tokens: Tokens | None = None
    month: ByItself = Field(default_factory=ByItself)
    tolerated: dict[Table, Annotated[float, Field(ge=0, le=1)]] = Field(default_factory=dict)
    files: dict[str, SourceFile] = Field(min_length=1)
    views: dict[ViewName, View] = Field(default_factory=dict)
    tables: dict[str, TableMap] = Field(min_length=1)

    @field_validator("tolerated", mode="before")
    @classmethod
    def _shares(cls, value: Any) -> Any:
        return {k: _as_float(v) for k, v in value.items()} if isinstance(value, dict) else value

    _short_form = field_validator("views", mode="before")(_text_for("sql"))

    def into(self, name: str) -> str:
        """Name of the contract's table that the entry `name` of tables makes rows for."""
        return self.tables[name].into or name
