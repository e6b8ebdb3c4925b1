"""The Month page's pictures: drawn inside the page, and figures for the fold of charts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import nice_ceiling
from reports.charts.control_figures import control_figure
from reports.charts.drawing import LONG_RUN, firm, month_look, picture, top_of
from reports.charts.drawn_intervals import IntervalPlan, IntervalRow, interval_rows
from reports.charts.drawn_time import Level, Point, sparkline, through_time
from reports.charts.drawn_units import (
    MonthMarks,
    square_stands_for,
    trips_by_month,
    unit_strip,
    work_squares,
)
from reports.charts.figure_json import variants
from reports.charts.rate_figures import rates_figure
from reports.month.rules import ORDER
from reports.text import words
from schemas.record import dataclass
from schemas.units import Unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from reports.charts.chart_parts import Figure
    from reports.month.data import MonthPage
    from reports.month.first_screen import SizeRates
    from reports.month.rules import RuleRow
    from reports.month.signals import SignalRow
    from reports.text.measure_table import MonthEstimate

STRIP_WIDTH, STRIP_HEIGHT, DIGIT = 340, 16, 7.4
MARKS_MOST = 90
"""Trips a month up to which a signal's picture has one mark a trip."""


@dataclass(frozen=True)
class MonthPictures:
    """Every picture of the page as markup; `signals` and `rules` in the order of their rows."""

    trips: Markup
    logs: Markup
    rate: Markup
    kept: Markup
    closed: Markup
    overdue: Markup
    sizes: Markup
    service: Markup
    work: Markup
    square: int
    signals: tuple[Markup, ...]
    rules: tuple[Markup, ...]


def month_pictures(page: MonthPage) -> MonthPictures:
    """All that is there before a script runs."""
    got, key = page.completeness, page.key
    due = got.expected if got.expected is not None else got.received
    most = max((r.applicable for r in page.rules), default=0)
    return MonthPictures(
        trips=unit_strip(got.received, max(due, got.received), f"{got.received} of {due} trips"),
        logs=unit_strip(got.logs, got.ventilator_trips,
                        f"{got.logs} of {got.ventilator_trips} device logs complete", 110),
        rate=_trend(key.rate, "Occlusion rate by month"),
        kept=_trend(key.kept, "Share of trips that kept every rule, by month"),
        closed=sparkline([Point(words.month_short(m), v) for m, v in key.concluded],
                         "Share of each month's variances concluded, by month"),
        overdue=unit_strip(key.actions - key.overdue, key.actions,
                           f"{key.overdue} of {key.actions} open actions overdue", 110),
        sizes=sizes_picture(page.sizes, page.month_name),
        service=_service(page),
        work=work_squares(page.work, "; ".join(
            f"{k.label}: {k.all}, {k.first} first, {k.done} done" for k in page.work)),
        square=square_stands_for(page.work),
        signals=tuple(_signal(r) for r in page.signals.rows),
        rules=tuple(_strip(r, most) for r in page.rules),
    )  # fmt: skip


def _points(months: Sequence[MonthEstimate]) -> list[Point]:
    return [
        Point(words.month_short(m.month), m.estimate.number, firm(m.estimate),
              f"{words.month_name(m.month)}: {m.estimate.with_counts}")
        for m in months
    ]  # fmt: skip


def _trend(months: Sequence[MonthEstimate], title: str) -> Markup:
    return sparkline([Point(p.month, p.value) for p in _points(months)], title)


def sizes_picture(sizes: SizeRates, month: str = "", width: int = 640) -> Markup:
    """A row a size, all months and, where it is named, the month under review; the service last."""
    looks = (LONG_RUN, month_look(month))[: 2 if month else 1]
    rows = [
        IntervalRow(r.label, (r.all, r.month)[: len(looks)], r is sizes.whole, r.worse)
        for r in (*sizes.rows, sizes.whole)
    ]
    plan = IntervalPlan(
        looks=looks,
        heads=("events/hours", "\u25c7")[: len(looks)],
        unit=Unit.RATE,
        top=top_of([e for r in rows for e in r.estimates if e is not None],
                   [r.estimates[0] for r in rows if r.estimates[0] is not None]),
        title="Occlusion rate by cannula size with 95 % intervals, over all months"
        f"{f' and in {month}' if month else ''}: {sizes.said}",
        line=sizes.whole.all.number,
        line_name="all",
        width=width,
    )  # fmt: skip
    return interval_rows(rows, plan)


