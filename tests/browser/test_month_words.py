"""What the Month page says and draws, without a browser."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reports.charts.palette import PAPER
from reports.charts.parts import nice_ceiling, percent_format, rate_axis_top, tick_step
from reports.charts.rate_data import rate_cell, rates_data, share_order
from reports.charts.rate_figures import rates_figure
from reports.charts.stacked_bars import WIDTH, stacked_bar
from reports.month.data import month_data
from reports.render.write import month_figures, safe_json
from reports.text import sentences, words
from schemas.month_review import MonthReview
from tests.browser import fixture

NBSP = "\u00a0"


def ratio(estimate: float, low: float, high: float, trips: int = 40) -> dict[str, Any]:
    return {"estimate": estimate, "low": low, "high": high, "trips": trips}


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (
            ratio(1.6, 1.1, 2.3),
            f"higher than the months before (rate ratio 1.60, 95{NBSP}% 1.10–2.30)",
        ),
        (
            ratio(0.5, 0.3, 0.8),
            f"lower than the months before (rate ratio 0.50, 95{NBSP}% 0.30–0.80)",
        ),
        (ratio(1.1, 0.7, 1.6), "That is ordinary for this service"),
        (ratio(1.1, 0.3, 3.9, 4), "too few to say (4 trips; rate ratio 1.10"),
        (ratio(math.nan, math.nan, math.nan, 4), "too few to say (4 trips)"),
    ],
)
def test_a_ratio_in_words(row: dict[str, Any], sentence: str) -> None:
    assert sentence in sentences.compare(row)


@pytest.mark.parametrize(
    ("received", "expected", "sentence"),
    [
        (54, 58, "54 of 58 trips expected for June 2026 were received."),
        (54, 54, "All 54 trips expected for June 2026 were received."),
        (1, 1, "The one trip expected for June 2026 was received."),
        (60, 58, "60 trips of June 2026 were received, 2 more than the 58 expected."),
        (0, None, "No trip of June 2026 was received."),
        (0, 5, "0 of 5 trips expected for June 2026 were received."),
        (1, None, "1 trip of June 2026 was received; how many there should be was not delivered."),
    ],
)
def test_trips_received_in_words(received: int, expected: int | None, sentence: str) -> None:
    review = fixture.month_review(received=received, expected=expected)
    assert sentences.received_sentence(review) == sentence


def test_a_month_short_of_trips_shows_no_signal() -> None:
    data = month_data(fixture.short_month())
    assert data["occlusion_answer"][1] == (
        "Whether that is ordinary is not said while 4 trips are missing."
    )
    assert "no cannula size is said to stand out" in data["rates"]["sizes_finding"]
    assert "ighest" not in data["rates"]["sizes_finding"]


def a_size(rate: float, low: float, high: float, events: int, **more: Any) -> dict[str, Any]:
    row = {"estimate": rate, "low": low, "high": high, "numerator": events, "denominator": 33.5}
    return {"label": f"size {rate:g}", "all": rate_cell({**row, "trips": 29}), **more}


NINE_TRIPS = {"numerator": 0, "denominator": 9, "estimate": 0, "high": 41, "trips": 9}


def sizes_said(*rows: dict[str, Any]) -> str:
    service = {"all": {"estimate": 26.9}, "unit": "per 100 h"}
    return sentences.sizes_finding(
        fixture.month_review(), [*rows], service, "cannula size", "cannula sizes"
    )


def test_the_highest_size_with_enough_behind_it_comes_first() -> None:
    few = a_size(90, 40, 200, 9, trips_with_event=4)
    none = a_size(0, 0, 49.6, 0)
    assert sizes_said(a_size(20, 10, 40, 19), a_size(50.7, 14.6, 177, 17), few, none) == (
        "Highest occlusion rate over all months: size 50.7, 50.7 per 100 h"
        f" (95{NBSP}% 14.6–177; 17 events, 29 trips); the whole service 26.9. It"
        " looks worse, but that may be chance: its interval holds the whole service's rate."
        " Too few to say: 2 of 4 cannula sizes."
    )
    assert sentences.few_note([few, none]) == ""
    assert "upper bound alone" in sentences.few_note([few, {"all": rate_cell(NINE_TRIPS)}])
    unusual = sizes_said(a_size(60, 40, 80, 30), a_size(50, 30, 70, 17), a_size(5, 2, 9, 9))
    assert "Unusual: its whole interval lies above the whole service's rate." in unusual
    assert "Also above it lies the whole interval of size 50 (50.0, 30.0–70.0)." in unusual
    assert "Below it lies the whole interval of size 5 (5.0, 2.0–9.0)." in unusual
    assert sizes_said(none) == (
        "The whole service's rate over all months is 26.9. Too few to say: 1 of 1 cannula size."
    )


@pytest.mark.parametrize("narrow", [True, False])
def test_a_rate_of_few_trips_is_an_open_square_with_an_upper_bound_alone(narrow: bool) -> None:
    page = rates_data(fixture.month_review())
    few, none = page["sizes"][:2]
    empty = {
        **none,
        "all": rate_cell(NINE_TRIPS),
    }
    figure = rates_figure([few, empty], page["service"], page["unit"], "June", narrow=narrow)
    drawn, layout = figure["data"], figure["layout"]
    square = next(t for t in drawn if t["marker"]["symbol"] == "square")
    assert square["marker"]["color"] == PAPER
    assert (square["x"], len(square["y"])) == ([0], 1)
    sentence = " ".join(a["text"] for a in layout["annotations"])
    assert "too few to say: at most 41.0" in sentence


def test_a_bound_that_says_nothing_is_not_printed() -> None:
    wild = rate_cell({**NINE_TRIPS, "high": 40_000})
    assert (wild["range_text"], wild["high"]) == ("too few to say", None)


def test_without_a_ratio_nothing_is_said_of_it() -> None:
    review = fixture.month_review()
    measures = review.measures[review.measures["measure"] != "occlusion-rate-ratio"]
    sentence = month_data(dataclasses.replace(review, measures=measures))["occlusion_answer"]
    assert len(sentence) == 1
    first = dataclasses.replace(review, months=("2026-06",))
    assert "no earlier month" in month_data(first)["occlusion_answer"][1]


def test_every_case_of_a_long_month_is_on_the_page() -> None:
    review = fixture.large_month()
    listed = month_data(review)["cases"]
    packed = listed["more"]
    assert [r["n"] for r in listed["rows"]] + [c[0] for c in packed["cases"]] == [*range(1, 901)]
    assert (listed["listed"], listed["total"], listed["hidden"]) == (900, 900, 0)
    assert sum(n for _, _, n in listed["filters"]["base"]) == 900
    case, given = packed["cases"][-1], review.cases.iloc[-1]
    sentence = packed["words"]
    assert (case[1], case[9]) == (given["trip_id"], given["why"])
    assert sentence["base"][case[3]] == (given["base"],)
    assert sentence["group"][case[6]][0] == given["group"]
    assert month_data(fixture.month_review())["cases"]["more"] is None


def test_without_a_protocol_nothing_is_called_fine() -> None:
    review = dataclasses.replace(fixture.bare_month(), received=3)
    data = month_data(review)
    assert data["answer"][1] == "No trip was judged: no protocol version is in force for June 2026."
    assert data["next_steps"][0][1] == "protocol"


def test_shares_in_words() -> None:
    rows = {r["rule"]: r for r in month_data(fixture.month_review())["rules"]}
    # Wilson interval of 3 of 46: 0.0224 to 0.1750, by scipy.stats.binomtest
    assert rows["wall-oxygen-time"]["share"] == f"3 of 46 trips (7{NBSP}%, 2–18{NBSP}%)"
    assert rows["wall-oxygen-time"]["bounds"] == (
        f"6–18{NBSP}% of all 50, however the undecided fall"
    )
    assert rows["repeated-occlusion-call"]["share"].endswith("too few to say")
    assert rows["settings-gap"]["bounds"].startswith(f"22–44{NBSP}% of all 54")
    assert rows["source-choice"]["bounds"].startswith(f"8–18{NBSP}% of all 51")


@pytest.mark.parametrize(
    ("share", "sentence"),
    [
        (0, "0"),
        (0.0004, "<0.1"),
        (0.004, "0.4"),
        (0.07, "7"),
        (0.996, "99.6"),
        (0.99999, ">99.9"),
        (1, "100"),
    ],
)
def test_a_share_is_never_rounded_onto_none_or_all(share: float, sentence: str) -> None:
    assert words.percent(share) == f"{sentence}{NBSP}%"


def test_rules_with_trips_to_read_first_then_by_severity() -> None:
    rules = [r["rule"] for r in month_data(fixture.month_review())["rules"]]
    assert rules == [
        "wall-oxygen-time",
        "unheated-time",
        "repeated-occlusion-call",
        "source-choice",
        "fallback-reason",
        "settings-gap",
        "cannula-weight",
    ]


def test_sizes_in_catalogue_order_and_strangers_last() -> None:
    review = fixture.month_review()
    shuffled = review.cannulas.sort_values("label", ascending=False)
    fewer = shuffled[shuffled["id"] != "prong-2"]
    sizes = month_data(dataclasses.replace(review, cannulas=fewer))["rates"]["sizes"]
    assert [s["key"] for s in sizes] == [
        *("prong-1", "prong-3", "prong-4", "soft-1", "soft-2"),
        "prong-2",
    ]
    assert sizes[-1]["note"] == "not in the catalogue"


def test_flow_shares_in_order() -> None:
    shares = month_data(fixture.month_review())["rates"]["shares"]
    assert [s["key"] for s in shares] == [*fixture.SHARES]
    fractions = ["not in the catalogue", "above 2/3", "1/3 to 2/3", "below 1/3"]
    assert sorted(fractions, key=share_order) == fractions[::-1]


@pytest.mark.parametrize(
    "numbers", [(1, 12, 37, 40, 2890), (0, 0, 0, 0, 1), (1, 1, 1, 1, 1), (3, 0, 0, 0, 0)]
)
def test_a_strip_is_full_and_holds_its_numbers(numbers: tuple[int, ...]) -> None:
    verdicts = ("deviation", "borderline", "cannot_tell", "authorised", "met")
    parts = stacked_bar(dict(zip(verdicts, numbers, strict=True)))
    assert sum(p["width"] for p in parts) == pytest.approx(WIDTH, abs=0.05)
    assert [p["count"] for p in parts] == [f"{n:,}" for n in numbers if n]
    assert all(p["width"] >= 7 * len(p["count"]) for p in parts)
    for before, after in itertools.pairwise(parts):
        assert after["x"] == pytest.approx(before["x"] + before["width"], abs=0.02)


def test_an_axis_ends_at_a_round_number_and_is_not_squeezed() -> None:
    ends = [nice_ceiling(v) for v in (0.03, 0.7, 1.2, 9.7, 31.5, 104)]
    assert ends == pytest.approx([0.03, 0.8, 1.5, 10, 40, 150])
    for end in ends:
        steps = end / tick_step(end, few=False)
        assert steps == pytest.approx(round(steps))
    many = {"estimate": 8.0, "low": 5.0, "high": 12.0, "hours": 300.0}
    lone = {"estimate": 200.0, "low": 5.0, "high": 1114.0, "hours": 0.5}
    assert rate_axis_top([many, many, lone], [many, lone]) == 15
    wide = {"estimate": 11.3, "low": 0.28, "high": 461.0, "hours": 180.0}
    others = [{**many, "high": high} for high in (49.6, 53.1, 96.9, 110.0, 177.0)]
    assert rate_axis_top([*others, wide], [*others, wide]) == 200
    assert rate_axis_top([many, {**many, "high": 19.0}], [many, {**many, "high": 19.0}]) == 20


def test_missing_numbers_stay_missing() -> None:
    cell = rate_cell({"estimate": np.nan, "low": None, "high": np.nan, "denominator": 0.0})
    assert (cell["estimate"], cell["low"], cell["high"]) == (None, None, None)
    assert cell["made_from"] == "0 h"
    assert cell["rate_text"] == "–"


@pytest.mark.parametrize("name", ["month_review", "one_trip", "large_month", "hostile_month"])
def test_figures_are_valid_plotly(name: str) -> None:
    graph_objects = pytest.importorskip("plotly.graph_objects")
    review: MonthReview = getattr(fixture, name)()
    figures = month_figures(month_data(review))
    several = {"rates-by-month"} if len(review.months) > 1 else set()
    assert set(figures) >= {"rates-by-size", *several}
    for variants in figures.values():
        assert variants[0]["least"] == 0
        for variant in variants:
            graph_objects.Figure(data=variant["data"], layout=variant["layout"])
            assert "ventilator hours" in json.dumps(variant["layout"])


def test_months_are_drawn_where_several_have_a_rate_and_sizes_where_one_has() -> None:
    assert "rates-by-month" not in month_figures(month_data(fixture.one_trip()))
    drawn = month_figures(month_data(fixture.month_review()))["rates-by-month"][0]["layout"]
    titles = [note["text"] for note in drawn["annotations"]]
    data = month_data(fixture.month_review())["rates"]
    bearing = [r for r in data["sizes"] if any(c["estimate"] is not None for c in r["months"])]
    assert len(titles) == 1 + len(bearing)


def test_a_month_without_hours_has_no_figure() -> None:
    assert month_figures(month_data(fixture.empty_month())) == {}
    assert month_figures(month_data(fixture.bare_month())) == {}


def test_json_cannot_leave_its_element() -> None:
    value = {"b": "</script><!--&\u2028\u2029", "a": [1, None]}
    dumped = str(safe_json(value))
    assert not re.search("[<>&\u2028\u2029]", dumped)
    assert json.loads(dumped) == value
    assert dumped.startswith('{"a"')


def test_control_and_turning_characters_are_spelled_out() -> None:
    assert words.visible("a\x00b\u202ec\tד") == "a[U+0000]b[U+202E]c ד"
    assert words.isolated("plain") == "plain"
    assert words.isolated("בסיס\u2069") == "\u2068בסיס[U+2069]\u2069"


@pytest.mark.parametrize("name", ["full", "short", "empty", "bare", "one", "large"])
def test_words_the_page_must_not_say(pages: dict[str, Path], name: str) -> None:
    html = pages[name].read_text(encoding="utf-8").lower()
    for word in ("violation", "significant", ">nan<", ">none,", "undefined"):
        assert word not in html
    for word in ("not for treating a patient", "peer-review rules", "privacy basis", "0.1.0"):
        assert word in html


@pytest.mark.parametrize("few", [True, False])
def test_no_tick_of_a_share_is_rounded_to_another_number(few: bool) -> None:
    for value in (0.004, 0.01, 0.02, 0.03, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0):
        step = tick_step(nice_ceiling(value), few)
        digits = int(percent_format(step)[2])
        assert round(100 * step, digits) == pytest.approx(100 * step)


def test_a_trip_is_counted_under_its_first_reason_only() -> None:
    review = fixture.month_review()
    groups = ["always_read", "deviation", "deviation", "batch", "audit"]
    kinds = ["read", "read", "read", "batch", "audit"]
    cases = review.cases.head(5).assign(kind=kinds, group=groups)
    sentence = sentences.need_sentence(dataclasses.replace(review, cases=cases))
    assert sentence.startswith(
        "5 trips need a person: 1 that the protocol has read whatever the rules say, 2 more with a"
        " variance for review, 1 drawn at random from those without a flag and 1 with flags that"
        " are concluded in batches."
    )
    assert sentences.need_sentence(dataclasses.replace(review, cases=cases.iloc[1:])).startswith(
        "4 trips need a person: 2 with a variance for review, 1 drawn"
    )


def test_why_so_many_are_read_is_said_by_their_first_reason() -> None:
    review = dataclasses.replace(fixture.month_review(), received=20)
    rules = ["wall-oxygen-time", "heat-ready", "heat-ready", "unheated-time", "heat-ready"]
    kinds = [*["read"] * 4, "audit"]
    cases = review.cases.head(5).assign(kind=kinds, leading_rule=rules)
    sentence = sentences.reasons_sentence(dataclasses.replace(review, cases=cases))
    assert sentence == (
        f"Without the random audit that is 4 of the 20 trips received (20{NBSP}%). Most often the"
        " first reason is heat ready (2), unheated time (1) and wall oxygen time (1)."
    )
    assert sentences.reasons_sentence(dataclasses.replace(review, cases=cases[:2])) == ""


def test_every_measure_has_its_name_in_words() -> None:
    from pipeline.measures.registry import MEASURES

    charted = {"trips-between-deviations"}  # has no interval, so no row of the methods
    assert set(MEASURES) - charted <= set(words.MEASURE_WORDS)
