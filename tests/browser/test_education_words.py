"""What the Education page says and draws, without a browser."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipeline.rules import all_rules
from reports.charts.signal_summary import power_data
from reports.education.data import education_data
from reports.education.figures import education_figures
from reports.education.retraining import retraining_data
from reports.text.navigation import Site
from tests.browser import fixture_figures
from tests.browser.test_audience_words import figures_of

NBSP = "\u00a0"


def test_retraining_is_by_severity_then_by_what_is_believable() -> None:
    review = fixture_figures.full()
    data = education_data(review, figures_of(review), Site())
    order = [(r["order"], -r["believed"]) for r in data["rules"]]
    assert order == sorted(order)
    first = data["first"][0]
    assert (first["rule"]["rule"], first["base"]["base"]) == ("wall-oxygen-time", "cedar")
    assert "wall oxygen time at cedar: 22 of 100 trips" in data["answer"][0]
    assert data["few"].startswith("Too few to say at any base: repeated occlusion call (20 trips)")


def test_a_base_retrained_already_is_not_put_first() -> None:
    figures = fixture_figures.measure_figures()
    trained = figures.before_after.assign(base="cedar", rule="wall-oxygen-time")
    figures = dataclasses.replace(figures, before_after=trained)
    review = fixture_figures.review(figures)
    data = education_data(review, figures, Site())
    assert data["first"] == []
    assert "retrained in September 2025 within these months" in data["answer"][1]
    earlier = dataclasses.replace(figures, before_after=trained.assign(month="2025-06"))
    assert education_data(review, earlier, Site())["first"]


def test_where_bases_differ_no_more_than_chance() -> None:
    review = fixture_figures.full()
    rules = {r["rule"]: r for r in education_data(review, figures_of(review), Site())["rules"]}
    assert rules["unheated-time"]["pooled"]
    assert "differ no more than chance" in rules["unheated-time"]["where"]
    assert rules[fixture_figures.THIN]["where"] == "no variance in 20 trips"


@pytest.mark.parametrize(
    ("low", "high", "sentence"),
    [
        (0.1, 0.8, "fewer variances after than before"),
        (1.1, 3.0, "more variances after than before"),
        (0.5, 1.4, "no change shown: the interval holds 1"),
        (
            0.0,
            np.inf,
            "no change shown, and too little to say: a halving or a doubling is not ruled out",
        ),
        (0.0, 1.2, "too little to say: a halving is not ruled out"),
    ],
)
def test_before_and_after_in_words(low: float, high: float, sentence: str) -> None:
    figures = fixture_figures.measure_figures()
    rows = figures.before_after.head(1).assign(low=low, high=high, ratio=0.9)
    found = retraining_data(dataclasses.replace(figures, before_after=rows))
    assert sentence in found["rows"][0]["verdict"]
    assert "regression to the mean" in found["finding"]
    named = rows.assign(window="Before: 1 month (2026-01). After: 1 month (2026-06).")
    finding = retraining_data(dataclasses.replace(figures, before_after=named))["finding"]
    assert "Before: 1 month (January 2026). After: 1 month (June 2026). Part of" in finding


def test_too_few_before_and_after() -> None:
    rows = retraining_data(fixture_figures.measure_figures())["rows"]
    few = next(r for r in rows if r["too_few"])
    assert few["verdict"] == "too few to say (0 of 90 trips before, 0 of 80 trips after)"


def test_months_that_never_come_run_past_the_axis() -> None:
    review = fixture_figures.full()
    data = power_data(review, figures_of(review))
    thin = next(r for r in data["rows"] if r["key"] == fixture_figures.THIN)
    assert thin["halving"]["half"] == "over 36"
    assert thin["halving"]["estimate"] > data["horizon"]
    assert thin["few"]
    assert data["rows"][0]["label"] == "Occlusion rate"


def test_a_share_above_one_half_cannot_double() -> None:
    review = fixture_figures.full()
    figures = figures_of(review)
    last = str(figures.power["group_value"].iloc[-1])
    half = figures.power["group_value"].eq(last)
    power = figures.power.assign(
        level=figures.power["level"].mask(half, 0.7),
        doubling_months=figures.power["doubling_months"].mask(half, np.nan),
    )
    figures = dataclasses.replace(figures, power=power)
    data = education_data(review, figures, Site())
    row = next(r for r in data["power"]["rows"] if r["key"] == last)
    assert (row["doubling"]["half"], row["doubling"]["estimate"]) == ("cannot double", None)
    assert row["halving"]["estimate"] is not None
    sentence = data["power"]["sets"][0]["finding"]
    assert row["label"].lower() not in sentence
    assert "over 36" not in sentence
    for drawn in education_figures(data)["power"]:
        dots = [t for t in drawn["data"] if "hovertext" in t]
        assert [len(t["x"]) for t in dots] == [len(power) - 1, len(power)]
    only = power_data(review, dataclasses.replace(figures, power=power[half]))
    assert only["finding"].startswith("No share here can double")


def test_every_series_simulated_is_named_by_what_it_counts() -> None:
    review = fixture_figures.full()
    figures = figures_of(review)
    one = figures.power[figures.power["measure"] == "deviation-share"].head(1)
    kinds = [
        ("trips-with-occlusion", "service", "all"),
        ("all-rules-share", "service", "all"),
        ("trips-between-deviations", "rule", str(one["group_value"].iloc[0])),
        ("cannot-tell-share", "rule", str(one["group_value"].iloc[0])),
    ]
    more = [one.assign(measure=m, group_by=by, group_value=v) for m, by, v in kinds]
    power = pd.concat([figures.power, *more], ignore_index=True)
    rows = power_data(review, dataclasses.replace(figures, power=power))["rows"]
    labels = [r["label"] for r in rows]
    assert labels[:3] == ["Occlusion rate", "All rules kept", "Trips with an occlusion"]
    assert len(set(labels)) == len(labels) == len(figures.power) + 3
    gaps = next(r for r in rows if r["measure"] == "trips-between-deviations")
    assert gaps["level"] == next(r for r in rows if r["key"] == gaps["key"])["level"]
    assert [r["monthly"].endswith("h") for r in rows[:3]] == [True, False, False]


def test_the_months_of_every_rule_fit_on_a_printed_page() -> None:
    """Rare rules have their gaps in a figure of their own; A4 and Letter hold 900 px and more."""
    review = fixture_figures.full()
    figures = figures_of(review)
    one = figures.power[figures.power["measure"] == "deviation-share"].head(1)
    more = [
        one.assign(measure=measure, group_value=rule)
        for rule in all_rules()
        for measure in ("deviation-share", "trips-between-deviations")
    ]
    everything = dataclasses.replace(figures, power=pd.concat([figures.power[:1], *more]))
    drawn = education_figures(education_data(review, everything, Site()))
    for name in ("power", "power-gaps"):
        paper = [f for f in drawn[name] if f["least"] <= 660][-1]["layout"]
        assert len(paper["yaxis"]["ticktext"]) >= len(all_rules())
        assert paper["height"] < 800
    labels = drawn["power-gaps"][-1]["layout"]["yaxis"]["ticktext"]
    assert "Wall oxygen time" in labels


def test_rules_often_broken_everywhere_are_a_topic_for_all() -> None:
    review = fixture_figures.full()
    figures = figures_of(review)
    rows = [
        ("source-choice", 50.0, 100.0, 0.404, 0.596),
        ("wall-oxygen-time", 22.0, 320.0, 0.046, 0.102),
        (fixture_figures.THIN, 3.0, 4.0, 0.301, 0.954),
        ("settings-gap", 0.0, 300.0, 0.0, 0.013),
    ]
    shares = pd.DataFrame([
        {"measure": "deviation-share", "month": f"to {review.month}", "group_by": "rule",
         "group_value": rule, "numerator": top, "denominator": below, "estimate": top / below,
         "low": low, "high": high, "method": "Wilson score"}
        for rule, top, below, low, high in rows
    ])  # fmt: skip
    high = tuple(dataclasses.replace(r, severity="high") for r in review.rules)
    review = dataclasses.replace(review, measures=shares, rules=high)
    data = education_data(review, figures, Site())
    sentence = next(s for s in data["answer"] if s.startswith("Across the whole service"))
    # by the lower end of the interval; without a variance a rule is not named
    at = [
        sentence.index(r) for r in ("source choice (", "repeated occlusion call (", "wall oxygen")
    ]
    assert at == sorted(at)
    span = f"95{NBSP}% 30–95{NBSP}%"
    assert f"repeated occlusion call (3 of 4 trips, {span}; too few to compare bases)" in sentence
    assert "cedar apart" in sentence
    alone = dataclasses.replace(review, measures=shares[shares["denominator"] < 99])
    sentence = " ".join(education_data(alone, figures, Site())["answer"])
    assert (
        f"is repeated occlusion call (3 of 4 trips, {span}): too few to compare bases." in sentence
    )
    assert "settings gap" not in sentence
    whole = {r["rule"]: r["whole"] for r in data["rules"]}
    assert whole["wall-oxygen-time"].endswith(
        f"; over all months 22 of 320 trips (7{NBSP}%, 5–10{NBSP}%)"
    )
