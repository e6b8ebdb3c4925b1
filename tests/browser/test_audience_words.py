"""What the Director and Education pages say and draw, without a browser."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.rules import all_rules
from reports.alarms import alarms_data, power_data
from reports.chart_sets import rate_by_chart
from reports.control_figures import control_figure
from reports.director_data import director_data, month_sentence
from reports.education_data import education_data
from reports.education_figures import education_figures
from reports.funnels import funnels
from reports.month_data import month_data
from reports.pages import Site
from reports.retraining import retraining_data
from reports.series import (
    ChartTable,
    panels_finding,
    plain_signal,
    signals_of,
    standing,
)
from schemas.month_review import MeasureFigures, MonthReview
from tests.browser import fixture, fixture_figures
from tests.browser.fixture_figures import LAST

NBSP = "\u00a0"
SERVICE = ("occlusion-rate", "service", "all")


def changed(charts: pd.DataFrame, **values: Any) -> pd.DataFrame:
    """The last month of the service's occlusion rate with other values."""
    own = charts["measure"].eq("occlusion-rate") & charts["group_by"].eq("service")
    for name, value in values.items():
        charts.loc[own & charts["month"].eq(LAST), name] = value
    return charts


def with_last(**values: Any) -> MonthReview:
    figures = fixture_figures.measure_figures()
    figures = dataclasses.replace(figures, charts=changed(figures.charts.copy(), **values))
    return fixture_figures.review(figures)


def figures_of(review: MonthReview) -> MeasureFigures:
    assert review.figures is not None
    return review.figures


def series_of(review: MonthReview, key: tuple[str, str, str] = SERVICE) -> dict[str, Any]:
    found = ChartTable(review, figures_of(review)).series(*key)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("values", "kind", "said"),
    [
        ({}, "ordinary", "ordinary for this service"),
        (
            {"signal": "a point above the 3-sigma limit"},
            "unusual",
            "unusual: above the upper limit",
        ),
        (
            {"signal": "8 points in a row below the centre"},
            "unusual",
            "unusual: 8 points in a row below the centre, the better side",
        ),
        ({"denominator": 4.0}, "few", f"too few to say (4.0{NBSP}h)"),
        ({"provisional": True}, "ordinary", "ordinary for this service, by provisional limits"),
        ({"upper": np.nan, "lower": np.nan}, "unlimited", "not said: there are no limits"),
        ({"value": np.nan}, "none", "no figure this month"),
        ({"incomplete": True}, "short", "not said while trips of the month are missing"),
    ],
)
def test_how_a_month_stands_on_its_chart(values: dict[str, Any], kind: str, said: str) -> None:
    found = standing(series_of(with_last(**values)))
    assert found[0] == kind
    assert found[1].startswith(said)


def test_a_month_short_of_trips_is_not_called_anything() -> None:
    review = dataclasses.replace(fixture_figures.full(), expected=58)
    assert standing(series_of(review))[0] == "short"
    data = director_data(review, figures_of(review), Site())
    assert "unusual" not in " ".join(data["answer"])
    assert rate_by_chart(review) == ""
    assert "not said while 4 trips are missing" in month_data(review)["occlusion_answer"][1]


def test_a_month_in_its_own_baseline_is_said() -> None:
    table = with_last(baseline=True)
    said = month_sentence(ChartTable(table, figures_of(table)))
    assert "itself is among those that set the limits" in said
    assert "itself is among" not in month_sentence(ChartTable(with_last(), figures_of(with_last())))


def test_the_month_page_speaks_of_the_chart() -> None:
    said = " ".join(month_data(fixture_figures.full())["occlusion_answer"])
    assert "By its control chart that is unusual: above the upper limit" in said
    assert "rate ratio" in said
    calm = " ".join(month_data(with_last(signal=None))["occlusion_answer"])
    assert "By its control chart that is ordinary for this service (limits" in calm


