"""The Director page's data: records, numbers and sentences. No HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_data import ChartTable
from reports.charts.control_sets import chart_set, rate_set
from reports.charts.rule_grid import RuleRow, grid_finding, rule_grid
from reports.charts.rule_rows import rule_rows
from reports.charts.signal_summary import false_signals_data
from reports.director.first_screen import FirstScreen, first_screen
from reports.director.full_oxygen import SourceRow, full_oxygen_data
from reports.director.outcomes import Outcomes, outcomes_data
from reports.director.patterns import (
    FOLLOWED_WORDS,
    Clocks,
    Patterns,
    clocks_data,
    patterns_data,
)
from reports.director.places import PlacesData, places_data
from reports.director.screen_quality import CAUSES, ScreenData, screen_data
from reports.director.sizes import SizesCompared, sizes_compared
from reports.director.what_if import WhatIf, what_if_data
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import text
from reports.text.sentences import two_years
from reports.text.signal_lines import standing
from reports.text.verdict import Verdict, verdict
from schemas.outputs import WHAT_FOLLOWED
from schemas.record import dataclass
from schemas.units import severity_rank

if TYPE_CHECKING:
    from markupsafe import Markup

    from reports.charts.control_records import ChartSet, Series
    from schemas.month_review import MeasureFigures, MonthReview
    from schemas.work import EquipmentUnit


@dataclass(frozen=True)
class DirectorPage(PageFrame):
    """Everything the Director page shows; `charts` are the sets of control charts in its fold."""

    verdict: Verdict
    first: FirstScreen
    grid: tuple[RuleRow, ...]
    grid_finding: str
    grid_picture: Markup | str
    places: PlacesData
    outcomes: Outcomes
    betters: tuple[str, ...]
    sizes: SizesCompared
    charts: dict[str, ChartSet]
    series: int
    chance: str
    patterns: Patterns
    followed: tuple[str, ...]
    what_followed: str
    clocks: Clocks
    screen: ScreenData | None
    causes: tuple[str, ...]
    what_if: WhatIf
    full_oxygen: tuple[SourceRow, ...]
    equipment: tuple[EquipmentUnit, ...]


def director_data(review: MonthReview, figures: MeasureFigures, site: Site) -> DirectorPage:
    """Everything the Director page shows, ready for figures and the template."""
    # long: a line for each field of the page
    false_signals = false_signals_data(figures)
    apart = singled(figures)
    rows = tuple(row for row in rule_rows(review, figures) if row.rule not in apart)
    finding = grid_finding(rows)
    return DirectorPage(
        **vars(page_frame(review, site, "director")),
        verdict=verdict(review),
        first=first_screen(review, figures),
        grid=rows,
        grid_finding=finding,
        grid_picture=rule_grid(rows, f"Rules by bases: {finding}") if rows else "",
        places=places_data(figures),
        outcomes=outcomes_data(figures, len(two_years(review)[1])),
        betters=tuple(text(r["sentence"]) for r in standing(review, "watch", "better")),
        sizes=sizes_compared(review, figures),
        charts=charts_data(review, ChartTable(review, figures)),
        series=false_signals.series,
        chance=false_signals.caution,
        patterns=patterns_data(figures, review.month),
        followed=tuple(FOLLOWED_WORDS.values()),
        what_followed=WHAT_FOLLOWED,
        clocks=clocks_data(figures, review.month),
        screen=screen_data(review),
        causes=CAUSES,
        what_if=what_if_data(review),
        full_oxygen=full_oxygen_data(review),
        equipment=equipment_of_year(review),
    )


def equipment_of_year(review: MonthReview) -> tuple[EquipmentUnit, ...]:
    """The units of the twelve months, those with most trips of trouble first."""
    units = review.work.equipment if review.work is not None else ()
    year = (u for u in units if u.months != review.month)
    return tuple(sorted(year, key=lambda u: (-len(u.trip_ids), u.kind, u.unit)))


def singled(figures: MeasureFigures) -> set[str]:
    """The rules shown one by one: they are in no grid."""
    return {text(r["rule"]) for r in figures.one_by_one.records()}


def charts_data(review: MonthReview, table: ChartTable) -> dict[str, ChartSet]:
    """Every set of control charts that shares an axis, and what is too thin to be charted."""
    severity = {f.rule: severity_rank(f.severity) for f in review.rules}

    def by_severity(found: list[Series]) -> list[Series]:
        return sorted(found, key=lambda s: (severity.get(s.key, 3), s.key))

    gaps = by_severity(table.every("trips-between-deviations", "rule"))
    rare = {s.key for s in gaps if not s.thin}
    shares = by_severity(table.every("deviation-share", "rule"))
    whole = [table.series(m, "service") for m in ("all-rules-share", "trips-with-occlusion")]
    sets = {
        "rates": rate_set(table),
        "shares": chart_set([s for s in shares if s.key not in rare], "rule"),
        "gaps": chart_set([s for s in gaps if s.key in rare], "rare rule"),
        "whole": chart_set([s for s in whole if s], "share of all trips"),
        "oxygen": chart_set(_one(table, "full-oxygen-above-97"), "measure of oxygen"),
        "bedside": chart_set(_one(table, "bedside-minutes"), "measure of time"),
        "untold": chart_set(by_severity(table.every("cannot-tell-share", "rule")), "record"),
    }
    return sets


def _one(table: ChartTable, measure: str) -> list[Series]:
    found = table.series(measure, "service")
    return [found] if found else []
