"""What the year and the committee's pack are drawn from."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from reports.committee.data import committee_data
from reports.text.navigation import Site
from reports.year.data import YearData, received, year_data
from reports.year.page import year_page
from schemas.frame import Frame
from schemas.month_review import MonthReview
from tests.browser import fixture, fixture_figures
from tests.browser.fixture_trips import year_row
from tests.browser.reading import numbers
from tests.browser.test_audience_words import figures_of
from tests.browser.test_followup_words import with_followup


def year(review: MonthReview | None = None) -> YearData:
    found = review or fixture_figures.full()
    return year_data(found, figures_of(found))


def with_years(*rows: dict[str, Any]) -> MonthReview:
    figures = fixture_figures.measure_figures()
    assert figures.years is not None
    years = Frame.of_rows(rows, figures.years.columns)
    return fixture_figures.review(dataclasses.replace(figures, years=years))


def kept(*, worse: bool) -> dict[str, Any]:
    low, high = (0.6, 0.9) if worse else (1.1, 1.5)
    row = year_row("all-rules-share", "service", "all", (300, 500), (400, 500))
    return {**row, "ratio_low": low, "ratio_high": high}


def test_figures_stand_in_order_service_sizes_rules_outcomes() -> None:
    groups = [f.group for f in year().figures]
    assert groups == ["service"] * 3 + ["cannula"] + ["rule"] * 7 + ["service"] * 2
    high = [f.high for f in year().figures if f.group == "rule"]
    assert high == sorted(high, reverse=True)


@pytest.mark.parametrize("worse", [True, False])
def test_what_moved_is_named_on_its_side(worse: bool) -> None:
    found = year(with_years(kept(worse=worse)))
    assert found.finding == f"{'Down' if worse else 'Up'}: all rules kept."
    assert "chance" not in found.finding  # of one ratio none is expected to


def test_it_is_said_how_many_would_move_by_chance() -> None:
    found = year(with_years(kept(worse=True), *(kept(worse=False) for _ in range(27))))
    assert "about 1 of 28" in found.finding


def test_nothing_moved_and_no_year_before_are_said() -> None:
    still = year_row("worse-outcome", "service", "all", (20, 700), (9, 350))
    assert year(with_years(still)).finding.startswith("None of 1")
    empty = year(with_years())
    assert empty.finding.startswith("No months before")
    assert year_page(with_years(), figures_of(with_years()), Site()).picture == ""


def test_a_rule_above_its_goal_is_named_though_it_held() -> None:
    review = fixture_figures.full()
    rules = tuple(dataclasses.replace(r, goal=0.01) for r in review.rules[:1])
    found = year(dataclasses.replace(review, rules=rules))
    assert found.finding.count("wall oxygen time") == 1
    assert "Above goal" in found.finding
    row = year_row("deviation-share", "rule", "wall-oxygen-time", (20, 300), (20, 300))
    fell = with_years({**row, "ratio_low": 0.5, "ratio_high": 0.9})
    found = year(dataclasses.replace(fell, rules=rules))
    assert found.finding.count("wall oxygen time") == 1
    assert "still above goal" in found.finding


def test_only_headlines_of_the_twelve_months_are_told() -> None:
    (said,) = year().signals
    assert (said.month, said.what.split()[-1], said.standing) == ("2026-05", "cedar", "open")


def test_trips_received_of_both_years() -> None:
    review = fixture_figures.full()
    months = dict.fromkeys(fixture_figures.month_names(30), (60, 61)) | {"2026-05": (57, None)}
    now, before = received(dataclasses.replace(review, expected_by_month=months))
    assert (now.months, now.trips, now.expected) == (12, 717, None)
    assert (before.months, before.trips, before.expected) == (12, 720, 732)
    assert str(before) == "720 of 732 in 12 months"


def actions() -> MonthReview:
    row = {"trip_id": "T1", "month": "2026-04", "base": "elm", "rules": "source-choice",
           "action": "check the heater", "due_month": "2026-05"}  # fmt: skip
    return with_followup(year_actions=[
        {**row, "state": "closed"}, {**row, "state": "open", "due_month": None},
        {**row, "state": "overdue"},
    ])  # fmt: skip


def test_actions_are_counted_by_what_became_of_them() -> None:
    found = year(actions())
    assert numbers(found.actions_said) == ["3", "1", "1", "1"]
    assert [a.state for a in found.actions] == ["overdue", "open", "closed"]
    assert year(with_followup()).actions_said == "none asked for"


def test_the_committee_reads_the_same_opening_as_the_month() -> None:
    from reports.month.data import month_data

    review = actions()
    page = committee_data(review, figures_of(review))
    assert page.opening.verdict == month_data(review).verdict
    assert [a.state for a in page.actions] == ["overdue", "open"]
    assert page.restated_said.startswith("no published figure")


@pytest.mark.parametrize(
    ("flags", "read", "confirmed", "missed", "said"),
    [(0, 0, 0, 0, []), (4, 0, 0, 0, ["0", "4", "0"]), (4, 3, 2, 1, ["3", "4", "2", "1"])],
)
def test_what_was_confirmed_in_words(
    flags: int, read: int, confirmed: int, missed: int, said: list[str]
) -> None:
    from tests.browser.test_followup_words import quality

    row = quality(month=fixture.MONTHS[-1], flags=flags, reviewed=read, confirmed=confirmed,
                  practice=confirmed, missed=missed)  # fmt: skip
    review = with_followup(screen_quality=[row])
    assert numbers(committee_data(review, figures_of(review)).confirmed_said) == said
