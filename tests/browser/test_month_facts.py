"""The numbers of the Month page, without a browser; its words are in one kept text."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import pytest

from reports.month.data import MonthPage, month_data
from reports.month.figures import month_figures, month_pictures
from reports.month.first_screen import SERVICE
from reports.text.standing_signals import worse
from reports.text.verdict import WORDS_MOST, verdict
from schemas.frame import Frame, stacked
from schemas.month_review import MeasureFigures, MonthReview
from schemas.work import MonthWork
from tests.browser import fixture, fixture_figures, golden
from tests.frames import frame_of, from_pandas, to_pandas


@pytest.mark.parametrize("name", golden.PAGES)
def test_a_page_says_what_it_said(name: str) -> None:
    assert golden.PAGES[name]() == golden.kept(name), "python -m tests.browser.golden renews it"


def page_of(**changes: Any) -> MonthPage:
    return month_data(dataclasses.replace(golden.month_review(), **changes))


def figures_with(review: MonthReview, **frames: Any) -> MonthReview:
    assert review.figures is not None
    return dataclasses.replace(review, figures=dataclasses.replace(review.figures, **frames))


def figures_of(review: MonthReview) -> MeasureFigures:
    assert review.figures is not None
    return review.figures


def test_completeness_counts_trips_logs_and_rows() -> None:
    got = page_of().completeness
    assert (got.received, got.expected) == (54, 56)
    assert (got.logs, got.ventilator_trips) == (22, 27)
    problems = golden.month_review().problems
    aside = (problems["kind"] == "set_aside") & (problems["problem"] != "trip-set-aside")
    assert got.rows_aside == aside.sum() > 0


def test_the_four_figures_carry_what_they_are_made_of() -> None:
    review = golden.month_review()
    key = page_of().key
    assert key.rate[-1].month == key.kept[-1].month == review.month
    assert key.kept[-1].estimate.cell == "49/50"
    measures = to_pandas(review.measures)
    own = measures[(measures["measure"] == "occlusion-rate") & (measures["month"] == review.month)
                   & (measures["group_by"] == "service")].iloc[0]  # fmt: skip
    assert key.rate[-1].estimate.number == own["estimate"]
    assert (key.closed, key.cases) == (0, len(review.cases) + 2)
    assert (key.overdue, key.actions) == (0, 0)


def test_sizes_in_catalogue_order_and_strangers_last() -> None:
    review = fixture.month_review()
    shuffled = to_pandas(review.cannulas).sort_values("label", ascending=False)
    fewer = from_pandas(shuffled[shuffled["id"] != "prong-2"])
    sizes = month_data(dataclasses.replace(review, cannulas=fewer)).sizes.rows
    assert [s.id for s in sizes] == [
        *("prong-1", "prong-3", "prong-4", "soft-1", "soft-2"),
        "prong-2",
    ]


def test_sizes_say_all_months_and_the_month_with_their_counts() -> None:
    review = fixture.month_review()
    measures = to_pandas(review.measures)
    rates = measures[measures["measure"] == "occlusion-rate"].set_index(["month", "group_value"])
    for row in month_data(review).sizes.rows:
        for found, month in ((row.all, "to 2026-06"), (row.month, "2026-06")):
            own = rates.loc[(month, row.id)]
            assert (found.numerator, found.denominator) == (own["numerator"], own["denominator"])
            assert found.few == (own["trips"] < 10 and own["denominator"] > 0)


def test_verdict_names_headlines_then_graver_variances_then_what_is_missing() -> None:
    review = golden.month_review()
    said = verdict(review)
    assert said.worse.startswith("Worse: wall")
    assert said.worse.endswith("since March, 9 of 60.")
    assert said.rest.startswith("3 trips one by one; variances: escalation call 1")
    assert said.rest.endswith(missing := "2 trips missing.")
    calm = figures_with(
        dataclasses.replace(review, one_by_one=0),
        signals=figures_of(review).signals.rows(slice(0)),
        one_by_one=figures_of(review).one_by_one.assign(came=0),
    )
    assert verdict(calm).worse == ""
    assert verdict(calm).rest == f"No signal. {missing}"
    assert len(verdict(dataclasses.replace(calm, expected=54)).rest.split()) == 5


def test_a_death_is_named_whatever_else_the_first_line_leaves_out() -> None:
    """Also one within a day of hand-over; other outcomes stand under one by one."""
    review = golden.month_review()
    row = review.measures.records()[0] | {"month": review.month, "group_by": "outcome"}
    came = [
        row | {"measure": measure, "group_value": outcome, "numerator": trips}
        for measure, outcome, trips in (
            ("worse-outcome", "died", 0), ("worse-outcome-day-after", "died", 1),
            ("worse-outcome", "more_support", 2), ("worse-outcome-day-after", "more_support", 5),
        )
    ]  # fmt: skip
    worse_now = dataclasses.replace(review, measures=stacked([review.measures, frame_of(came)]))
    many = [f"rule-{n}" for n in range(9)]
    for given in (worse_now, figures_with(worse_now, signals=signals_named(*many))):
        assert "1 died." in verdict(given).rest
    said = page_of(measures=worse_now.measures).signals.one_by_one[0]
    assert said == "Outcomes of June 2026: 1 died and 2 more support."
    quiet = dataclasses.replace(worse_now, expected=54, one_by_one=0)
    calm = figures_with(
        quiet,
        signals=figures_of(quiet).signals.rows(slice(0)),
        one_by_one=figures_of(quiet).one_by_one.assign(came=0),
    )
    assert verdict(calm).rest == "No signal. 1 died."


def signals_named(*groups: str) -> Frame:
    given = figures_of(golden.month_review()).signals.rows(slice(1))
    said = "{}: 7 of 13 trips since March 2026 (January 2026 to April 2026), 2 of 31 before."
    rows = [given.assign(group_value=g, sentence=said.format(g)) for g in groups]
    return stacked(rows)


@pytest.mark.parametrize("signals", [0, 1, 2, 3, 9])
@pytest.mark.parametrize("came", [0, 1, 3])
@pytest.mark.parametrize("missing", [0, 1, 40])
def test_the_verdict_has_at_most_25_words(signals: int, came: int, missing: int) -> None:
    names = [f"Trips of so long a name at base {n}" for n in range(signals)]
    one = figures_of(golden.month_review()).one_by_one
    rules = ["escalation-call", "low-saturation-response", "repeated-occlusion-call"][:came]
    frame = stacked([one.assign(rule=r, came=2) for r in rules] or [one.rows(slice(0))])
    review = golden.month_review()
    charts = figures_of(review).signal_charts.assign(certainty="depends")
    review = figures_with(
        dataclasses.replace(review, expected=review.received + missing, one_by_one=came),
        signals=signals_named(*names) if names else figures_of(review).signals.rows(slice(0)),
        one_by_one=frame, signal_charts=charts,
    )  # fmt: skip
    said = verdict(review)
    assert 0 < len(f"{said.worse} {said.rest}".split()) <= WORDS_MOST
    assert bool(said.worse) == bool(signals)
    assert bool(re.search(r"(?<!no )trips? missing", said.rest)) == bool(missing)


def test_every_signal_is_named_with_its_beginning_before_anything_is_left_away() -> None:
    review = golden.month_review()
    given = figures_of(review).signals.rows(slice(1))
    rate = dict(zip(("measure", "group_by", "group_value"), SERVICE, strict=True))
    rows = [
        given,
        given.assign(**{**rate, "group_by": "cannula", "group_value": "p-2"}, since="2025-10",
                     sentence="As of May: Occlusions at p-2: 9 in 7 h"),
        given.assign(**rate, since="2025-06", sentence="Occlusions: 86 in 221 h"),
    ]  # fmt: skip
    said = verdict(figures_with(review, signals=stacked(rows)))
    wall, occlusions = said.worse.split("; ")
    assert wall.endswith("at cedar since March")
    assert occlusions == "occlusions since June 2025, p-2 since October."


def test_a_signals_counts_go_to_the_month_under_review() -> None:
    review = golden.month_review()
    signal = figures_of(review).signals.rows(slice(1)).assign(
        **dict(zip(("measure", "group_by", "group_value"), SERVICE, strict=True)), since="2026-04"
    )  # fmt: skip
    charts = service_chart([5, 5, 5, 20, 20, 20])
    one, *_ = worse(figures_with(review, signals=signal, signal_charts=charts))
    assert (one.now, one.before) == ((60.0, 150.0), (15.0, 150.0))
    assert one.lately == ""  # since April is the last three months
    earlier = signal.assign(since="2026-02")
    one, *_ = worse(figures_with(review, signals=earlier, signal_charts=charts))
    assert one.lately.split()[-1] == "60/150"
    charts = charts.assign(restart=charts["month"] == "2026-03")
    one, *_ = worse(figures_with(review, signals=signal, signal_charts=charts))
    assert one.before == (5.0, 50.0)  # what was before a restart is not compared with


def test_without_protocol_or_trips_nothing_is_called_fine() -> None:
    bare = fixture.bare_month()
    assert "No trip" in verdict(bare).rest
    assert "No protocol" in verdict(dataclasses.replace(bare, received=3)).rest


def service_chart(seen: list[float]) -> Frame:
    """The service's months, 50 h each."""
    measure, by, value = SERVICE
    frame = figures_of(golden.month_review()).signal_charts.rows(slice(1)).assign(
        measure=measure, group_by=by, group_value=value, denominator=50.0
    )  # fmt: skip
    months = fixture_figures.month_names(len(seen))
    rows = [frame.assign(month=m, numerator=n) for m, n in zip(months, seen, strict=True)]
    return stacked(rows)


