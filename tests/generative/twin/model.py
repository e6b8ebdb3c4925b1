"""What the plain-Python twin works on: one trip with everything that bears on it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

Row = dict[str, Any]
Delivery = dict[str, Any]
Seconds = int | Fraction


@dataclass(frozen=True)
class Verdict:
    """One rule's answer for one trip; None where a column does not apply or is not known."""

    trip_id: str
    rule: str
    verdict: str
    observed_low: float | None
    observed_high: float | None
    limit: float | None
    unit: str | None
    from_s: int | None
    until_s: int | None
    protocol_version: str


@dataclass(frozen=True)
class Finding:
    """A rule's answer before trip and protocol version are written beside it."""

    verdict: str
    observed_low: float | None = None
    observed_high: float | None = None
    limit: float | None = None
    unit: str | None = None
    from_s: int | None = None
    until_s: int | None = None


@dataclass(frozen=True)
class Setting:
    """A row with a readable time, of settings or observations; `row` is None if set aside."""

    at_s: int
    row: Row | None


@dataclass(frozen=True)
class Case:
    """One trip, its protocol version, and its rows sorted by time, then by file order.

    `care_charted`: its delivery charts care at all, so that a lost observation may have.
    """

    trip: Row
    version: Row
    settings: list[Setting]
    untimed_setting: bool
    untimed_settings: int
    observations: list[Row]
    seen: list[Setting]
    untimed_observations: int
    contacts: list[Row]
    device_events: list[Row]
    tables_with_lost_rows: frozenset[str]
    not_recorded: frozenset[str]
    resolution: dict[str, int]
    max_offset_s: int
    catalogue: dict[str, Row]
    care_charted: bool

    def certain(self, table: str) -> bool:
        """Whether the rows of `table` are all the rows there were for this trip."""
        return table not in self.not_recorded and table not in self.tables_with_lost_rows


def seconds(minutes: float) -> Seconds:
    """Minutes as exact seconds: a whole number wherever they are one."""
    exact = Fraction(str(minutes)) * 60
    return int(exact) if exact.denominator == 1 else exact


def in_minutes(length_s: Seconds | None) -> float | None:
    """Seconds as minutes with two decimals; None (unbounded or unknown) stays None."""
    return None if length_s is None else round(float(Fraction(length_s) / 60), 2)


def gather(delivery: Delivery) -> list[Case]:
    """Every trip that has a protocol version in force, in file order."""
    cases = []
    for trip in delivery["tables"]["trips"]:
        version = version_in_force(delivery["protocol"], trip["service_month"])
        if version is not None:
            cases.append(_case(delivery, trip, version))
    return cases


def version_in_force(protocol: Row, month: str) -> Row | None:
    """The latest version that had begun by `month`; None before the first."""
    begun = [version for version in protocol["version"] if version["from_month"] <= month]
    return max(begun, key=lambda version: str(version["from_month"])) if begun else None


def _case(delivery: Delivery, trip: Row, version: Row) -> Case:
    export, trip_id = delivery["export"], trip["trip_id"]
    lost = [row for row in delivery.get("lost", []) if row["trip_id"] == trip_id]
    return Case(
        trip=trip,
        version=version,
        settings=_with_lost(delivery, "settings", trip_id),
        untimed_setting=any(r["table"] == "settings" and r["at_s"] is None for r in lost),
        observations=_rows(delivery, "observations", trip_id),
        untimed_settings=sum(r["table"] == "settings" and r["at_s"] is None for r in lost),
        seen=_with_lost(delivery, "observations", trip_id),
        untimed_observations=sum(r["table"] == "observations" and r["at_s"] is None for r in lost),
        contacts=_rows(delivery, "contacts", trip_id),
        device_events=_rows(delivery, "device_events", trip_id),
        tables_with_lost_rows=frozenset(row["table"] for row in lost),
        not_recorded=frozenset(export.get("not_recorded", [])),
        resolution=export["time_resolution_s"],
        max_offset_s=export.get("device_clock", {}).get("max_offset_s", 900),
        catalogue={entry["id"]: entry for entry in delivery["cannulas"]["cannula"]},
        care_charted=any(row.get("care") for row in delivery["tables"].get("observations", [])),
    )


def _rows(delivery: Delivery, table: str, trip_id: str) -> list[Row]:
    if table in delivery["export"].get("not_recorded", []):
        return []
    rows = [row for row in delivery["tables"].get(table, []) if row["trip_id"] == trip_id]
    return sorted(rows, key=lambda row: int(row["at_s"]))


def _with_lost(delivery: Delivery, table: str, trip_id: str) -> list[Setting]:
    """Read and set-aside rows of a table together, by time and then by place in the file."""
    if table in delivery["export"].get("not_recorded", []):
        return []
    in_file = [(row["trip_id"], row["at_s"], row) for row in delivery["tables"][table]]
    lost = [row for row in delivery.get("lost", []) if row["table"] == table]
    for row in sorted(lost, key=lambda row: int(row["position"])):
        in_file.insert(row["position"], (row["trip_id"], row["at_s"], None))
    own = [Setting(at, row) for trip, at, row in in_file if trip == trip_id and at is not None]
    return sorted(own, key=lambda setting: setting.at_s)
