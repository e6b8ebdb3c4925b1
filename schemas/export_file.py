"""The `export.toml` of a delivery: whose it is, what it covers and how finely it was recorded."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from schemas.contract import CONTRACT_VERSION, PRIVACY_BASES, TABLES
from schemas.located import Strict, parse_toml, shown
from schemas.protocol import check_month, check_token

TIMED = ("trips", "settings", "device_events", "observations", "contacts")
"""The tables that state times, each at its own resolution."""

DEFAULT_MAX_OFFSET_S = 900

MOST_STATEMENT = 300
"""Characters of a confidentiality statement: it stands under every printed page of a pack."""

Month = Annotated[str, AfterValidator(check_month)]
Count = Annotated[int, Field(ge=0, le=1_000_000_000)]
Token = Annotated[str, AfterValidator(check_token)]


def _contract_version(value: int) -> int:
    if value != CONTRACT_VERSION:
        raise ValueError(
            f"this tool reads contract version {CONTRACT_VERSION}, the delivery is of {value}"
        )
    return value


def _privacy_basis(value: str) -> str:
    if value not in PRIVACY_BASES:
        raise ValueError(f"must be one of {', '.join(PRIVACY_BASES)}, is {shown(value)}")
    return value


def _table(value: str) -> str:
    if value not in TABLES:
        raise ValueError(f"{shown(value)} is none of the tables {', '.join(TABLES)}")
    return value


def _statement(value: str) -> str:
    if len(value) > MOST_STATEMENT or not value.isprintable():
        raise ValueError(f"must be one line of at most {MOST_STATEMENT} characters")
    return value.strip()


Table = Annotated[str, AfterValidator(_table)]
PrivacyBasis = Annotated[str, AfterValidator(_privacy_basis)]


class DeviceClock(Strict):
    """How far a ventilator's clock may be off and still be corrected, in seconds."""

    max_offset_s: int = Field(
        default=DEFAULT_MAX_OFFSET_S,
        ge=0,
        le=86_400,
        description="Larger offsets are reported and left, s",
    )


class TimeResolution(Strict):
    """How finely each table recorded times: 1 or 60 seconds, truncated; None: not stated."""

    trips: Literal[1, 60] | None = Field(default=None, description="Times of trips")
    settings: Literal[1, 60] | None = Field(default=None, description="Times of settings")
    device_events: Literal[1, 60] | None = Field(
        default=None, description="Times of device_events, by the device's clock"
    )
    observations: Literal[1, 60] | None = Field(default=None, description="Times of observations")
    contacts: Literal[1, 60] | None = Field(default=None, description="Times of contacts")


class Vocabulary(Strict):
    """The service's own words, which pass the screen for names in their own column alone."""

    bases: list[Token] | None = Field(default=None, description="Every base")
    roles: list[Token] | None = Field(default=None, description="Every role of the crew")
    diagnosis_groups: list[Token] | None = Field(
        default=None, description="Every diagnosis group of the service's own"
    )
    units: list[Token] | None = Field(default=None, description="Every ventilator and heater")


VOCABULARY_COLUMNS: dict[str, tuple[str, ...]] = {
    "bases": ("base",),
    "roles": ("role",),
    "diagnosis_groups": ("diagnosis_group",),
    "units": ("ventilator_unit", "heater_unit"),
}
"""The columns that each list of `[vocabulary]` is of."""

Origin = Literal["hashed", "assigned"]


class Tokens(Strict):
    """That numbers in a column are tokens, and not those of a record; None: not stated."""

    trip_id: Origin | None = Field(default=None, description="Where trip tokens come from")
    crew_member: Origin | None = Field(default=None, description="Where crew tokens come from")
    units: Origin | None = Field(
        default=None, description="Where tokens of ventilators and heaters come from"
    )

    @property
    def columns(self) -> list[str]:
        """The columns whose texts are stated to be tokens."""
        stated = [name for name in ("trip_id", "crew_member") if getattr(self, name)]
        return stated + (list(VOCABULARY_COLUMNS["units"]) if self.units else [])


class ExportFile(Strict):
    """One delivery's own description.

    `ignore` may be written as a list of column names, which counts for every table
    (`"table.column"` for one), or as a table of lists, one per table. `confidentiality` is the
    service's own statement, for every page that leaves it.
    """

    contract: Annotated[int, AfterValidator(_contract_version)] = Field(
        description=f"Version of the export contract: {CONTRACT_VERSION}"
    )
    service: Token = Field(description="The service's own token, not its name")
    months: list[Month] = Field(min_length=1, description="Service months of it, YYYY-MM")
    privacy_basis: PrivacyBasis = Field(
        description=f"On what basis it may be shared: {', '.join(PRIVACY_BASES)}; the last is"
        " refused, because a service month is an element of a date"
    )
    not_recorded: list[Table] = Field(
        default_factory=list,
        description="Tables the service does not keep: what needs them cannot be told",
    )
    time_resolution_s: TimeResolution = Field(
        description="How finely each table that is kept recorded its times, s, truncated"
    )
    device_clock: DeviceClock = Field(
        default_factory=DeviceClock, description="What is done about a ventilator's clock"
    )
    expected_trips: dict[Month, Count] = Field(
        default_factory=dict, description="Trips the dispatch log has, by month"
    )
    vocabulary: Vocabulary = Field(
        default_factory=Vocabulary,
        description="The service's own words: declared ones pass the screen for names",
    )
    tokens: Tokens = Field(
        default_factory=Tokens,
        description="Which numbers are tokens, hashed or assigned, and no record numbers",
    )
    ignore: dict[Table, list[str]] = Field(
        default_factory=dict,
        description='Columns left unread: a list of "column" or "table.column", or a list by table',
    )
    confidentiality: Annotated[str, AfterValidator(_statement)] = Field(
        default="", description="The service's own statement, for every page that leaves it"
    )

    @field_validator("months")
    @classmethod
    def _sorted_once(cls, value: list[str]) -> list[str]:
        for month in value:
            if value.count(month) > 1:
                raise ValueError(f'names "{month}" twice')
        return sorted(value)

    @field_validator("not_recorded")
    @classmethod
    def _never_trips(cls, value: list[str]) -> list[str]:
        if "trips" in value:
            raise ValueError("trips cannot be left unrecorded: every other table rests on it")
        return sorted(set(value))

    @field_validator("expected_trips")
    @classmethod
    def _of_these_months(cls, value: dict[str, int], info: ValidationInfo) -> dict[str, int]:
        for month in value:
            if month not in info.data.get("months", [month]):
                raise ValueError(f'names "{month}", which is not among months')
        return value

    @field_validator("ignore", mode="before")
    @classmethod
    def _per_table(cls, value: Any) -> Any:
        if not isinstance(value, list):
            return value
        spread: dict[str, list[Any]] = {}
        for entry in value:
            table, dot, column = str(entry).partition(".")
            for name in [table] if dot and table in TABLES else TABLES:
                spread.setdefault(name, []).append(column if dot and table in TABLES else entry)
        return spread

    @model_validator(mode="after")
    def _resolutions_stated(self) -> ExportFile:
        """A resolution that nobody stated would invent precision."""
        absent = [
            name
            for name in TIMED
            if name not in self.not_recorded and getattr(self.time_resolution_s, name) is None
        ]
        if absent:
            raise ValueError(
                "time_resolution_s must say for each of "
                f"{', '.join(absent)} how finely times were recorded: 1 or 60"
            )
        return self


def parse_export(text: str) -> ExportFile:
    """Read an export.toml's text; LocatedError lists every fault with its dotted path."""
    return parse_toml(text, ExportFile)
