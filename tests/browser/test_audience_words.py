"""What the Director and Education pages say and draw, without a browser."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from reports.charts.control_data import (
    ChartTable,
    panels_finding,
    plain_signal,
    signals_of,
    standing,
)
from reports.charts.control_figures import control_figure
from reports.charts.control_records import Series
from reports.charts.funnel_data import funnels
from reports.charts.funnel_figures import funnel_figure
from reports.charts.palette import ACCENT, PAPER
from reports.charts.signal_summary import false_signals_data
from reports.committee.data import committee_data
from reports.director.data import director_data
from reports.month.data import month_data
from reports.text.navigation import Site
from reports.text.signal_lines import BY_CHANCE, lead_lines
from schemas.frame import Frame
from schemas.month_review import MeasureFigures, MonthReview
from tests.browser import fixture_figures
from tests.browser.fixture_figures import LAST
from tests.browser.reading import numbers

NBSP = "\u00a0"
SERVICE = ("occlusion-rate", "service", "all")
ABOVE, BELOW = (f"a point {way} the 3-sigma limit" for way in ("above", "below"))
ROW_BELOW = "8 points in a row below the centre"
"""Signals as the frames have them."""


def changed(charts: Frame, **values: Any) -> Frame:
    """The last month of the service's occlusion rate with other values."""
    rows = charts.records()
    for row in rows:
        if (row["measure"], row["group_by"], row["month"]) == (*SERVICE[:2], LAST):
            row.update(values)
    return Frame.of_rows(rows, charts.columns)


def with_last(**values: Any) -> MonthReview:
    figures = fixture_figures.measure_figures()
    figures = dataclasses.replace(figures, charts=changed(figures.charts, **values))
    return fixture_figures.review(figures)


def figures_of(review: MonthReview) -> MeasureFigures:
    assert review.figures is not None
    return review.figures


def series_of(review: MonthReview, key: tuple[str, str, str] = SERVICE) -> Series:
    found = ChartTable(review, figures_of(review)).series(*key)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("values", "kind", "said"),
    [
        ({}, "ordinary", ["ordinary"]),
        ({"signal": ABOVE}, "unusual", ["unusual", "above the upper"]),
        ({"signal": ROW_BELOW}, "unusual", ["unusual", "8 points", "below", "better"]),
        ({"denominator": 4.0}, "few", ["too few", f"(4.0{NBSP}h)"]),
        ({"provisional": True}, "ordinary", ["ordinary", "provisional"]),
        ({"upper": np.nan, "lower": np.nan}, "unlimited", ["not said", "no limits"]),
        ({"value": np.nan}, "none", ["no figure"]),
        ({"incomplete": True}, "short", ["not said", "missing"]),
    ],
)
def test_how_a_month_stands_on_its_chart(
    values: dict[str, Any], kind: str, said: list[str]
) -> None:
    found = standing(series_of(with_last(**values)))
    assert found[0] == kind
    assert found[1].startswith(said[0])
    assert all(part in found[1] for part in said)


def test_a_month_short_of_trips_is_not_called_anything() -> None:
    review = dataclasses.replace(fixture_figures.full(), expected=58)
    assert standing(series_of(review))[0] == "short"


def lead_with(**frames: Any) -> list[str]:
    figures = dataclasses.replace(fixture_figures.measure_figures(), **frames)
    return lead_lines(fixture_figures.review(figures))


def test_leads_speak_of_headline_signals_and_what_came_one_by_one() -> None:
    review = fixture_figures.full()
    signal, chance, single = lead_lines(review)
    assert signal.startswith(fixture_figures.SHOWN)
    assert numbers(signal.removeprefix(fixture_figures.SHOWN)) == ["2", "1", "1"]  # read, confirmed
    assert chance == BY_CHANCE
    assert (single.startswith("Escalation call"), numbers(single)) == (True, ["1", "2026"])
    assert committee_data(review, figures_of(review)).signals == (signal, chance, single)
    # lower signals are for the coordinator alone
    watched = [row.chart for row in month_data(review).signals.rows if not row.worse]
    assert [name.split()[-1] for name in watched] == ["damson"]
    assert lead_lines(dataclasses.replace(review, figures=None)) == []
    assert lead_lines(dataclasses.replace(review, protocol=())) == []


def test_without_a_signal_the_lead_says_so_or_what_it_depends_on() -> None:
    figures = fixture_figures.measure_figures()
    assert figures.signals is not None
    assert figures.signal_charts is not None
    assert figures.one_by_one is not None
    calm: dict[str, Any] = {
        "signals": figures.signals.rows(slice(0)), "one_by_one": figures.one_by_one.assign(came=0),
    }  # fmt: skip
    (none,) = lead_with(**calm)
    assert none.startswith("No signal")
    charts = figures.signal_charts
    young = lead_with(**calm, signal_charts=charts.assign(threshold=np.nan))
    assert [line.startswith("Too few months") for line in young] == [True]
    one = charts["group_by"] == "service"
    depends = charts.assign(certainty=np.where(one, "depends", charts["certainty"]))
    left_open = lead_with(**calm, signal_charts=depends)[1]
    assert (numbers(left_open), "depends" in left_open) == (["1", "3"], True)


