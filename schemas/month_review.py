"""What a month's pages are drawn from: facts and tables, no HTML and no database."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.case_detail import CaseDetails
    from schemas.followup_outputs import FollowUpReview
    from schemas.frame import Frame
    from schemas.measure_outputs import MeasureFacts
    from schemas.shared_outputs import SharedTables
    from schemas.work import MonthWork


@dataclass(frozen=True)
class ProtocolInForce:
    """One protocol version that judged trips of the month."""

    id: str
    from_month: str
    approved_by: str | None
    approved_month: str | None


@dataclass(frozen=True)
class RuleFacts:
    """What a page says of a rule; `asks` has this protocol's limits written in.

    `fit`: what a variance says of how the cannula fits, empty where it says nothing of that.
    `goal`: the share of trips at variance that the service aims at, where it states one.
    """

    rule: str
    question: str
    asks: str
    text: str
    severity: str
    source: str
    fit: str = ""
    goal: float | None = None


@dataclass(frozen=True)
class MeasureFigures:
    """Charts, comparisons and power; frames follow the models in `schemas.measure_outputs`."""

    facts: tuple[MeasureFacts, ...]
    charts: Frame
    runs: Frame
    sizes: Frame
    funnels: Frame
    power: Frame
    before_after: Frame
    occlusion_patterns: Frame
    clock_offsets: Frame
    signals: Frame
    signal_charts: Frame
    signal_trips: Frame
    signal_units: Frame
    one_by_one: Frame
    years: Frame
    trip_marks: Frame
    apart_trips: Frame
    wall_places: Frame
    transit: Frame
    cannula_use: Frame


@dataclass(frozen=True)
class MonthReview:
    """One month of one service, ready to be drawn.

    Frames follow the models of the same name in `schemas.outputs`. `expected` is None where the
    delivery named no expected number. `measures` holds this month, every earlier month, and all
    months to this one together. `what_if` follows `schemas.followup_outputs.WhatIf`, over the
    twelve months to this one. `confidentiality` is the service's own statement, empty where it has
    none. `late` counts, for each earlier month, the trips that came first with the last delivery
    although others of that month were there before it: nobody may have seen them.
    `one_by_one` counts the trips with an always-read trigger or a variance of a rule that is shown
    one by one.
    `records` marks all of it that no answer changes, empty where nobody made a mark.
    `shared` is only in what `pipeline.sharing` made: there every other table is empty.
    """

    service: str
    month: str
    months: tuple[str, ...]
    privacy_basis: tuple[str, ...]
    tool_version: str
    protocol: tuple[ProtocolInForce, ...]
    rules: tuple[RuleFacts, ...]
    received: int
    expected: int | None
    expected_by_month: dict[str, tuple[int, int | None]]
    not_judged: int
    trips_with_finding: int
    merge_within_s: int
    rule_counts: Frame
    cases: Frame
    occlusions: Frame
    measures: Frame
    problems: Frame
    cannulas: Frame
    figures: MeasureFigures | None = None
    details: CaseDetails | None = None
    followup: FollowUpReview | None = None
    what_if: Frame | None = None
    confidentiality: str = ""
    late: dict[str, int] = field(default_factory=dict)
    one_by_one: int = 0
    work: MonthWork | None = None
    shared: SharedTables | None = None
    records: str = ""

    # none is compared with another; what was asked of one is kept for it (lru_cache)
    __eq__ = object.__eq__
    __hash__ = object.__hash__