def test_the_service_has_its_level_before_and_since_a_signal() -> None:
    review = golden.month_review()
    signal = figures_of(review).signals.rows(slice(1)).assign(
        **dict(zip(("measure", "group_by", "group_value"), SERVICE, strict=True)), since="2026-04"
    )  # fmt: skip
    charts = service_chart([5, 5, 5, 20, 20, 20])
    rate = month_data(figures_with(review, signals=signal, signal_charts=charts)).rate
    assert rate.worse
    assert (rate.level, rate.level_since) == (10.0, 40.0)
    earlier = signal.assign(since="2026-02")
    rate = month_data(figures_with(review, signals=earlier, signal_charts=charts)).rate
    assert rate.lately.split()[-1] == "60/150"  # as on the Director page, of the signal's own chart
    calm = month_data(
        figures_with(review, signals=signal.rows(slice(0)), signal_charts=charts.assign(level=0.1))
    ).rate
    assert (calm.worse, calm.level, calm.level_since) == (False, 10.0, None)
    assert (calm.said, calm.lately) == ("no signal", "")


def test_signals_have_a_mark_a_trip_and_name_the_trips() -> None:
    row = page_of().signals.rows[0]
    assert row.worse
    assert [t.trip for t in row.trips] == ["T1", "T2"]
    assert row.chart.endswith("time at cedar")
    assert row.counts == "9 of 60 since"  # all that the fixture's chart has
    picture = str(month_pictures(page_of()).signals[0])
    wide = picture[: picture.index("</svg>")]
    assert wide.count("<circle") == 9  # the fixture's month: 9 of 60
    assert wide.count("<circle") + wide.count("<line") == 60