def test_sizes_of_the_month_page_are_adjusted_with_clustered_intervals() -> None:
    rows = {r["key"]: r for r in month_data(fixture_figures.full())["rates"]["sizes"]}
    frame = figures_of(fixture_figures.full()).sizes.set_index("cannula")
    assert rows["prong-1"]["adjusted"]["estimate"] == frame.loc["prong-1", "adjusted"]
    assert rows["prong-1"]["all"]["low"] == frame.loc["prong-1", "crude_low"]
    assert rows["prong-4"]["adjusted"]["estimate"] is None
    assert rows["soft-2"]["adjusted"]["estimate"] is None  # the frame does not have it
    assert "adjusted" not in month_data(fixture.month_review())["rates"]["sizes"][0]


def test_signals_in_words() -> None:
    assert plain_signal("a point below the 3-sigma limit; 8 points in a row below the centre") == (
        "below the lower limit; 8 points in a row below the centre"
    )
    points = [{"signal": s} for s in ("", "a", "a", "b", "")]
    assert signals_of({"points": points}) == [points[2], points[3]]


def test_signals_are_counted_and_a_long_gap_is_called_better() -> None:
    review = fixture_figures.full()
    figures = figures_of(review)
    charts = figures.charts.assign(signal=None)
    own = charts["measure"].eq("trips-between-deviations")
    charts.loc[own & charts["point"].isin([5, 9]), "signal"] = "a point above the 3-sigma limit"
    facts = tuple(
        dataclasses.replace(f, better="higher") if f.id == "trips-between-deviations" else f
        for f in figures.facts
    )
    table = ChartTable(review, dataclasses.replace(figures, charts=charts, facts=facts))
    gaps = table.every("trips-between-deviations", "rule")
    shares = table.every("deviation-share", "rule")[:1]
    said = panels_finding([*gaps, *shares], "rule")
    assert said.startswith("2 signals among 2 charts, ")
    assert "above the upper limit: a longer stretch without a variance, which is better" in said
    assert panels_finding([shares[0], shares[0]], "rule").startswith("No signal on 2 charts, ")


def test_the_band_is_made_of_the_frames_limits() -> None:
    review = fixture_figures.full()
    series = series_of(review)
    drawn = control_figure([series], columns=1)["data"]
    bands = [t for t in drawn if t.get("fill") == "toself"]
    assert len(bands) == 2  # a new protocol version begins a phase
    limits = [p["upper"] for p in series["points"][:24]]
    assert bands[0]["y"][: 2 * len(limits)] == [u for u in limits for _ in range(2)]
    assert bands[0]["x"][:4] == [-0.5, 0.5, 0.5, 1.5]
    marks = [t for t in drawn if t.get("mode") == "markers" and "hovertext" in t]
    values = sorted(v for t in marks for v in t["y"])
    assert values == pytest.approx(sorted(p["value"] for p in series["points"]))


def test_thin_series_are_named_and_not_charted() -> None:
    review = fixture_figures.full()
    data = director_data(review, figures_of(review), Site())
    shares = data["charts"]["shares"]
    assert fixture_figures.THIN not in {p["key"] for p in shares["panels"]}
    assert "repeated occlusion call" in shares["thin"]
    # a rule broken on fewer than 1 in 20 trips is charted by its gaps, once
    assert fixture_figures.RARE not in {p["key"] for p in shares["panels"]}
    assert {p["key"] for p in data["charts"]["gaps"]["panels"]} == {fixture_figures.RARE}


def test_outside_bases_and_the_answer() -> None:
    review = fixture_figures.full()
    data = director_data(review, figures_of(review), Site())
    assert data["answer"][0].startswith(
        f"One base lies outside the 99.8{NBSP}% limits over the last 12 months. Base cedar is above"
        " the upper limit on wall oxygen time: "
    )
    assert FEW in data["bases"]["dispersion"]
    calm = fixture_figures.measure_figures()
    calm = dataclasses.replace(calm, funnels=calm.funnels.assign(outside=0))
    answer = director_data(fixture_figures.review(calm), calm, Site())["answer"]
    assert answer[0].startswith(f"No base lies outside the 99.8{NBSP}% limits")


FEW = fixture_figures.FEW_GROUPS