def test_signals_in_words() -> None:
    point, row = plain_signal(f"{BELOW}; {ROW_BELOW}").split("; ")
    assert ("below the lower" in point, "sigma" in point, row) == (True, False, ROW_BELOW)
    series = series_of(fixture_figures.full())
    points = [series.points[0]._replace(signal=s) for s in ("", "a", "a", "b", "")]
    found = signals_of(series._replace(points=points))
    assert [p is own for p, own in zip(found, points[2:4], strict=True)] == [True, True]


def test_signals_are_counted_and_a_long_gap_is_called_better() -> None:
    review = fixture_figures.full()
    figures = figures_of(review)
    own = figures.charts["measure"] == "trips-between-deviations"
    signalled = own & figures.charts.isin("point", [5, 9])
    charts = figures.charts.assign(signal=[ABOVE if one else None for one in signalled])
    facts = tuple(
        dataclasses.replace(f, better="higher") if f.id == "trips-between-deviations" else f
        for f in figures.facts
    )
    table = ChartTable(review, dataclasses.replace(figures, charts=charts, facts=facts))
    gaps = table.every("trips-between-deviations", "rule")
    shares = table.every("deviation-share", "rule")[:1]
    sentence = panels_finding([*gaps, *shares], "rule")
    assert numbers(sentence)[:2] == ["2", "2"]  # signals among charts
    assert "above the upper" in sentence
    assert "better" in sentence
    calm = panels_finding([shares[0], shares[0]], "rule")
    assert (calm.startswith("No signal"), numbers(calm)[0]) == (True, "2")


def test_the_band_is_made_of_the_frames_limits() -> None:
    review = fixture_figures.full()
    series = series_of(review)
    drawn = control_figure([series], columns=1)["data"]
    bands = [t for t in drawn if t.get("fill") == "toself"]
    assert len(bands) == 2  # a new protocol version begins a phase
    limits = [p.upper for p in series.points[:24]]
    assert bands[0]["y"][: 2 * len(limits)] == [u for u in limits for _ in range(2)]
    assert bands[0]["x"][:4] == [-0.5, 0.5, 0.5, 1.5]
    marks = [t for t in drawn if t.get("mode") == "markers" and "hovertext" in t]
    values = sorted(v for t in marks for v in t["y"])
    assert values == pytest.approx(sorted(p.value or 0.0 for p in series.points))


@pytest.mark.parametrize(
    ("signal", "mark", "side"),
    [(ABOVE, "circle-open", "above the upper"), (BELOW, "diamond-open", "below the lower")],
)
def test_a_signal_on_the_better_side_has_a_calmer_mark(signal: str, mark: str, side: str) -> None:
    review = with_last(signal=signal)
    found = director_data(review, figures_of(review), Site()).charts["rates"]
    panel = found.panels[0]._replace(points=found.panels[0].points[-1:])
    drawn = control_figure([panel], columns=1)
    marks = [t["marker"] for t in drawn["data"] if t.get("marker", {}).get("size", 0) in (14, 16)]
    assert [m["symbol"] for m in marks] == [mark]
    assert (marks[0]["color"] == ACCENT) == (mark == "circle-open")
    notes = [a["text"].replace("<br>", " ") for a in drawn["layout"]["annotations"]]
    (said,) = (n for n in notes if side in n)
    assert ("better" in said) == found.better == (mark == "diamond-open")


@pytest.mark.parametrize(("outside", "color"), [(1, ACCENT), (-1, PAPER)])
def test_a_base_on_the_better_side_has_a_calmer_mark(outside: int, color: str) -> None:
    figures = fixture_figures.measure_figures()
    figures = dataclasses.replace(figures, funnels=figures.funnels.assign(outside=outside))
    found = [f for f in funnels(fixture_figures.full(), figures) if not f["thin"]][:1]
    drawn = funnel_figure(found, columns=1)["data"]
    marks = [t["marker"] for t in drawn if "hovertext" in t and t["marker"]["symbol"] == "diamond"]
    assert [m["color"] for m in marks] == [color]
    (said,) = {b["standing"] for b in found[0]["bases"] if not b["few"]}
    assert said.startswith("stands apart")
    assert ("better" in said, "below" in said) == (outside < 0, outside < 0)


def test_thin_series_are_named_and_not_charted() -> None:
    review = fixture_figures.full()
    data = director_data(review, figures_of(review), Site())
    shares = data.charts["shares"]
    assert fixture_figures.THIN not in {p.key for p in shares.panels}
    assert "repeated occlusion call" in shares.thin
    # a rule broken on fewer than 1 in 20 trips is charted by its gaps, once
    assert fixture_figures.RARE not in {p.key for p in shares.panels}
    assert {p.key for p in data.charts["gaps"].panels} == {fixture_figures.RARE}


def test_false_signals_are_added_up() -> None:
    figures = fixture_figures.measure_figures()
    found = false_signals_data(figures)
    # 8 series of 0.4 months a year each
    assert found.yearly == pytest.approx(8 * 0.4)
    others = len(figures.charts.groups("measure", "group_by", "group_value")) - 8
    assert found.series == others + 8
    # series simulated, their signals a year and a month, and those that were not simulated
    assert numbers(found.caution) == ["8", "3.2", "0.27", f"{others}"]


def test_small_bases_are_never_outside() -> None:
    figures = fixture_figures.measure_figures()
    few = figures.funnels.assign(denominator=4.0, outside=1)
    found = funnels(fixture_figures.full(), dataclasses.replace(figures, funnels=few))
    assert all(f["thin"] and not f["outlying"] for f in found)
    assert all(b["standing"].startswith("too few") for f in found for b in f["bases"])