def test_a_chart_with_a_headline_is_not_named_again_for_a_watch() -> None:
    review = golden.month_review()
    signals = figures_of(review).signals
    again = stacked([signals, signals.rows(slice(1)).assign(kind="watch")])
    assert [r.worse for r in page_of().signals.rows] == [True, False]
    rows = month_data(figures_with(review, signals=again)).signals.rows
    assert [r.worse for r in rows] == [True, False]


def test_rules_with_trips_to_read_first_then_by_severity() -> None:
    rules = [r.rule for r in month_data(fixture.month_review()).rules]
    assert rules == [
        "wall-oxygen-time",
        "unheated-time",
        "repeated-occlusion-call",
        "source-choice",
        "fallback-reason",
        "settings-gap",
        "cannula-weight",
    ]


def test_shares_of_rules_with_what_they_are_made_of() -> None:
    rows = {r.rule: r for r in month_data(fixture.month_review()).rules}
    # Wilson interval of 3 of 46: 0.0224 to 0.1750, by scipy.stats.binomtest
    share = rows["wall-oxygen-time"].share
    assert (share.cell, share.low, share.high) == (
        "3/46", pytest.approx(0.0224, abs=1e-4), pytest.approx(0.1750, abs=1e-4),
    )  # fmt: skip
    assert rows["wall-oxygen-time"].bounds.startswith("6–18")
    assert rows["repeated-occlusion-call"].share.few
    assert rows["settings-gap"].bounds.startswith("22–44")