def test_over_dispersion_is_stated() -> None:
    figures = fixture_figures.measure_figures()
    spread = figures.funnels.assign(dispersion=2.34, reason=None)
    figures = dataclasses.replace(figures, funnels=spread)
    said = director_data(fixture_figures.review(figures), figures, Site())["bases"]["dispersion"]
    assert "occlusion rate 2.3" in said
    assert "not known" not in said


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
    ("low", "high", "said"),
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
def test_before_and_after_in_words(low: float, high: float, said: str) -> None:
    figures = fixture_figures.measure_figures()
    rows = figures.before_after.head(1).assign(low=low, high=high, ratio=0.9)
    found = retraining_data(dataclasses.replace(figures, before_after=rows))
    assert said in found["rows"][0]["verdict"]
    assert "regression to the mean" in found["finding"]
    named = rows.assign(window="Before: 1 month (2026-01). After: 1 month (2026-06).")
    finding = retraining_data(dataclasses.replace(figures, before_after=named))["finding"]
    assert "Before: 1 month (January 2026). After: 1 month (June 2026). Part of" in finding


def test_too_few_before_and_after() -> None:
    rows = retraining_data(fixture_figures.measure_figures())["rows"]
    few = next(r for r in rows if r["too_few"])
    assert few["verdict"] == "too few to say (0 of 90 trips before, 0 of 80 trips after)"


def test_false_signals_are_added_up() -> None:
    figures = fixture_figures.measure_figures()
    found = alarms_data(figures)
    # 8 series of 0.4 months a year each
    assert found["yearly"] == pytest.approx(8 * 0.4)
    assert found["sentence"].endswith("about 0.27 a month over the 8 series simulated.")
    others = len(figures.charts.groupby(["measure", "group_by", "group_value"])) - 8
    assert f"The other {others} series" in found["caution"]


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
    said = data["power"]["sets"][0]["finding"]
    assert row["label"].lower() not in said
    assert "over 36" not in said
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


def test_nothing_measured_is_said() -> None:
    review = fixture_figures.nothing()
    figures = figures_of(review)
    director = director_data(review, figures, Site())
    assert "No ventilator high-flow time this month" in director["answer"][-1]
    assert education_data(review, figures, Site())["answer"] == [
        "Nothing to compare: no rule was judged at two bases or more."
    ]


def test_small_bases_are_never_outside() -> None:
    figures = fixture_figures.measure_figures()
    few = figures.funnels.assign(denominator=4.0, outside=1)
    found = funnels(fixture_figures.full(), dataclasses.replace(figures, funnels=few))
    assert all(f["thin"] and not f["outside"] for f in found)
    assert {b["standing"] for f in found for b in f["bases"]} == {"too few to say"}


def test_fewer_than_twelve_months_are_not_called_twelve() -> None:
    review = fixture_figures.half_year()
    answer = director_data(review, figures_of(review), Site())["answer"]
    assert f"outside the 99.8{NBSP}% limits over all 6 months. Base cedar" in answer[0]


def test_an_adjusted_interval_without_bounds_to_speak_of_says_nothing() -> None:
    figures = fixture_figures.measure_figures()
    wide = figures.sizes.assign(adjusted_low=0.4, adjusted_high=9_000_000.0)
    review = fixture_figures.review(dataclasses.replace(figures, sizes=wide))
    cells = [r["adjusted"] for r in month_data(review)["rates"]["sizes"]]
    assert {c["estimate"] for c in cells} == {None}
    assert cells[0]["note"] == "too few to say"


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
    said = next(s for s in data["answer"] if s.startswith("Across the whole service"))
    # by the lower end of the interval; without a variance a rule is not named
    at = [said.index(r) for r in ("source choice (", "repeated occlusion call (", "wall oxygen")]
    assert at == sorted(at)
    span = f"95{NBSP}% 30–95{NBSP}%"
    assert f"repeated occlusion call (3 of 4 trips, {span}; too few to compare bases)" in said
    assert "cedar apart" in said
    assert "settings gap" not in said
    whole = {r["rule"]: r["whole"] for r in data["rules"]}
    assert whole["wall-oxygen-time"].endswith(
        f"; over all months 22 of 320 trips (7{NBSP}%, 5–10{NBSP}%)"
    )
