"""The export contract, version 1: one pandera model for each table of a delivery.

These models are the only place where a contract column's name, type, range, code list and
description is written. Times are elapsed whole seconds since the crew reached the bedside.
A nullable column may also be absent from the file altogether.
"""

from __future__ import annotations

from typing import Any

from schemas import kinds as dt
from schemas import shape as pa

CONTRACT_VERSION = 1
MAX_ELAPSED_S = 172_800
MIN_DEVICE_S = -86_400

VEHICLES = ["ground", "rotor", "fixed_wing"]
OUTCOMES = ["unchanged", "weaned", "more_support", "intubated", "arrest", "died"]
OUTCOMES_24H = [outcome for outcome in OUTCOMES if outcome != "arrest"]
DEVICE_LOGS = ["complete", "partial", "none"]
SUPPORTS = ["high_flow", "low_flow", "noninvasive", "invasive", "none"]
SOURCES = ["wall", "cylinder", "blender", "ventilator", "other"]
HUMIDIFICATIONS = ["heated", "unheated"]
REASONS = [
    "start",
    "clinical",
    "heater_failed",
    "ventilator_failed",
    "power_lost",
    "supply_low",
    "repeated_occlusion",
    "comfort",
    "check",
]
DEVICE_EVENTS = ["occlusion", "restored", "started", "paused"]
BEHAVIOURS = ["asleep", "calm", "crying", "coughing", "agitated"]
CARE = ["suction", "repositioned", "bagged", "sensor_moved"]
CONTACTED = ["medical_direction", "clinical_lead"]
AUTHORISATIONS = [
    "longer_wall_oxygen",
    "longer_unheated",
    "wall_instead_of_ventilator",
    "cannula_change",
    "flow_change",
]
PRIVACY_BASES = ["limited-data-set", "expert-determination", "internal-operations", "safe-harbor"]

TOKEN_PATTERN = r"^[^\s\x00-\x1f\x7f=+@-]([^\x00-\x1f\x7f]{0,62}[^\s\x00-\x1f\x7f])?$"
"""A spreadsheet takes a text that begins with = + - or @ for a formula."""
MONTH_PATTERN = r"^[0-9]{4}-(0[1-9]|1[0-2])$"


def _token(description: str, *, nullable: bool = False) -> Any:
    return pa.Field(str_matches=TOKEN_PATTERN, nullable=nullable, description=description)


def _elapsed(description: str, *, nullable: bool = False, lowest: int = 0) -> Any:
    return _number(lowest, MAX_ELAPSED_S, "s", description, nullable=nullable)


def _number(
    lowest: float, highest: float, unit: str, description: str, *, nullable: bool = True
) -> Any:
    stated = {"unit": unit}
    return pa.Field(
        ge=lowest, le=highest, nullable=nullable, description=description, metadata=stated
    )


def _month(description: str) -> Any:
    return pa.Field(str_matches=MONTH_PATTERN, description=description)


class _Table(pa.DataFrameModel):
    """A table of a delivery, which has no other columns than its own."""

    class Config:
        """No others."""

        strict = True


class Trips(_Table):
    """One row a trip: one child moved between two hospitals on high flow."""

    trip_id: dt.String = _token("Token of the trip; unique in a delivery")
    service_month: dt.String = _month("Month of service, YYYY-MM; the only date kept")
    base: dt.String = _token("Token of the base the crew set out from")
    vehicle: dt.String = pa.code(VEHICLES, "Kind of vehicle")
    age_months: dt.Int32 = _number(0, 251, "months", "Age in whole months")
    weight_kg: dt.Float64 = _number(0.4, 150, "kg", "Weight")
    diagnosis_group: dt.String = _token("The service's own diagnosis group")
    planned_transit_min: dt.Float64 = _number(
        0, 2880, "min", "Transit time planned before departure"
    )
    sending_cannula: dt.String = _token("Catalogue id of the cannula found on", nullable=True)
    sending_flow_lpm: dt.Float64 = _number(0, 80, "L/min", "Flow the sending hospital ran")
    sending_fio2: dt.Float64 = _number(
        0.21, 1.0, "1", "Inspired oxygen fraction the sending hospital ran"
    )
    departed_s: dt.Int32 = _elapsed("Departure from the sending hospital", nullable=True)
    arrived_s: dt.Int32 = _elapsed("Arrival at the receiving hospital", nullable=True)
    handover_s: dt.Int32 = _elapsed("Hand-over to the receiving team", nullable=True)
    outcome: dt.String = pa.code(OUTCOMES, "Support at hand-over against the start", nullable=True)
    device_log: dt.String = pa.code(
        DEVICE_LOGS, "Whether the ventilator's log was downloaded", nullable=True
    )
    spo2_exempt: dt.Boolean = pa.flag(
        "True where an order sets another saturation target, as in cyanotic heart disease",
        nullable=True,
    )
    service_seq: dt.Int32 = pa.Field(
        ge=0, nullable=True, description="Order of the service's trips in time"
    )
    ventilator_unit: dt.String = _token("Token of the ventilator, never a serial", nullable=True)
    heater_unit: dt.String = _token("Token of the heater, never a serial", nullable=True)
    outcome_24h: dt.String = pa.code(
        OUTCOMES_24H, "Support a day after hand-over against the start", nullable=True
    )
    blend_ordered: dt.Boolean = pa.flag("True where an order bars undiluted oxygen", nullable=True)