@pytest.mark.parametrize("name", ["month_review", "large_month"])
def test_a_strip_is_as_long_as_its_trips(name: str) -> None:
    page = month_data(getattr(fixture, name)())
    most = max(r.applicable for r in page.rules)
    for row, strip in zip(page.rules, month_pictures(page).rules, strict=True):
        drawn = [float(w) for w in _widths(str(strip))]
        assert sum(drawn) == pytest.approx(339 * row.applicable / most, abs=0.3)


def _widths(strip: str) -> list[str]:
    return [part.split('width="')[1].split('"')[0] for part in strip.split("<rect")[1:]
            if "stroke-width" in part]  # fmt: skip


def test_every_case_of_a_long_month_is_on_the_page() -> None:
    review = fixture.large_month()
    listed = month_data(review).cases
    packed = listed.more
    assert packed is not None
    assert [r.n for r in listed.rows] + [c[0] for c in packed["cases"]] == [*range(1, 901)]
    assert (listed.listed, listed.total, listed.hidden) == (900, 900, 0)
    assert sum(n for _, _, n in listed.filters["base"]) == 900
    case, given = packed["cases"][-1], review.cases.records()[-1]
    sentence = packed["words"]
    assert (case[1], case[9]) == (given["trip_id"], given["why"])
    assert sentence["base"][case[3]] == (given["base"],)
    assert sentence["group"][case[6]][0] == given["group"]
    assert month_data(fixture.month_review()).cases.more is None


def test_work_counts_each_trip_once_a_kind() -> None:
    for review in (fixture.month_review(), fixture.large_month()):
        work = month_data(review).work
        assert sum(k.all for k in work[:3]) == len(review.cases)
        assert all(k.first <= k.all and k.done <= k.all for k in work)
        assert work[3].all == 2


def test_work_is_done_where_every_answer_is_closed() -> None:
    review = fixture.month_review()
    assert review.work is not None
    shut = [dataclasses.replace(i, state="closed") if i.kind == "read" else i
            for i in review.work.items]  # fmt: skip
    page = month_data(dataclasses.replace(review, work=MonthWork(tuple(shut))))
    assert page.work[0].done == page.work[0].all == page.key.closed > 0


def test_each_base_is_asked_once_for_what_is_missing() -> None:
    review = golden.month_review()
    asked = month_data(review).requests
    assert sum(r.open for r in asked) == 2
    assert [r.base for r in asked] == list(dict.fromkeys(review.cases["base"][:2]))


@pytest.mark.parametrize("review", [fixture_figures.full, fixture_figures.half_year])
def test_figures_of_the_fold_are_valid_plotly(review: Any) -> None:
    graph_objects = pytest.importorskip("plotly.graph_objects")
    figures = month_figures(month_data(review()))
    assert set(figures) == {"rates-by-share", "rates-by-month"}
    for variants in figures.values():
        assert variants[0]["least"] == 0
        for variant in variants:
            data = variant.get("data") or variants[0]["data"]
            graph_objects.Figure(data=data, layout=variant["layout"])


def test_a_month_without_hours_has_no_figure() -> None:
    assert month_figures(month_data(fixture.empty_month())) == {}
    assert month_figures(month_data(fixture.bare_month())) == {}
