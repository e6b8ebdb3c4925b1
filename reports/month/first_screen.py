"""What the Month page's first screen is drawn from: completeness, four figures, rates."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.measure_table import (
    ALL_RULES,
    RATE,
    RECORD,
    MeasureTable,
    MonthEstimate,
    named_sizes,
)
from reports.text.plain_rows import text
from reports.text.sentences import OF_TRIP_ASIDE
from reports.text.signal_lines import chart_months, charts_now
from reports.text.standing_signals import worse
from schemas.record import dataclass

if TYPE_CHECKING:
    from reports.text.estimates import Estimate
    from schemas.month_review import MonthReview

SERVICE = (RATE, "service", "all")
NAMED_MOST = 2


@dataclass(frozen=True)
class Completeness:
    """Trips received of expected, logs complete of ventilator trips, rows set aside."""

    received: int
    expected: int | None
    logs: int
    ventilator_trips: int
    rows_aside: int


@dataclass(frozen=True)
class KeyFigures:
    """The four figures; `rate` and `kept` have their months, `closed` the flags concluded by month.

    `closed` of `cases`: trips listed of which every answer is closed. `overdue` of `actions`.
    """

    rate: tuple[MonthEstimate, ...]
    kept: tuple[MonthEstimate, ...]
    closed: int
    cases: int
    concluded: tuple[tuple[str, float | None], ...]
    overdue: int
    actions: int


@dataclass(frozen=True)
class SizeRow:
    """A cannula size, with its rate over all months and in the month; `worse` by what, if it is."""

    id: str
    label: str
    all: Estimate
    month: Estimate
    worse: tuple[str, ...] = ()


@dataclass(frozen=True)
class SizeRates:
    """The sizes in catalogue order, the service as `whole`, and what the title says of them."""

    rows: tuple[SizeRow, ...]
    whole: SizeRow
    said: str
    months: int


@dataclass(frozen=True)
class ServiceRate:
    """The service's rate through time: its level before, and since a signal, with its month.

    `lately`: 'Apr-Jun 11/67', the last months beside a level since, which may have fallen again.
    """

    months: tuple[MonthEstimate, ...]
    said: str
    worse: bool
    level: float | None
    level_since: float | None
    since: str
    lately: str = ""

    @property
    def course(self) -> bool:
        """Whether two months or more have a rate, so that there is something to draw."""
        return sum(m.estimate.known for m in self.months) > 1


def completeness(review: MonthReview, table: MeasureTable) -> Completeness:
    """What the month's figures rest on."""
    logs = table.now(RECORD)
    kinds = review.problems
    aside = kinds.rows((kinds["kind"] == "set_aside") & (kinds["problem"] != OF_TRIP_ASIDE))
    return Completeness(
        received=review.received,
        expected=review.expected,
        logs=round(logs.denominator - logs.numerator),
        ventilator_trips=round(logs.denominator),
        rows_aside=len(aside),
    )


def key_figures(review: MonthReview, table: MeasureTable, closed: int, cases: int) -> KeyFigures:
    """The four figures with their trend."""
    followup = review.followup
    due = [] if followup is None else followup.follow_ups.only(["overdue"]).records()
    return KeyFigures(
        rate=table.by_month(RATE),
        kept=table.by_month(ALL_RULES),
        closed=closed,
        cases=cases,
        concluded=_concluded(review, table.months),
        overdue=sum(bool(r["overdue"]) for r in due),
        actions=len(due),
    )


def _concluded(
    review: MonthReview, months: tuple[str, ...]
) -> tuple[tuple[str, float | None], ...]:
    """Of each month's variances the share that a reader has concluded on."""
    if review.followup is None:
        return ()
    quality = review.followup.screen_quality
    flags = quality.rows(quality["verdict"] == "deviation")
    sums = flags.sums(["month"], ["flags", "reviewed"])
    found = {text(m): (float(f), float(r)) for (m,), (f, r) in sums.items()}
    shares = ((m, found.get(m, (0.0, 0.0))) for m in months)
    return tuple((m, read / all_ if all_ else None) for m, (all_, read) in shares)


def size_rates(review: MonthReview, table: MeasureTable) -> SizeRates:
    """Every size, and the service."""
    named = named_sizes(review, table.groups(RATE, "cannula"))
    risen = {one.value: one.beside_name for one in worse(review) if one.of_size}
    return SizeRates(
        rows=tuple(
            replace(_size(table, "cannula", key, label), worse=risen.get(key, ()))
            for key, label in named.items()
        ),
        whole=_size(table, "service", "all", "all"),
        said=_sizes_said(review, [named.get(key, key) for key in risen]),
        months=sum(m <= review.month for m in review.months),
    )


def _size(table: MeasureTable, by: str, key: str, label: str) -> SizeRow:
    return SizeRow(
        key, label, table.at(RATE, table.to_month, by, key), table.at(RATE, table.month, by, key)
    )


def _sizes_said(review: MonthReview, risen: list[str]) -> str:
    """'only prong 2 above its past': the picture's finding; each row says since when."""
    past = f"above {'its' if len(risen) == 1 else 'their'} past"
    if len(risen) > NAMED_MOST:
        return f"{len(risen)} {past}"
    if risen:
        return f"only {words.listed(risen)} {past}"
    return _unsignalled(review, "cannula")


def _unsignalled(review: MonthReview, by: str) -> str:
    """What is said of charts of the rate without a signal."""
    rates = review.measures["denominator"][review.measures["measure"] == RATE]
    if not (rates > 0).any():
        return "no ventilator time with a complete log"
    charts = [r for r in charts_now(review) if (r["measure"], r["group_by"]) == (RATE, by)]
    if not any(words.some(r["threshold"]) is not None for r in charts):
        return "too few months for signals"
    if any(r["certainty"] == "depends" for r in charts):
        return "depends on the missing trips"
    return "no signal"


def service_rate(review: MonthReview, table: MeasureTable) -> ServiceRate:
    """The service's months with the level before, and since a headline signal that stands."""
    signal = next((w for w in worse(review) if (w.measure, w.by, w.value) == SERVICE), None)
    by_month = table.by_month(RATE)
    if signal is None:
        months = chart_months(review, SERVICE)
        now = months[-1] if months else None
        # of a chart that has too few months its level is no more than a start
        level = words.some(now["level"]) if now and words.some(now["threshold"]) else None
        whole = table.at(RATE, table.to_month).number
        said = _unsignalled(review, "service")
        return ServiceRate(by_month, said, False, whole if level is None else 100 * level, None, "")
    return ServiceRate(
        by_month, f"up since {words.month_name(signal.since)}", True, _rate(signal.before),
        _rate(signal.now), signal.since, signal.lately,
    )  # fmt: skip


def _rate(counts: tuple[float, float]) -> float | None:
    return 100 * counts[0] / counts[1] if counts[1] else None
