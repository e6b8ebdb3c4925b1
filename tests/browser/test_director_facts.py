"""What the Director page is drawn from: marks, bases, places, outcomes, what waits."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pandas as pd
import pytest

from reports import write_pages
from reports.charts.rule_grid import apart_cells, grid_finding, rule_grid
from reports.charts.rule_rows import rule_rows
from reports.charts.trip_line import Mark, State, TripLine, trip_line
from reports.director.data import DirectorPage, director_data
from reports.director.first_screen import since_words, waiting_data
from reports.director.places import LEAST_BAR
from reports.text.navigation import Site
from reports.text.signal_lines import signal_parts
from reports.text.standing_signals import worse
from schemas.frame import Frame
from schemas.month_review import MeasureFigures, MonthReview, ProtocolInForce
from schemas.work import MonthWork, WorkItem
from tests.browser import fixture, fixture_figures
from tests.browser.reading import numbers
from tests.browser.test_audience_words import figures_of
from tests.browser.test_followup_words import with_followup
from tests.deep import with_deep
from tests.frames import frame_of, from_pandas, to_pandas

KEY = ["measure", "group_by", "group_value"]

TOO_FEW = "too few for"
"""Trips to draw a bar of their minutes."""


def page(review: MonthReview | None = None) -> DirectorPage:
    found = review or fixture_figures.full()
    return director_data(found, figures_of(found), Site())


def changed(**frames: Frame) -> tuple[MonthReview, MeasureFigures]:
    figures = dataclasses.replace(fixture_figures.measure_figures(), **frames)
    return fixture_figures.review(figures), figures


def funnels() -> Frame:
    return fixture_figures.measure_figures().funnels


# ---- rules by bases


def test_only_a_base_that_may_be_named_is_boxed() -> None:
    found = apart_cells(page().grid)
    assert [(row.rule, cell.base) for row, cell in found] == [("wall-oxygen-time", "cedar")]
    assert found[0][1].unread
    assert not found[0][1].acted
    review, figures = changed(funnels=funnels().assign(outside=0))
    assert apart_cells(rule_rows(review, figures)) == []
    assert grid_finding(rule_rows(review, figures)) == "none stands apart"


def test_a_base_with_few_trips_is_never_named_and_shows_counts_alone() -> None:
    review, figures = changed(funnels=funnels().assign(denominator=4.0, outside=1))
    rows = rule_rows(review, figures)
    assert apart_cells(rows) == []
    assert all(row.few for row in rows if row.rule)
    drawn = str(rule_grid([r for r in rows if r.rule], "Rules by bases"))
    assert "<circle" not in drawn
    assert "/4<" in drawn


def test_a_base_below_the_service_is_not_asked_to_retrain() -> None:
    below = funnels().assign(outside=-funnels()["outside"])
    review, figures = changed(funnels=below)
    assert apart_cells(rule_rows(review, figures)) == []


def test_a_base_retrained_within_the_months_is_acted_on() -> None:
    figures = fixture_figures.measure_figures()
    trained = figures.before_after.assign(base="cedar", rule="wall-oxygen-time")
    review, figures = changed(before_after=trained)
    assert [c.acted for _, c in apart_cells(rule_rows(review, figures))] == [True]
    review, figures = changed(before_after=trained.assign(month="2025-06"))
    assert [c.acted for _, c in apart_cells(rule_rows(review, figures))] == [False]


@pytest.mark.parametrize(("goal", "above"), [(0.02, True), (0.5, False), (None, False)])
def test_a_rule_is_above_its_goal_only_with_its_whole_interval(
    goal: float | None, above: bool
) -> None:
    review = fixture_figures.full()
    rules = tuple(
        dataclasses.replace(r, goal=goal) if r.rule == "wall-oxygen-time" else r
        for r in review.rules
    )
    rows = rule_rows(dataclasses.replace(review, rules=rules), figures_of(review))
    row = next(r for r in rows if r.rule == "wall-oxygen-time")
    assert (row.goal, row.above_goal) == (goal, above)
    assert ("above goal" in grid_finding(rows)) == above


def test_the_grid_holds_a_cell_for_each_rule_and_base_with_its_counts() -> None:
    rows = page().grid
    singled = {"escalation-call"}
    assert {r.rule for r in rows} == {"", *(r for r, _, _ in fixture.RULES)} - singled
    drawn = str(page().grid_picture)
    for row in rows:
        assert [c.base for c in row.cells] == list(fixture_figures.BASES)
        for cell in row.cells:
            assert f">{cell.share.cell}</text>" in drawn


def test_seven_bases_stand_in_one_block_and_more_in_two() -> None:
    for many, blocks in ((7, 1), (8, 2), (12, 2), (14, 2)):
        bases = tuple(f"base-{n}" for n in range(many))
        figures = fixture_figures.measure_figures(14, bases)
        rows = rule_rows(fixture_figures.review(figures), figures)
        wide, _ = str(rule_grid(rows, "Rules")).split('class="picture narrow"')
        assert wide.count(">all<") == blocks
        assert wide.count(">Occlusions/100\u00a0h<") == blocks


# ---- trips on a line


def test_a_line_has_a_mark_for_each_trip_and_the_month_of_the_change() -> None:
    marks = tuple(
        Mark(f"T{n}", month, state)
        for n, (month, state) in enumerate([
            ("2026-01", "variance"), ("2026-02", "kept"), ("2026-03", "undecided"),
            ("2026-04", "variance"), ("2026-04", "variance"), ("2025-01", "variance"),
        ])
    )  # fmt: skip
    row = TripLine(marks, since="2026-04", worse=True)
    wide, _ = str(trip_line(row, fixture.MONTHS, "Trips", 400)).split('class="picture narrow"')
    filled = re.findall(r'r="4.2" fill="(#\w+)"', wide)
    assert len(filled) == 3  # the one of an earlier month is off the line
    assert len(set(filled)) == 2  # what came since asks for somebody
    assert wide.count('r="2.6"') == 1
    assert wide.count("v8") == 1
    assert wide.count('stroke-dasharray="2 2"') == 1


def test_marks_of_many_trips_are_drawn_once_a_px() -> None:
    marks = tuple(Mark(f"T{n}", "2026-01", "kept") for n in range(3_000))
    wide, _ = str(trip_line(TripLine(marks), ["2026-01"], "Trips", 400)).split("narrow")[:2]
    assert 300 < wide.count("v8") <= 400


# else `test_a_crowded_line_stays_light_and_keeps_every_place`
@with_deep
def test_two_years_of_a_large_service_make_a_light_page(tmp_path: Path) -> None:
    """3,000 trips a month: every line is crowded, and the page weighs less than 1 MB."""
    figures = fixture_figures.measure_figures()
    assert figures.trip_marks is not None
    assert figures.one_by_one is not None
    rules = ("escalation-call", "low-saturation-response", "repeated-occlusion-call")
    single = figures.one_by_one.records()[0]
    keys = set(figures.trip_marks.keys(*KEY))
    keys |= {("one-by-one", "rule", rule) for rule in rules}
    states = ("kept", "variance", "undecided")
    months = pd.DataFrame({"trip_month": fixture_figures.month_names(24)})
    trips = pd.DataFrame([(f"T{n}", states[n % 3]) for n in range(3_000)],
                         columns=["trip_id", "state"])  # fmt: skip
    marks = pd.DataFrame(keys, columns=KEY).merge(months, how="cross").merge(trips, how="cross")
    own = dataclasses.replace(
        figures, trip_marks=from_pandas(marks).only(figures.trip_marks.columns),
        one_by_one=frame_of([{**single, "rule": rule} for rule in rules]),
    )  # fmt: skip
    written = write_pages(fixture_figures.review(own), tmp_path).with_name("director.html")
    html = written.read_text(encoding="utf-8")
    assert html.count("h0") > 10_000
    two_more_signals = 2 * 45_000
    assert len(html.encode()) + two_more_signals < 1_000_000


@pytest.mark.parametrize("state", ["undecided", "variance"])
def test_a_crowded_line_stays_light_and_keeps_every_place(state: State) -> None:
    months = [f"{year}-{n:02d}" for year in (2024, 2025) for n in range(1, 13)]
    marks = tuple(Mark(f"T{m}{n}", m, state) for m in months for n in range(3_000))
    both = str(trip_line(TripLine(marks, "2025-03", worse=True), months, "Trips", 620))
    assert len(both) < 40_000
    wide = both.split('class="picture narrow"', maxsplit=1)[0]
    paths = re.findall(r'<path d="(M[^"]*h0)"', wide)
    places = [re.findall(r"M(\d+) ", path) for path in paths]
    # a rim and a filling for what came before the change, and for what came since
    assert len(paths) == 4 if state == "variance" else 2
    assert {int(x) for own in places for x in own} == set(range(5, 616))


@pytest.mark.parametrize(
    ("row", "said", "counts"),
    [
        ({"came": 2, "later": 0, "undecided": 0, "watched": True}, "this month", ["2"]),
        ({"came": 0, "later": 62, "undecided": 59, "watched": False},
         "cannot be watched", ["59", "62"]),
        ({"came": 0, "later": 120, "undecided": 3, "watched": True, "last_month": "2026-03"},
         "since the last", ["120"]),
        ({"came": 0, "later": 40, "undecided": 0, "watched": True, "last_month": None},
         "none in", ["40"]),
    ],
)  # fmt: skip
def test_trips_since_the_last_or_why_not(
    row: dict[str, object], said: str, counts: list[str]
) -> None:
    assert said in since_words(row)
    assert numbers(since_words(row)) == counts


def test_a_signals_sentence_in_parts() -> None:
    what, now, range_, before = "Logs at elm", "6 of 6", " (July to April)", ", 7 of 42 before"
    sentence = f"{what}: {now}{range_}{before}, 6.0 times (3.1-11.8). It depends."
    assert signal_parts(sentence) == (what, f"{now}{before}")
    assert signal_parts(f"As of July, with more: {sentence}") == signal_parts(sentence)


def test_the_signal_is_named_with_the_trips_it_counts() -> None:
    review = fixture_figures.full()
    (signal,), (said,) = page().first.signals, worse(review)
    assert signal.what.endswith("time at cedar")
    marks = to_pandas(review.figures.trip_marks)
    own = marks[(marks["measure"] == said.measure) & (marks["group_value"] == said.value)
                & (marks["state"] == "variance") & (marks["trip_month"] >= said.since)]  # fmt: skip
    assert 0 < len(own) == len(signal.trips) + signal.more
    assert [t.trip for t in signal.trips] == list(own["trip_id"][: len(signal.trips)])
    assert page(fixture_figures.nothing()).first.signals == ()


# ---- what waits


def test_what_waits_has_its_age_oldest_first() -> None:
    review = with_followup(fixture_figures.full(), referred=[
        {"trip_id": "T9", "month": "2026-02", "base": "elm", "rules": "source-choice settings-gap",
         "refer_to": "director", "reviewer": "R1"},
        {"trip_id": "T8", "month": "2026-06", "base": "elm", "rules": None,
         "refer_to": "education", "reviewer": "R1"},
    ])  # fmt: skip
    draft = ProtocolInForce("2026.2", "2026-03", None, None)
    found = waiting_data(dataclasses.replace(review, protocol=(draft,)))
    assert [(w.what, w.months, w.age) for w in found] == [
        ("T9", 4, "4 months"),
        ("Approve limits 2026.2", 3, "3 months"),
        ("Conclude on 1 signal", 1, "1 month"),
    ]
    assert [name in found[0].about for name in ("source choice", "settings gap")] == [True] * 2


def test_what_is_always_read_and_unread_comes_first() -> None:
    def read(trip: str, why: str, state: str = "open") -> WorkItem:
        return WorkItem("read", trip, "elm", why, "", "", 1, state)

    items = (
        read("T1", "Always read: died. More."), read("T2", "Always read: power lost.", "closed"),
        read("T3", "The weight."), *(read(f"T{n}", "Always read: bagged.") for n in (4, 5)),
    )  # fmt: skip
    deaths = (("D2", "2026-05"), ("D1", "2026-02"))
    review = dataclasses.replace(fixture_figures.full(), work=MonthWork(items, (), deaths))
    assert [(w.what, w.about, w.months, w.href) for w in waiting_data(review)[:2]] == [
        ("2 earlier deaths unread", "D2; D1", 4, ""),
        ("3 always-read open", "T1 died; +2", 0, "index.html#work"),
    ]


# ---- below


def test_wall_minutes_have_no_bar_under_five_trips() -> None:
    places = page().places
    assert {w.past_trips for w in places.wall} == {4}
    assert places.limit == 50
    assert str(places.wall_picture).count(TOO_FEW) == 2 * len(places.wall)
    figures = fixture_figures.measure_figures()
    assert figures.wall_places is not None
    many = figures.wall_places.assign(trips=LEAST_BAR)
    review, _ = changed(wall_places=many)
    assert TOO_FEW not in str(page(review).places.wall_picture)
    assert "transit" in page(review).places.wall_finding


def test_transit_says_how_many_ran_past_the_limit() -> None:
    assert numbers(page().places.transit_finding) == ["10", "250", "70"]


def test_outcomes_are_said_to_change_only_clear_of_one() -> None:
    assert page().outcomes.finding.startswith("no change")
    figures = fixture_figures.measure_figures()
    assert figures.years is not None
    review, _ = changed(years=figures.years.assign(ratio_low=1.1))
    assert page(review).outcomes.finding.count("more often") == 2
    by_handover, intubated, day_later = (r.label for r in page().outcomes.rows)
    assert ("hand-over" in by_handover, intubated) == (True, "intubated")
    assert "day later" in day_later


def test_sizes_that_could_not_be_adjusted_have_no_mark() -> None:
    sizes = page().sizes
    assert {r.id: r.adjusted is None for r in sizes.rows} == {
        size[0]: size[0] == "prong-4" for size in fixture.SIZES[:5]
    }
    assert sizes.said.startswith("adjusted, ")


def test_nothing_measured_is_said() -> None:
    empty = page(fixture_figures.nothing())
    assert "No trip" in empty.verdict.rest
    assert (empty.grid, empty.grid_picture) == ((), "")
    assert empty.places.wall_picture == empty.outcomes.picture == empty.sizes.picture == ""