def _service(page: MonthPage) -> Markup:
    rate = page.rate
    points, last = _points(rate.months), len(rate.months) - 1
    first = next((i for i, m in enumerate(rate.months) if m.month >= rate.since), last + 1)
    levels = []
    if rate.level is not None:
        end, name = (first - 1, "before") if rate.worse else (last, "level")
        levels.append(Level(0, end, rate.level, f"{name} {words.rate(rate.level)}"))
    if rate.level_since is not None:
        levels.append(Level(first, last, rate.level_since,
                            f"since {words.rate(rate.level_since)}", worse=True))  # fmt: skip
    highest = max([p.value or 0.0 for p in points] + [v.value for v in levels], default=0.0)
    return through_time(
        points, levels, unit=Unit.RATE, top=nice_ceiling(1.05 * highest), height=264,
        now=rate.months[-1].estimate.value if rate.months else "",
        title=f"The whole service's occlusion rate per 100 ventilator hours by month: {rate.said}",
    )  # fmt: skip


def _signal(row: SignalRow) -> Markup:
    """One mark a trip where it fits, else the figure through time with its two levels."""
    title = f"{row.chart}: {row.counts}"
    if row.of_trips and max((m.denominator for m in row.months), default=0) <= MARKS_MOST:
        marks = [
            MonthMarks(words.month_short(m.month), round(m.numerator), round(m.denominator),
                       since=m.month >= row.since)
            for m in row.months
        ]  # fmt: skip
        return trips_by_month(marks, title, accent=row.worse)
    scale = 1.0 if row.of_trips else 100.0
    points = [
        Point(words.month_short(m.month),
              scale * m.numerator / m.denominator if m.denominator else None)
        for m in row.months
    ]  # fmt: skip
    first = next((i for i, m in enumerate(row.months) if m.month >= row.since), len(points))
    levels = []
    for start, end, name in ((0, first, "before"), (first, len(points), "since")):
        own = row.months[start:end]
        below = sum(m.denominator for m in own)
        if below:
            level = scale * sum(m.numerator for m in own) / below
            shown = words.percent(level) if row.of_trips else words.rate(level)
            levels.append(Level(start, end - 1, level, f"{name} {shown}",
                                worse=row.worse and name == "since"))  # fmt: skip
    highest = max([p.value or 0.0 for p in points], default=0.0)
    return through_time(
        points, levels, unit=Unit.SHARE if row.of_trips else Unit.RATE,
        top=nice_ceiling(1.05 * highest), now="", title=title, width=460, height=104,
    )  # fmt: skip


def _strip(row: RuleRow, most: int) -> Markup:
    """A rule's trips by verdict, on one scale for all rules; a number where it fits."""
    parts, x = [], 0.5
    for verdict in ORDER:
        count = row.counts[verdict]
        width = (STRIP_WIDTH - 1) * count / most if most else 0.0
        if count:
            shown = words.whole(count)
            fits = width >= DIGIT * len(shown) + 4
            parts.append(_segment(verdict, x, width, shown if fits else "", count))
        x += width
    said = ", ".join(
        f"{row.counts[v]} {words.VERDICT_WORDS[v]}" for v in ORDER if row.counts[v]
    ) or "asked of no trip"  # fmt: skip
    return picture(
        *parts, width=STRIP_WIDTH, height=STRIP_HEIGHT, title=f"{row.title}: {said}"
    )  # fmt: skip


def _segment(verdict: str, x: float, width: float, shown: str, count: int) -> str:
    patterned = {"cannot_tell": "url(#hatch)", "authorised": "url(#dots)"}
    fill = patterned.get(verdict, palette.VERDICT_FILLS[verdict])
    rect = svg.tag(
        "rect", svg.title(f"{count} {words.VERDICT_WORDS[verdict]}"), x=x, y=0.5, width=width,
        height=STRIP_HEIGHT - 1, fill=fill, stroke=palette.PATTERN_INK, stroke_width=0.7,
    )  # fmt: skip
    if not shown:
        return rect
    middle = x + width / 2
    plate = ""
    if verdict in patterned:
        wide = DIGIT * len(shown) + 3
        plate = svg.tag("rect", x=middle - wide / 2, y=2.5, width=wide, height=STRIP_HEIGHT - 5,
                        fill=palette.VERDICT_FILLS[verdict])  # fmt: skip
    text = svg.text(middle, 12.5, shown, fill=palette.VERDICT_TEXT[verdict], font_size=12,
                    text_anchor="middle")  # fmt: skip
    return rect + plate + text


def month_figures(page: MonthPage) -> dict[str, list[Figure]]:
    """The fold's figures by element id, each in variants with the least width in px they need."""
    charts = page.exploratory
    figures: dict[str, list[Figure]] = {}
    if any(r.all.estimate is not None for r in charts.shares):
        figures["rates-by-share"] = [
            {"least": least, **rates_figure(charts.shares, charts.service, charts.unit,
                                            page.month_name, narrow=not least)}
            for least in (0, 660)
        ]  # fmt: skip
    if charts.control and charts.control.panels:
        panels = charts.control.panels
        figures["rates-by-month"] = variants(
            lambda columns: control_figure(panels, columns=columns), ((0, 1), (640, 2), (960, 3))
        )
    return figures
