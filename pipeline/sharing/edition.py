"""A month's review made safe to hand over, as a pure function of counts."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from pipeline.sharing.counts import SharedCounts
from pipeline.sharing.periods import Period, complete_periods
from pipeline.sharing.sizes import size_rows
from pipeline.sharing.suppression import small
from pipeline.sharing.tables import base_rows, rule_rows
from schemas.frame import Frame
from schemas.shared_outputs import ALL_RULES, SHARED_OUTPUTS, SMALLEST_DISCLOSED, SharedTables

if TYPE_CHECKING:
    import pandas as pd

    from schemas.month_review import MonthReview

LEAST_TRIPS = 4 * SMALLEST_DISCLOSED
"""Of a period with fewer trips no answer is told: nothing would be left to hide a small one in."""

MOST_OF = 0.9
"""A period with at least this share of its expected trips has most of them."""

Rows = dict[str, list[dict[str, Any]]]
"""One period's rows of every table of SHARED_OUTPUTS, by name."""


def shared_review(
    review: MonthReview,
    counts: SharedCounts,
    before: dict[Period, Rows] | None = None,
    *,
    complementary: bool = True,
) -> MonthReview:
    """The review with nothing in it but what may leave the service: a pure function.

    In the result `shared` holds every number; all frames of cases, occlusions, measures, problems
    and rule counts are empty, figures, details and the follow-up's tables are None, and the
    numbers of trips are 0 or None, so that what is drawn from it cannot show anything else.
    Service, month, privacy basis, protocol, rules, cannulas and the confidentiality statement stay.

    `counts`: of every month to the one reviewed (`shared_counts`). `before`: periods shared
    earlier, which are told again as they were told then: the difference of two editions of one
    period would tell what was corrected. `complementary` turned off withholds small counts
    alone, and is there to be tested.
    """
    before = before or {}
    answers = counts.answers
    volumes = answers[answers["rule"] == ALL_RULES].groupby("month")["trips"].sum()
    periods, next_until = complete_periods(
        {str(m): int(n) for m, n in volumes.items()}, review.month, tuple(before)
    )
    period_tables = [
        before.get(period)
        or _with_received(period_rows(period, counts, complementary=complementary), review, period)
        for period in periods
    ]
    periods_, rules, bases, sizes = (
        _frame(name, [row for rows in period_tables for row in rows[name]])
        for name in SHARED_OUTPUTS
    )
    tables = SharedTables(periods_, rules, bases, sizes, next_until)
    return replace(_emptied(review), shared=tables)


def period_rows(period: Period, counts: SharedCounts, *, complementary: bool = True) -> Rows:
    """One period's rows of every table; of one with few trips in all, nothing is told."""
    answers = _within(period, counts.answers)
    trips = int(answers.loc[answers["rule"] == ALL_RULES, "trips"].sum())
    head = {"period": period.name, "from_month": period.first, "until_month": period.last,
            "trips": None if small(trips) else trips}  # fmt: skip
    if trips < LEAST_TRIPS:
        return {"periods": [head], "shared_rules": [], "shared_bases": [], "shared_sizes": []}
    ventilator = _within(period, counts.ventilator)
    return {
        "periods": [head],
        "shared_rules": rule_rows(period.name, answers, complementary=complementary),
        "shared_bases": base_rows(period.name, answers) if complementary else [],
        "shared_sizes": size_rows(period.name, ventilator, complementary=complementary),
    }


def received_of(review: MonthReview, period: Period) -> tuple[int, int | None]:
    """Trips of a period received and expected; expected is None where a month's is not known.

    A month of the period that nothing is known of is such a month, once the records have begun.
    """
    by_month = {review.month: (review.received, review.expected), **review.expected_by_month}
    months = [m for m in period.months() if m >= min(by_month)]
    own = [by_month.get(month, (0, None)) for month in months]
    due = [expected for _, expected in own if expected is not None]
    return sum(got for got, _ in own), sum(due) if own and len(due) == len(own) else None


def _with_received(rows: Rows, review: MonthReview, period: Period) -> Rows:
    """The period's rows with how complete it was: in steps, for a few missing trips are a count."""
    got, due = received_of(review, period)
    step = None
    if due is not None:
        step = "all" if got >= due else "most" if got >= MOST_OF * due else "fewer"
    return {**rows, "periods": [{**head, "received": step} for head in rows["periods"]]}


def _within(period: Period, frame: pd.DataFrame) -> pd.DataFrame:
    return frame[(frame["month"] >= period.first) & (frame["month"] <= period.last)]


def _frame(name: str, rows: list[dict[str, Any]]) -> Frame:
    """Rows as a frame of the model's columns; whole numbers stay whole beside missing ones."""

    return Frame.declared(rows, SHARED_OUTPUTS[name].to_schema().columns)


def _emptied(review: MonthReview) -> MonthReview:
    """The review without numbers and without tokens of people.

    A field added to `MonthReview` later is emptied until it is named here.
    """

    shared = {"service", "month", "privacy_basis", "tool_version", "protocol", "rules", "cannulas",
            "confidentiality"}  # fmt: skip
    empty: dict[str, Any] = {}
    for field in fields(review):
        value = getattr(review, field.name)
        if field.name in shared:
            continue
        if isinstance(value, Frame):
            empty[field.name] = value.rows(slice(0))
        elif isinstance(value, tuple | dict | int):
            empty[field.name] = type(value)()
        else:
            empty[field.name] = None
    protocol = tuple(
        replace(version, approved_by="the service") if version.approved_by else version
        for version in review.protocol
    )
    return replace(review, **{**empty, "protocol": protocol})
