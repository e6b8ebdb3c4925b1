"""The Month page's data: typed records of numbers and sentences. No HTML, no figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_sets import month_rate_set
from reports.charts.drawn_units import Squares
from reports.charts.rate_data import rates_data
from reports.month.cases import (
    Batch,
    CaseList,
    Request,
    batches,
    case_list,
    requests,
    work_kinds,
)
from reports.month.first_screen import (
    Completeness,
    KeyFigures,
    ServiceRate,
    SizeRates,
    completeness,
    key_figures,
    service_rate,
    size_rates,
)
from reports.month.followup import FollowUp, followup_data, status_by_trip
from reports.month.records import (
    Problem,
    ReceivedMonth,
    problems,
    received_months,
)
from reports.month.rules import RuleRow, rule_rows
from reports.month.signals import Signals, signals
from reports.text import words
from reports.text.case_links import case_files
from reports.text.measure_table import ALL_RULES, RATE, RECORD, VARIANCE, MeasureTable
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import text
from reports.text.verdict import Verdict, verdict
from schemas.record import dataclass

if TYPE_CHECKING:
    from reports.charts.control_records import ChartSet
    from reports.text.rates import RateRow
    from schemas.month_review import MonthReview, RuleFacts

HERE_ALONE = Site()


@dataclass(frozen=True)
class OcclusionCounts:
    """Events of the month as merged and as logged, and why the rates leave some out."""

    events: int
    logged: int
    counted: int
    left_out: tuple[tuple[str, int], ...]
    merge_within_s: int
    trips_left_out: int


@dataclass(frozen=True)
class MethodRow:
    """A measure with the method of its interval."""

    measure: str
    unit: str
    method: str


@dataclass(frozen=True)
class Exploratory:
    """Charts that are watched by nobody: the rate by flow share, and control charts of the rate."""

    shares: list[RateRow]
    service: RateRow
    unit: str
    control: ChartSet | None


@dataclass(frozen=True)
class MonthPage(PageFrame):
    """Everything the Month page shows, ready for pictures and the template."""

    verdict: Verdict
    completeness: Completeness
    key: KeyFigures
    sizes: SizeRates
    rate: ServiceRate
    work: tuple[Squares, ...]
    signals: Signals
    rules: tuple[RuleRow, ...]
    cases: CaseList
    batches: tuple[Batch, ...]
    requests: tuple[Request, ...]
    followup: FollowUp
    late: tuple[tuple[str, int], ...]
    received: tuple[ReceivedMonth, ...]
    problems: tuple[Problem, ...]
    occlusions: OcclusionCounts
    exploratory: Exploratory
    methods: tuple[MethodRow, ...]
    asked: tuple[RuleFacts, ...]

    @property
    def any_confirmed(self) -> bool:
        """Whether readers have concluded on any flag."""
        return any(r.confirmed for r in self.rules)


def month_data(review: MonthReview, site: Site = HERE_ALONE) -> MonthPage:
    """Everything the Month page shows."""
    table = MeasureTable(review, (RATE, ALL_RULES, RECORD, VARIANCE))
    files = case_files(review)
    work = work_kinds(review)
    done, all_ = sum(k.done for k in work), sum(k.all for k in work)
    return MonthPage(
        **vars(page_frame(review, site, "month")),
        verdict=verdict(review),
        completeness=completeness(review, table),
        key=key_figures(review, table, done, all_),
        sizes=size_rates(review, table),
        rate=service_rate(review, table),
        work=work,
        signals=signals(review, files),
        rules=rule_rows(review, table),
        cases=case_list(review, files, status_by_trip(review)),
        batches=batches(review),
        requests=requests(review, files),
        followup=followup_data(review),
        late=tuple((words.month_name(m), n) for m, n in sorted(review.late.items())),
        received=received_months(review),
        problems=problems(review),
        occlusions=occlusion_counts(review, table.left_out(RATE)),
        exploratory=exploratory(review),
        methods=methods(review),
        asked=tuple(sorted(review.rules, key=lambda f: f.rule)),
    )


def exploratory(review: MonthReview) -> Exploratory:
    """What the fold of exploratory charts is drawn from."""
    rates = rates_data(review)
    return Exploratory(rates.shares, rates.service, rates.unit, month_rate_set(review))


def occlusion_counts(review: MonthReview, trips_left_out: int) -> OcclusionCounts:
    """Events of the month, and why the rates leave some out."""
    rows = review.occlusions.only(["counted", "logged_events", "not_counted_because"]).records()
    reasons: dict[str, int] = {}
    for row in rows:
        if not row["counted"]:
            reason = text(row["not_counted_because"]) or "no reason given"
            reasons[reason] = reasons.get(reason, 0) + 1
    return OcclusionCounts(
        events=len(rows),
        logged=sum(int(r["logged_events"] or 0) for r in rows),
        counted=sum(bool(r["counted"]) for r in rows),
        left_out=tuple(sorted(reasons.items())),
        merge_within_s=review.merge_within_s,
        trips_left_out=trips_left_out,
    )


def methods(review: MonthReview) -> tuple[MethodRow, ...]:
    """Each measure of the page with the method of its interval."""
    told = sorted(set(review.measures.keys("measure", "unit", "method")))
    return tuple(
        MethodRow(
            words.MEASURE_WORDS.get(text(measure)) or words.plain(text(measure)),
            text(unit),
            text(method),
        )
        for measure, unit, method in told
    )
