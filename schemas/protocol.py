"""The local protocol file: each version in force from a month on, with its limits.

What a rule's own parameters may be is written with the rule, not here: here they are a table.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, Field, field_validator, model_validator

from schemas.contract import TOKEN_PATTERN
from schemas.located import Strict, parse_toml, shown

UNTIL_CHANGED = "until_changed"
MONTH = re.compile(r"[0-9]{4}-(0[1-9]|1[0-2])")
TOKEN = re.compile(TOKEN_PATTERN)
TRIGGERS = (
    "died",
    "arrest",
    "intubated",
    "more_support",
    "bagged",
    "spo2_below_NN",
    "long_cut",
    "ventilator_failed",
    "power_lost",
    "supply_low",
    "unheated_fallback",
    "blend_required",
    "repeated_occlusion_without_call",
)
"""What can put a trip before a reader whatever the rules say; NN is a saturation in percent.

In the order in which they are shown: of several the first is the reason that is given.
"""

_SPO2_BELOW = re.compile(r"spo2_below_([1-9][0-9]?)")


def check_month(value: str) -> str:
    """Pass a month written YYYY-MM; ValueError otherwise."""
    if not MONTH.fullmatch(value):
        raise ValueError(f'must be a month written YYYY-MM, is "{value}"')
    return value


def check_token(value: str) -> str:
    """Pass a short single-line text without outer spaces; ValueError otherwise."""
    if not TOKEN.fullmatch(value):
        raise ValueError(
            "must be 1 to 64 characters on one line, without outer spaces, and not begin with"
            " = + - or @"
        )
    return value


class Approval(Strict):
    """Who approved a version, by token, and in which month."""

    by: str = Field(description="Token of who approved it, not a name")
    month: str = Field(description="Month of the approval, YYYY-MM")

    _month = field_validator("month")(check_month)
    _by = field_validator("by")(check_token)


def _minutes(value: Any) -> Any:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if value != UNTIL_CHANGED and not (number and 0 < value < float("inf")):
        raise ValueError(
            f'must be a number of minutes above 0 or "{UNTIL_CHANGED}", is {shown(value)}'
        )
    return value


Minutes = Annotated[Any, AfterValidator(_minutes)]


class CarryForward(Strict):
    """How long a charted value is taken to hold, minutes or "until_changed", field by field."""

    source: Minutes = Field(default=UNTIL_CHANGED, description="A charted gas source")
    flow_lpm: Minutes = Field(default=UNTIL_CHANGED, description="A charted flow")
    fio2: Minutes = Field(default=UNTIL_CHANGED, description="A charted inspired oxygen fraction")
    humidification: Minutes = Field(default=UNTIL_CHANGED, description="Charted heating")
    cannula: Minutes = Field(default=UNTIL_CHANGED, description="A charted cannula")


class ProtocolVersion(Strict):
    """One version: in force from `from_month` until the next version's month."""

    id: str = Field(description="The version's name; once reviewed, its content never changes")
    from_month: str = Field(description="First service month it is in force, YYYY-MM")
    approved: Approval | None = Field(
        default=None, description="Who approved the limits, and when; without it every page says so"
    )
    carry_forward_min: CarryForward = Field(
        default_factory=CarryForward,
        description="Minutes a charted value is taken to hold; one number counts for every field",
    )
    merge_within_s: float = Field(
        default=0,
        ge=0,
        description="Occlusions so many s or less after the one before are one blockage",
    )
    always_read: list[str] = Field(
        default_factory=list,
        description=f"What always puts a trip before a reader, of {', '.join(TRIGGERS)} (NN in"
        " percent)",
    )
    clock_tolerance_s: float = Field(
        default=120,
        ge=0,
        description="How far a device's clock may be off, s, where no start matches",
    )
    matched_tolerance_s: float = Field(
        default=60, ge=0, description="What remains uncertain, s, where a start matches"
    )
    rules: dict[str, dict[str, Any]] = Field(
        default_factory=dict,
        description="A table for each rule that is judged, with its parameters; see the rules",
    )

    _month = field_validator("from_month")(check_month)
    _id = field_validator("id")(check_token)

    @field_validator("carry_forward_min", mode="before")
    @classmethod
    def _one_for_all(cls, value: Any) -> Any:
        """One number counts for every field."""
        if isinstance(value, dict):
            return value
        return dict.fromkeys(CarryForward.model_fields, _minutes(value))

    @field_validator("always_read")
    @classmethod
    def _known_triggers(cls, value: list[str]) -> list[str]:
        for code in value:
            if (code not in TRIGGERS and not _SPO2_BELOW.fullmatch(code)) or code.endswith("NN"):
                raise ValueError(f'"{code}" is none of {", ".join(TRIGGERS)} (NN from 1 to 99)')
        return value


class ProtocolFile(Strict):
    """All versions of one service's protocol file."""

    version: list[ProtocolVersion] = Field(min_length=1, description="One table a version")

    @model_validator(mode="after")
    def _unambiguous(self) -> ProtocolFile:
        for key in ("id", "from_month"):
            seen = [getattr(version, key) for version in self.version]
            for value in sorted({v for v in seen if seen.count(v) > 1}):
                raise ValueError(f'two versions have {key} "{value}"')
        return self

    def in_force(self, month: str) -> ProtocolVersion | None:
        """Return the version with the latest from_month not after `month`, or None."""
        begun = [version for version in self.version if version.from_month <= month]
        return max(begun, key=lambda version: version.from_month, default=None)


def trigger_of(code: str) -> tuple[str, float | None]:
    """The trigger that a code of `always_read` means, as in TRIGGERS, and its NN if it has one."""
    below = _SPO2_BELOW.fullmatch(code)
    return ("spo2_below_NN", float(below[1])) if below else (code, None)


def parse_protocol(text: str) -> ProtocolFile:
    """Read a protocol file's text; LocatedError lists every fault with its dotted path."""
    return parse_toml(text, ProtocolFile)
