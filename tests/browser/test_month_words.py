"""What the Month page says and draws, without a browser."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from reports.charts.chart_parts import nice_ceiling, percent_format, rate_axis_top, tick_step
from reports.charts.palette import PAPER
from reports.charts.rate_data import rate_cell, rates_data
from reports.charts.rate_figures import rates_figure
from reports.render.write import safe_json
from reports.text import sentences, words
from reports.text.rates import RateRow, Rates
from tests.browser import fixture
from tests.browser.reading import numbers

NBSP = "\u00a0"


def a_size(
    rate: float, low: float, high: float, events: int, with_event: int | None = None
) -> RateRow:
    row = {"estimate": rate, "low": low, "high": high, "numerator": events, "denominator": 33.5}
    cell = rate_cell({**row, "trips": 29})
    return RateRow("", f"size {rate:g}", cell, cell, with_event=with_event)


NINE_TRIPS = {"numerator": 0, "denominator": 9, "estimate": 0, "high": 41, "trips": 9}


def sizes_said(*rows: RateRow) -> str:
    cell = rate_cell({"estimate": 26.9})
    rates = Rates("per 100 h", RateRow("all", "", cell, cell), [*rows], [], "", True)
    return sentences.sizes_finding(fixture.month_review(), rates, "cannula size", "cannula sizes")


def test_the_highest_size_with_enough_behind_it_comes_first() -> None:
    few = a_size(90, 40, 200, 9, with_event=4)
    none = a_size(0, 0, 49.6, 0)
    said = sizes_said(a_size(20, 10, 40, 19), a_size(50.7, 14.6, 177, 17), few, none)
    assert numbers(said) == [
        *("50.7", "50.7", "100", "95", "14.6", "177", "17", "29"),  # its rate and what it rests on
        *("26.9", "2", "4"),  # the whole service, sizes of which too little is known
    ]
    assert "may be chance" in said
    assert sentences.few_note([few, none]) == ""
    nine = few._replace(all=rate_cell(NINE_TRIPS))
    assert "upper bound alone" in sentences.few_note([few, nine])
    unusual = sizes_said(a_size(60, 40, 80, 30), a_size(50, 30, 70, 17), a_size(5, 2, 9, 9))
    own, also, below = (part for part in unusual.split(". ") if "whole interval" in part)
    assert ("Unusual" in own, "above" in own) == (True, True)
    assert (also.startswith("Also above"), numbers(also)) == (True, ["50", "50.0", "30.0", "70.0"])
    assert (below.startswith("Below"), numbers(below)) == (True, ["5", "5.0", "2.0", "9.0"])
    assert numbers(sizes_said(none)) == ["26.9", "1", "1"]


@pytest.mark.parametrize("narrow", [True, False])
def test_a_rate_of_few_trips_is_an_open_square_with_an_upper_bound_alone(narrow: bool) -> None:
    page = rates_data(fixture.month_review())
    few, none = page.sizes[:2]
    empty = none._replace(all=rate_cell(NINE_TRIPS))
    figure = rates_figure([few, empty], page.service, page.unit, "June", narrow=narrow)
    drawn, layout = figure["data"], figure["layout"]
    square = next(t for t in drawn if t["marker"]["symbol"] == "square")
    assert square["marker"]["color"] == PAPER
    assert (square["x"], len(square["y"])) == ([0], 1)
    sentence = " ".join(a["text"] for a in layout["annotations"])
    assert "at most 41.0" in sentence


def test_a_bound_that_says_nothing_is_not_printed() -> None:
    wild = rate_cell({**NINE_TRIPS, "high": 40_000})
    assert (numbers(wild.range_text), wild.high) == ([], None)


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


def test_an_axis_ends_at_a_round_number_and_is_not_squeezed() -> None:
    ends = [nice_ceiling(v) for v in (0.03, 0.7, 1.2, 9.7, 31.5, 104)]
    assert ends == pytest.approx([0.03, 0.8, 1.5, 10, 40, 150])
    for end in ends:
        steps = end / tick_step(end, few=False)
        assert steps == pytest.approx(round(steps))
    many = rate_cell({"estimate": 8.0, "low": 5.0, "high": 12.0, "denominator": 300.0})
    lone = many._replace(estimate=200.0, high=1114.0, hours=0.5)
    assert rate_axis_top([many, many, lone], [many, lone]) == 15
    wide = many._replace(estimate=11.3, low=0.28, high=461.0, hours=180.0)
    others = [many._replace(high=high) for high in (49.6, 53.1, 96.9, 110.0, 177.0)]
    assert rate_axis_top([*others, wide], [*others, wide]) == 200
    higher = many._replace(high=19.0)
    assert rate_axis_top([many, higher], [many, higher]) == 20


def test_missing_numbers_stay_missing() -> None:
    cell = rate_cell({"estimate": np.nan, "low": None, "high": np.nan, "denominator": 0.0})
    assert (cell.estimate, cell.low, cell.high) == (None, None, None)
    assert cell.made_from == "0 h"
    assert cell.rate_text == "–"


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
    for word in ("not for treating", "peer-review rules", "privacy basis", "0.1.0"):
        assert word in html


@pytest.mark.parametrize("few", [True, False])
def test_no_tick_of_a_share_is_rounded_to_another_number(few: bool) -> None:
    for value in (0.004, 0.01, 0.02, 0.03, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0):
        step = tick_step(nice_ceiling(value), few)
        digits = int(percent_format(step)[2])
        assert round(100 * step, digits) == pytest.approx(100 * step)


def test_every_measure_has_its_name_in_words() -> None:
    from pipeline.measures.registry import MEASURES

    charted = {"trips-between-deviations"}  # has no interval, so no row of the methods
    assert set(MEASURES) - charted <= set(words.MEASURE_WORDS)
