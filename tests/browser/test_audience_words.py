"""What the Director and Education pages say and draw, without a browser."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reports.charts.control_data import (
    ChartTable,
    panels_finding,
    plain_signal,
    signals_of,
    standing,
)
from reports.charts.control_figures import control_figure
from reports.charts.funnel_data import funnels
from reports.charts.funnel_figures import funnel_figure
from reports.charts.palette import ACCENT, PAPER
from reports.charts.signal_summary import false_signals_data
from reports.committee.data import committee_data
from reports.director.data import director_data
from reports.month.data import month_data
from reports.text.navigation import Site
from reports.text.signal_lines import lead_lines
from schemas.month_review import MeasureFigures, MonthReview
from tests.browser import fixture_figures
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
    ("values", "kind", "sentence"),
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
def test_how_a_month_stands_on_its_chart(values: dict[str, Any], kind: str, sentence: str) -> None:
    found = standing(series_of(with_last(**values)))
    assert found[0] == kind
    assert found[1].startswith(sentence)


def test_a_month_short_of_trips_is_not_called_anything() -> None:
    review = dataclasses.replace(fixture_figures.full(), expected=58)
    assert standing(series_of(review))[0] == "short"


def lead_with(**frames: Any) -> list[str]:
    figures = dataclasses.replace(fixture_figures.measure_figures(), **frames)
    return lead_lines(fixture_figures.review(figures))


def test_leads_speak_of_headline_signals_and_what_came_one_by_one() -> None:
    review = fixture_figures.full()
    sentence = [
        f"{fixture_figures.SHOWN} 2 trips: 1 read, 1 confirmed.",
        "About one such signal a year comes with nothing changed.",
        "Escalation call: 1 in June 2026.",
    ]
    assert lead_lines(review) == sentence
    assert committee_data(review, figures_of(review)).signals == tuple(sentence)
    # lower signals are for the coordinator alone
    watched = [row.chart for row in month_data(review).signals.rows if not row.worse]
    assert watched == ["Unheated time at damson"]
    assert lead_lines(dataclasses.replace(review, figures=None)) == []
    assert lead_lines(dataclasses.replace(review, protocol=())) == []


def test_without_a_signal_the_lead_says_so_or_what_it_depends_on() -> None:
    figures = fixture_figures.measure_figures()
    assert figures.signals is not None
    assert figures.signal_charts is not None
    assert figures.one_by_one is not None
    calm: dict[str, Any] = {
        "signals": figures.signals.iloc[:0], "one_by_one": figures.one_by_one.assign(came=0),
    }  # fmt: skip
    assert lead_with(**calm) == ["No signal, and none of the graver variances."]
    charts = figures.signal_charts
    young = lead_with(**calm, signal_charts=charts.assign(threshold=np.nan))
    assert young == ["Too few months to say: signals start after six months of the service."]
    one = charts["group_by"].eq("service")
    depends = charts.assign(certainty=charts["certainty"].mask(one, "depends"))
    assert (
        "On 1 of 3 charts whether there is a signal" in lead_with(**calm, signal_charts=depends)[1]
    )


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
    sentence = panels_finding([*gaps, *shares], "rule")
    assert sentence.startswith("2 signals among 2 charts, ")
    assert "above the upper limit: a longer stretch without a variance, which is better" in sentence
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


@pytest.mark.parametrize(
    ("signal", "mark", "words"),
    [
        ("a point above the 3-sigma limit", "circle-open", "above the upper limit"),
        (
            "a point below the 3-sigma limit",
            "diamond-open",
            "below the lower limit, the better side",
        ),
    ],
)
def test_a_signal_on_the_better_side_has_a_calmer_mark(signal: str, mark: str, words: str) -> None:
    review = with_last(signal=signal)
    found = director_data(review, figures_of(review), Site()).charts["rates"]
    panel = {**found["panels"][0], "points": found["panels"][0]["points"][-1:]}
    drawn = control_figure([panel], columns=1)
    marks = [t["marker"] for t in drawn["data"] if t.get("marker", {}).get("size", 0) in (14, 16)]
    assert [m["symbol"] for m in marks] == [mark]
    assert (marks[0]["color"] == ACCENT) == (mark == "circle-open")
    notes = [a["text"].replace("<br>", " ") for a in drawn["layout"]["annotations"]]
    assert words in notes
    assert found["better"] == (mark == "diamond-open")


@pytest.mark.parametrize(("outside", "color"), [(1, ACCENT), (-1, PAPER)])
def test_a_base_on_the_better_side_has_a_calmer_mark(outside: int, color: str) -> None:
    figures = fixture_figures.measure_figures()
    figures = dataclasses.replace(figures, funnels=figures.funnels.assign(outside=outside))
    found = [f for f in funnels(fixture_figures.full(), figures) if not f["thin"]][:1]
    drawn = funnel_figure(found, columns=1)["data"]
    marks = [t["marker"] for t in drawn if "hovertext" in t and t["marker"]["symbol"] == "diamond"]
    assert [m["color"] for m in marks] == [color]
    standings = {b["standing"] for b in found[0]["bases"] if not b["few"]}
    better = "stands apart: below the service, the better side"
    assert standings == {better if outside < 0 else "stands apart: above the service"}


def test_thin_series_are_named_and_not_charted() -> None:
    review = fixture_figures.full()
    data = director_data(review, figures_of(review), Site())
    shares = data.charts["shares"]
    assert fixture_figures.THIN not in {p["key"] for p in shares["panels"]}
    assert "repeated occlusion call" in shares["thin"]
    # a rule broken on fewer than 1 in 20 trips is charted by its gaps, once
    assert fixture_figures.RARE not in {p["key"] for p in shares["panels"]}
    assert {p["key"] for p in data.charts["gaps"]["panels"]} == {fixture_figures.RARE}


def test_false_signals_are_added_up() -> None:
    figures = fixture_figures.measure_figures()
    found = false_signals_data(figures)
    # 8 series of 0.4 months a year each
    assert found["yearly"] == pytest.approx(8 * 0.4)
    assert found["sentence"].endswith("about 0.27 a month over the 8 series simulated.")
    others = len(figures.charts.groupby(["measure", "group_by", "group_value"])) - 8
    assert f"The other {others} series" in found["caution"]


def test_small_bases_are_never_outside() -> None:
    figures = fixture_figures.measure_figures()
    few = figures.funnels.assign(denominator=4.0, outside=1)
    found = funnels(fixture_figures.full(), dataclasses.replace(figures, funnels=few))
    assert all(f["thin"] and not f["outlying"] for f in found)
    assert {b["standing"] for f in found for b in f["bases"]} == {"too few to say"}