class Crew(_Table):
    """Who was on the trip, by token."""

    trip_id: dt.String = _token("Token of the trip")
    crew_member: dt.String = _token("Token of the crew member")
    role: dt.String = _token("The service's own role name")


class Settings(_Table):
    """What support the child was on, as charted at one moment; null means not charted here."""

    trip_id: dt.String = _token("Token of the trip")
    at_s: dt.Int32 = _elapsed("When it was charted")
    support: dt.String = pa.code(SUPPORTS, "Kind of respiratory support", nullable=True)
    source: dt.String = pa.code(
        SOURCES,
        "Where the gas comes from: wall and cylinder give undiluted oxygen, blender and"
        " ventilator blend",
        nullable=True,
    )
    flow_lpm: dt.Float64 = _number(0, 80, "L/min", "Flow")
    fio2: dt.Float64 = _number(0.21, 1.0, "1", "Inspired oxygen fraction")
    humidification: dt.String = pa.code(HUMIDIFICATIONS, "Heated or unheated gas", nullable=True)
    cannula: dt.String = _token("Catalogue id of the cannula", nullable=True)
    reason: dt.String = pa.code(REASONS, "Why the setting was changed or checked", nullable=True)


class DeviceEvents(_Table):
    """What the ventilator logged, on its own clock."""

    trip_id: dt.String = _token("Token of the trip")
    at_s: dt.Int32 = _elapsed("When, by the device's clock", lowest=MIN_DEVICE_S)
    event: dt.String = pa.code(
        DEVICE_EVENTS,
        "Occlusion: flow cut because pressure passed the ceiling; restored: flow came back",
    )
    pressure_cmh2o: dt.Float64 = _number(0, 200, "cmH2O", "Pressure at the event")
    cutoff_s: dt.Float64 = _number(0, 86_400, "s", "How long the flow stayed cut")


class Observations(_Table):
    """What was seen on the child."""

    trip_id: dt.String = _token("Token of the trip")
    at_s: dt.Int32 = _elapsed("When it was observed")
    spo2_pct: dt.Float64 = _number(0, 100, "%", "Oxygen saturation by pulse oximetry")
    resp_rate: dt.Float64 = _number(0, 200, "1/min", "Respiratory rate")
    heart_rate: dt.Float64 = _number(0, 350, "1/min", "Heart rate")
    behaviour: dt.String = pa.code(BEHAVIOURS, "What the child was doing", nullable=True)
    care: dt.String = pa.code(CARE, "What was done for the child then", nullable=True)


class Contacts(_Table):
    """Calls to medical direction or the clinical lead, and what each authorised."""

    trip_id: dt.String = _token("Token of the trip")
    at_s: dt.Int32 = _elapsed("When the call was recorded")
    contacted: dt.String = pa.code(CONTACTED, "Who was called")
    about: dt.String = _token("The service's own topic code", nullable=True)
    authorised: dt.String = pa.code(AUTHORISATIONS, "What the call authorised", nullable=True)
    authorised_by: dt.String = _token("Token of who authorised it", nullable=True)


class Training(_Table):
    """Retraining held: for a base or one crew member, about one rule."""

    month: dt.String = _month("Month of the retraining")
    base: dt.String = _token("Token of the base retrained", nullable=True)
    crew_member: dt.String = _token("Token of the crew member retrained", nullable=True)
    rule: dt.String = _token("Id of the rule retrained")


class Expected(_Table):
    """The dispatch log's list, so that missing trips have names; the table may be absent.

    For the months it lists, its counts are the expected ones.
    """

    trip_id: dt.String = _token("Token of the trip")
    service_month: dt.String = _month("Month of service, YYYY-MM")
    base: dt.String = _token("Token of the base the crew set out from", nullable=True)


TABLES: dict[str, type[pa.DataFrameModel]] = {
    "trips": Trips,
    "crew": Crew,
    "settings": Settings,
    "device_events": DeviceEvents,
    "observations": Observations,
    "contacts": Contacts,
    "training": Training,
    "expected": Expected,
}
"""Every table of a delivery by its name, which is also its file's stem."""

MAY_BE_ABSENT = ("expected",)
"""Tables that a delivery need not have, nor declare as not recorded."""

OF_THE_SERVICE = ("training", "expected")
"""Tables whose rows do not belong to a delivered trip."""

ADDED: dict[str, tuple[str, ...]] = {
    "trips": ("outcome_24h", "blend_ordered"),
    "observations": ("care",),
    "contacts": ("authorised_by",),
}
"""Columns that version 1 gained after its first deliveries, the last of their tables.

One that is absent is not worth a mention, and one that is empty leaves what was kept of a trip as
it was.
"""


def fractions(table: str) -> list[str]:
    """The columns of a table that hold a fraction of 1, of which percents are easily delivered."""
    columns = TABLES[table].to_schema().columns.items()
    return [
        name for name, field in columns
        if (field.metadata or {}).get("unit") == "1"
        and max((c.statistics.get("max_value", 0) for c in field.checks), default=0) == 1
    ]  # fmt: skip


PERCENTS = "the values look like percents, where a fraction of 1 is asked for"


def sheet_name(table: str) -> str:
    """What a table that is a sheet of a workbook is called where another's file is named."""
    return f"sheet {table} of the workbook"
