"""What Education is drawn from: readers first, retrainings, what stands behind; and a case."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from reports.education.briefs import briefs_data
from reports.education.data import EducationPage, education_data, to_teach
from reports.education.retraining import retraining_data, verdict_words
from reports.education.teaching import child_words, teaching_data, trips_to_teach
from reports.render.packs import teaching_pack
from reports.text.navigation import Site
from schemas.frame import stacked
from schemas.month_review import MonthReview
from tests.browser import fixture, fixture_figures, fixture_trips
from tests.browser.reading import numbers
from tests.browser.test_audience_words import figures_of
from tests.browser.test_followup_words import with_followup

RULE = "wall-oxygen-time"
ROW: dict[str, Any] = {
    "month": fixture_figures.LAST, "rule": RULE, "base": "cedar", "judged": 20, "flags": 4,
    "reviewed": 0, "practice": 0, "missed": 0,
}  # fmt: skip


def page(review: MonthReview) -> EducationPage:
    return education_data(review, figures_of(review), Site())


def rules_of(rows: tuple[Any, ...]) -> list[str]:
    return [row.rule for row in rows]


# ---- readers first


def test_nothing_is_proposed_that_nobody_has_read() -> None:
    found = page(with_followup(practice_variances=[ROW]))
    assert "time at cedar" in found.verdict.worse
    assert "wall oxygen time's" in found.verdict.rest
    assert "Retrain " not in found.verdict.rest
    figures = fixture_figures.measure_figures()
    quiet = dataclasses.replace(figures, signals=figures.signals.rows(slice(0)))
    calm = with_followup(fixture_figures.review(quiet), practice_variances=[ROW])
    assert page(calm).verdict.worse == ""
    assert numbers(page(calm).verdict.rest) == ["4"]
    assert found.grids.confirmed == ()
    assert RULE in rules_of(found.grids.unread)
    assert found.grid_finding.endswith(", unread")


def test_what_readers_put_down_to_practice_comes_first() -> None:
    read = [
        {**ROW, "reviewed": 3, "practice": 2},
        {**ROW, "base": "alder", "flags": 0, "missed": 1},
        {**ROW, "month": "2020-01", "reviewed": 4, "practice": 4},
    ]
    found = page(with_followup(practice_variances=read))
    assert rules_of(found.grids.confirmed) == [RULE]
    assert found.grids.confirmed[0].side == "3/4"  # of the twelve months, the missed one with it
    # the missed one is none of those read
    assert (found.grids.read, found.grids.flags, found.grids.practice) == (3, 4, 2)
    assert found.verdict.rest.startswith("Retrain wall")
    assert "at cedar, 2 of 3" in found.verdict.rest


def test_practice_at_another_base_names_no_base() -> None:
    read = [{**ROW, "base": "alder", "reviewed": 3, "practice": 2}]
    found = page(with_followup(practice_variances=read))
    assert rules_of(found.grids.confirmed) == [RULE]
    assert found.verdict.rest.startswith("No base")


def test_a_base_retrained_already_is_not_put_first() -> None:
    figures = fixture_figures.measure_figures()
    trained = figures.before_after.assign(base="cedar", rule=RULE)
    read = [{**ROW, "reviewed": 3, "practice": 2}]
    for month, named in (("2025-09", False), ("2025-06", True)):
        changed = dataclasses.replace(figures, before_after=trained.assign(month=month))
        review = with_followup(fixture_figures.review(changed), practice_variances=read)
        assert page(review).verdict.rest.startswith("Retrain ") == named


def test_one_base_shows_the_services_own_shares() -> None:
    review = fixture_figures.one_base()
    shares = fixture.share_rows(fixture.COUNTS)
    measures = fixture.measures_frame([[r[0], f"to {review.month}", *r[2:]] for r in shares])
    found = page(dataclasses.replace(review, measures=measures))
    assert set(rules_of(found.grids.unread)) == set(fixture.COUNTS)
    assert found.briefs == ()
    assert "two bases" in found.grid_finding


# ---- retraining


@pytest.mark.parametrize(
    ("low", "high", "said", "open_to"),
    [
        (0.1, 0.8, "fewer", set()),
        (1.1, 3.0, "more", set()),
        (0.5, 1.4, "no change", set()),
        (0.0, np.inf, "not sure", {"halving", "doubling"}),
        (0.0, 1.2, "not sure", {"halving"}),
        (0.6, None, "not sure", {"doubling"}),
    ],
)
def test_a_ratio_in_honest_words(
    low: float, high: float | None, said: str, open_to: set[str]
) -> None:
    found = verdict_words(low, high)
    assert found.startswith(said)
    assert {"halving", "doubling"} & set(found.split()) == open_to


def test_before_and_after_with_their_months_and_the_caution() -> None:
    figures = fixture_figures.measure_figures()
    window = "Before: 2026-01. After: 2026-06."
    figures = dataclasses.replace(figures, before_after=figures.before_after.assign(window=window))
    few, sure = sorted(retraining_data(figures), key=lambda r: r.base)
    assert sure.window == "Before: January 2026. After: June 2026."
    assert sure.warning == fixture_figures.WARNING
    assert (sure.before.cell, sure.after.cell) == ("14/90", "5/80")
    assert sure.ratio_words.startswith("ratio 0.40 (0.13")
    assert (few.verdict[:7], few.ratio_words) == ("too few", "")


def test_the_latest_retraining_is_told_first() -> None:
    figures = fixture_figures.measure_figures()
    rows = stacked([figures.before_after.assign(month="2025-02"), figures.before_after])
    months = [r.month for r in retraining_data(dataclasses.replace(figures, before_after=rows))]
    assert months == sorted(months, reverse=True)


# ---- behind


def test_the_trips_behind_what_stands_apart_are_all_drawn() -> None:
    (apart,) = page(fixture_figures.full()).apart
    assert (apart.base, apart.limit, len(apart.trips)) == ("cedar", 50.0, len(fixture_trips.APART))
    wide = str(apart.picture).split('class="picture narrow"')[0]
    at_variance = sum(variance for _, _, variance, _ in fixture_trips.APART)
    drawn = wide.count('r="4.2"') + wide.count("l5.6 5.6")
    assert drawn == at_variance
    assert wide.count("v8") == len(fixture_trips.APART) - at_variance
    assert not [t for t, *_ in fixture_trips.APART if f"{t}," in wide]  # no token


def test_every_cannula_stands_with_what_lies_outside_its_range() -> None:
    found = page(fixture_figures.full())
    assert [u.label for u in found.uses["flow"]] == [size[3] for size in fixture.SIZES]
    assert numbers(found.use_finding) == ["3", "180", "3", "180"]  # of flow, of weight


def test_months_that_never_come_are_later_than_all() -> None:
    found = page(fixture_figures.full())
    halves = [n.half for n in found.needed]
    assert halves[-1] is None
    assert halves[:-1] == sorted(h for h in halves if h is not None)
    assert "later" not in {n.label for n in found.needed}


# ---- briefs


def test_a_brief_holds_its_own_base_alone() -> None:
    review = fixture_figures.full()
    briefs = dict(briefs_data(review, figures_of(review), Site()))
    assert list(briefs) == [f"brief-{n}.html" for n in range(1, 6)]
    cedar = briefs["brief-3.html"].brief
    assert cedar.base == "cedar"
    assert cedar.finding.startswith("Stands apart: wall")
    assert numbers(cedar.finding)[:2] == ["22", "100"]
    assert "not read yet" in cedar.finding
    assert all(b.cell.base == "cedar" for b in cedar.rows)
    assert briefs["brief-1.html"].brief.finding.startswith("Nothing")


# ---- a case to teach with


@pytest.mark.parametrize(
    ("months", "weight", "said"),
    [
        (0, 2.9, ("under 1 month", "under 3 kg")),
        (5, 3.0, ("1 to 5 months", "3 to 5 kg")),
        (11, 7.99, ("6 to 11 months", "5 to 8 kg")),
        (23, 12.0, ("1 year", "12 to 20 kg")),
        (59, None, ("2 to 4 years",)),
        (143, 29.0, ("5 to 11 years", "20 to 30 kg")),
        (None, 30.0, ("age not recorded", "30 kg or more")),
        (200, 55.0, ("12 years or more", "30 kg or more")),
    ],
)
def test_age_and_weight_stand_in_bands(
    months: int | None, weight: float | None, said: tuple[str, ...]
) -> None:
    trip = {"age_months": months, "weight_kg": weight, "diagnosis_group": None}
    assert child_words(trip) == ", ".join(said)


def test_a_case_to_teach_with_holds_no_token_and_no_month() -> None:
    review = fixture_figures.full()
    assert review.details is not None
    for trip in trips_to_teach(review)[:5]:
        row = next(r for r in review.details.trips.records() if r["trip_id"] == trip)
        html = teaching_pack(review, trip)
        tokens = [trip, row["base"], row["ventilator_unit"], row["heater_unit"], review.service,
                  "June", review.month]  # fmt: skip
        text = html[html.index("<main") : html.index("</main>")]
        assert not [t for t in tokens if t and str(t) in text]
        assert "<script" not in html
        ids = [part.split('"')[0] for part in html.split(' id="')[1:]]
        assert len(ids) == len(set(ids))


def test_the_questions_come_before_what_was_found() -> None:
    review = fixture_figures.full()
    trip = trips_to_teach(review)[0]
    found = teaching_data(review, trip)
    assert found.answers
    assert found.answers[0].number == 1
    assert "limit of" not in str(found.asked)
    assert "limit of" in str(found.answered)
    questions = {r.question for r in review.rules}
    assert questions & set(found.questions)


def test_a_trip_put_down_to_practice_is_the_one_to_teach_with() -> None:
    review = fixture_figures.full()
    first, second = trips_to_teach(review)[:2]
    chosen = to_teach(review)
    assert chosen is not None
    assert chosen.trip == first
    answered = with_followup(determinations=[
        {"trip_id": second, "rule": RULE, "verdict": "deviation", "conclusion": "practice",
         "status": "closed", "refer_to": None, "reviewer": "R1", "readers": 1, "agreed": True}
    ])  # fmt: skip
    chosen = to_teach(answered)
    assert chosen is not None
    assert chosen.trip == second
    assert to_teach(dataclasses.replace(review, details=None)) is None
