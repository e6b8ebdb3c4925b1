"""The month's work as typed records: what pages, terminal and desk read of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from schemas.record import dataclass

KINDS = ("read", "audit", "batch", "fetch")
"""In the order in which they are done."""

RECORDS = ("device_log", "handover_s", "departed_s", "outcome")
"""Records of a trip to fetch; besides them `rows_<table>`, rows of a table that were set aside."""

ALWAYS_READ = "Always read: "
"""How the why of a trip begins that is always read."""

FETCH_STATES = ("open", "asked", "arrived")
SAID_OF_FETCH = ("asked", "not_to_be_had")
CASE_STATES = ("open", "awaiting_crew", "referred", "closed")
WORK_STATES = (*CASE_STATES, *FETCH_STATES[1:])
FINDING_STATES = ("unread", "concluded", "stale")
"""Stale: concluded, and the trip's record or the verdict has changed since."""


@dataclass(frozen=True)
class WorkItem:
    """One piece of the month's work; `place` counts from 1 in each kind.

    `read` and `audit`: one a trip. `batch`: one a flag, those of a rule together. `fetch`: one a
    trip, those of a base together. `rule` is the first reason, empty where it is no rule; `rules`
    are all flags of the item, or for `fetch` all that the records may settle.
    """

    kind: str
    trip_id: str
    base: str
    why: str
    rule: str
    severity: str
    place: int
    state: str
    rules: tuple[str, ...] = ()


@dataclass(frozen=True)
class FetchRequest:
    """What one base is asked for: a line a trip."""

    base: str
    lines: tuple[WorkItem, ...]

    @property
    def open(self) -> int:
        """Lines that nobody has asked for yet."""
        return sum(line.state == "open" for line in self.lines)


@dataclass(frozen=True)
class EquipmentUnit:
    """What happened with one unit over `months`; counts are of trips.

    `kind`: ventilator or heater. `unit` is empty where the trips name none. `longest_cutoff_s` is
    None where no length is known.
    """

    kind: str
    unit: str
    months: str
    trips: int
    interruptions: int
    longest_cutoff_s: float | None
    ventilator_failed: int
    heater_failed: int
    power_lost: int
    trip_ids: tuple[str, ...]


@dataclass(frozen=True)
class MonthWork:
    """All work of one month, in order, what the equipment did, and what earlier months left.

    `unread_deaths`: trips of earlier months, each with its month, whose child died and of which
    nobody has concluded anything, the last first.
    """

    items: tuple[WorkItem, ...] = ()
    equipment: tuple[EquipmentUnit, ...] = ()
    unread_deaths: tuple[tuple[str, str], ...] = ()

    def of(self, kind: str) -> tuple[WorkItem, ...]:
        """The items of one kind, in order."""
        return tuple(item for item in self.items if item.kind == kind)

    def count(self, kind: str) -> int:
        """Items of one kind; of `fetch` those still to be had."""
        return sum(item.kind == kind and item.state != FETCH_STATES[-1] for item in self.items)

    @property
    def requests(self) -> tuple[FetchRequest, ...]:
        """One request a base, the bases in order."""
        lines: dict[str, list[WorkItem]] = {}
        for item in self.of("fetch"):
            lines.setdefault(item.base, []).append(item)
        return tuple(FetchRequest(base, tuple(those)) for base, those in lines.items())

    @property
    def batches(self) -> dict[str, tuple[WorkItem, ...]]:
        """The flags to be concluded together, by rule, in order."""
        batches: dict[str, list[WorkItem]] = {}
        for item in self.of("batch"):
            batches.setdefault(item.rule, []).append(item)
        return {rule: tuple(items) for rule, items in batches.items()}


def by_state(items: Iterable[WorkItem]) -> dict[str, int]:
    """How many of the items are in which state."""
    return dict(Counter(item.state for item in items))
