"""Pictures for slides: a page's own figure, with what must be said of it written on it."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.adjusted_rates import with_adjusted
from reports.charts.chart_parts import Figure, chart_text
from reports.charts.control_data import (
    ChartTable,
    chart_words,
    limits_words,
    made_from,
    shown,
    unit_words,
)
from reports.charts.control_figures import control_figure
from reports.charts.control_sets import chart_set, rate_set
from reports.charts.funnel_data import funnels, outlying_sentence, window_words
from reports.charts.funnel_figures import funnel_figure
from reports.charts.rate_data import rates_data
from reports.charts.rate_figures import rates_figure
from reports.text import words
from reports.text.plain_rows import Row
from reports.text.sentences import chance_note, few_note, rate_phrase, sizes_finding
from schemas.record import dataclass

if TYPE_CHECKING:
    from reports.charts.control_records import ChartSet
    from schemas.month_review import MonthReview

WIDTH = 960
CAUTION = (
    "For quality review under the service's own peer-review rules, not for treating a patient."
    " Local protocol, medical direction and law govern."
)
LINE, TITLE_LINE, SIDE, CHARS = 17, 27, 16, 160
BY_WORDS = {"size": "by cannula size", "month": "through time", "base": "by base"}
GROUPS = {
    "deviation-share": "rule",
    "cannot-tell-share": "rule",
    "trips-between-deviations": "rule",
}


@dataclass(frozen=True)
class Picture:
    """A figure and the texts that go with it; `notes` are the lines beneath."""

    title: str
    finding: str
    figure: Figure
    notes: tuple[str, ...]


def pictures(review: MonthReview, measure: str) -> dict[str, Callable[[], Picture]]:
    """The pictures there are of a measure: by size, month or base; the first is its main one."""
    found: dict[str, Callable[[], Picture]] = {}
    if review.figures is None:
        return found
    if measure == "occlusion-rate" and rates_data(review).any_hours:
        found["size"] = lambda: _by_size(review)
    if _set_of(review, measure).panels:
        found["month"] = lambda: _by_month(review, measure)
    if _funnels_of(review, measure):
        found["base"] = lambda: _by_base(review, measure)
    return found


def sheet(picture: Picture) -> Figure:
    """The picture as one figure: title and finding above it, the rest of what is said below."""
    layout = picture.figure["layout"]
    above = [
        *_wrapped(picture.title, 17, palette.INK, bold=True),
        *_wrapped(picture.finding, 13, palette.INK),
    ]
    below = [n for note in (*picture.notes, CAUTION) for n in _wrapped(note, 11.5, palette.MUTED)]
    head = sum(line for line, _ in above) + 2 * SIDE
    foot = sum(line for line, _ in below) + 2 * SIDE
    height, margin = layout["height"] + head + foot, layout["margin"]
    notes = [*_placed(above, height - SIDE), *_placed(below, foot - SIDE)]
    return {
        "data": picture.figure["data"],
        "layout": {
            **layout,
            "height": height,
            "margin": {**margin, "t": margin["t"] + head, "b": margin["b"] + foot},
            "annotations": [*layout.get("annotations", []), *notes],
        },
    }


def _wrapped(
    sentence: str, size: float, color: str, *, bold: bool = False
) -> list[tuple[int, Row]]:
    """Lines with their heights in px; nothing for an empty text."""
    most = round(CHARS * 11.5 / size * (0.88 if bold else 1.0))
    lines = textwrap.wrap(sentence, most)
    mark = "<b>{}</b>" if bold else "{}"
    height = TITLE_LINE if bold else round(LINE * size / 12)
    font = {"size": size, "color": color}
    return [
        (height + (6 if n == len(lines) - 1 else 0),
         {"text": mark.format(chart_text(line)), "font": font})
        for n, line in enumerate(lines)
    ]  # fmt: skip


def _placed(lines: list[tuple[int, Row]], top: float) -> list[Row]:
    notes = []
    for height, line in lines:
        place = {"xref": "sheet", "yref": "sheet", "x": SIDE, "y": top}
        notes.append({**line, **place, "xanchor": "left", "yanchor": "top"})
        top -= height
    return notes


def _name(review: MonthReview, measure: str) -> str:
    assert review.figures is not None
    return next(f.name for f in review.figures.facts if f.id == measure)


def _title(review: MonthReview, measure: str, by: str) -> str:
    month = words.month_name(review.month)
    return f"{_name(review, measure)} {BY_WORDS[by]}, {review.service}, {month}"


def _by_size(review: MonthReview) -> Picture:
    rates = with_adjusted(review, rates_data(review))
    service, unit, month = rates.service, rates.unit, words.month_name(review.month)
    figure = rates_figure(rates.sizes, service, unit, month, narrow=False)
    cells = [(f"All months to {month}", service.all), (f"{month} alone", service.month)]
    made = [f"{name}: {rate_phrase(c, unit)}" for name, c in cells if c.estimate is not None]
    return Picture(
        _title(review, "occlusion-rate", "size"),
        sizes_finding(review, rates, "cannula size", "cannula sizes"),
        figure,
        (
            f"Filled dot: all months to {month}. Hollow dot: adjusted for flow, behaviour and"
            f" weight. Black: {month} alone. Bars are 95{words.NBSP}% intervals; one that ends"
            " in an arrow head runs on past the axis. Dashed line: the whole service.",
            f"Whole service. {'. '.join(made)}." if made else "",
            f"Intervals: {rates.methods}.",
            chance_note(rates.sizes, "size"),
            few_note(rates.sizes),
        ),
    )


def _set_of(review: MonthReview, measure: str) -> ChartSet:
    assert review.figures is not None
    table = ChartTable(review, review.figures)
    if measure == "occlusion-rate":
        return rate_set(table)
    if measure in GROUPS:
        return chart_set(table.every(measure, GROUPS[measure]), GROUPS[measure])
    found = table.series(measure, "service")
    return chart_set([found] if found else [], "measure")


def _by_month(review: MonthReview, measure: str) -> Picture:
    charts = _set_of(review, measure)
    panels, gap = charts.panels, measure == "trips-between-deviations"
    columns = min(3, len(panels))
    month = words.month_name(review.month)
    made = [
        f"{p.label}: {shown(p.now.value, p.unit)}{unit_words(p.unit)}"
        f" ({made_from(p.now, p.unit)}; {limits_words(p.now, p.unit)})"
        for p in panels
        if p.now and p.now.value is not None
    ]
    what = "gap that ended in " if gap else ""
    kinds = sorted({chart_words(p) for p in panels} if len(panels) < 3
                   else {f"{p.kind} chart" for p in panels})  # fmt: skip
    return Picture(
        _title(review, measure, "month"),
        charts.finding,
        control_figure(panels, columns=columns, by_month=not gap),
        (
            f"Diamond: {what}{month}. Dots: earlier ones; a square: a month short of trips, which"
            " shows no signal. Band: within three sigmas of the centre (dashed), dotted where"
            " provisional. Ring: a signal, its rule beside it; open diamond: one on the better"
            " side. Arrow head: beyond the axis.",
            f"{month}. {'; '.join(made)}." if made else f"{month}: no figure.",
            f"{'; '.join(kinds)}. {' '.join(charts.notes)}".rstrip(),
            charts.thin,
        ),
    )


def _funnels_of(review: MonthReview, measure: str) -> list[Row]:
    assert review.figures is not None
    found = [f for f in funnels(review, review.figures) if f["measure"] == measure]
    return [f for f in found if not f["thin"] and any(b["value"] is not None for b in f["bases"])]


def _by_base(review: MonthReview, measure: str) -> Picture:
    found = _funnels_of(review, measure)
    window = window_words(review)
    lone = [f"{b['base']} {b['made_from']}" for b in found[0]["bases"]]
    return Picture(
        _title(review, measure, "base"),
        outlying_sentence(found, window),
        funnel_figure(found, columns=min(3, len(found))),
        (
            "Each dot is a base at its own volume, n on the lower axis; an open one has too few to"
            f" say. Thick bar: 95{words.NBSP}% limits at that volume; thin bar: 99.8{words.NBSP}%."
            " A base that stands apart is a diamond with its name, open on the better side."
            " Dashed line: all bases.",
            f"Over {window}. {'; '.join(lone)}." if len(found) == 1 else f"Over {window}.",
            "Limits allow for events that cluster within trips.",
        ),
    )
