"""The Director page's data: plain dicts, numbers and sentences. No HTML, no figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.charts.adjusted_rates import SizeTable, adjusted_finding
from reports.charts.control_data import ChartTable
from reports.charts.control_sets import chart_set, rate_set
from reports.charts.rate_data import rates_data
from reports.charts.rule_grid import grid_finding, rule_grid
from reports.charts.rule_rows import rule_rows
from reports.charts.signal_summary import false_signals_data
from reports.director.first_screen import first_screen
from reports.director.full_oxygen import full_oxygen_data
from reports.director.outcomes import outcomes_data
from reports.director.patterns import clocks_data, patterns_data
from reports.director.places import places_data
from reports.director.screen_quality import screen_data
from reports.director.what_if import what_if_data
from reports.text.navigation import Site, common_data
from reports.text.rows import Row, records, text
from reports.text.sentences import few_note
from reports.text.signal_lines import standing
from reports.text.verdict import verdict
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview



def director_data(review: MonthReview, figures: MeasureFigures, site: Site) -> dict[str, Any]:
    """Everything the Director page shows, ready for figures and the template."""
    table = ChartTable(review, figures)
    false_signals = false_signals_data(figures)
    rows = tuple(row for row in rule_rows(review, figures) if row.rule not in singled(figures))
    finding = grid_finding(rows)
    return {
        **common_data(review, site, "director"),
        "verdict": verdict(review),
        "first": first_screen(review, figures),
        "grid": rows,
        "grid_finding": finding,
        "grid_picture": rule_grid(rows, f"Rules by bases: {finding}") if rows else "",
        "places": places_data(figures),
        "outcomes": outcomes_data(figures),
        "betters": standing(review, "watch", "better"),
        "sizes": sizes_data(review, figures),
        "charts": charts_data(review, table),
        "series": false_signals["series"],
        "false_signals": false_signals,
        "patterns": patterns_data(figures, review.month),
        "clocks": clocks_data(figures, review.month),
        "screen": screen_data(review),
        "what_if": what_if_data(review),
        "full_oxygen": full_oxygen_data(review),
    }


def singled(figures: MeasureFigures) -> set[str]:
    """The rules shown one by one: they are in no grid."""
    frame = figures.one_by_one
    return set() if frame is None else {text(r["rule"]) for r in records(frame)}


def sizes_data(review: MonthReview, figures: MeasureFigures) -> Row:
    """Occlusion rate by size, crude and adjusted, over all months."""
    rates = rates_data(review)
    found = SizeTable(figures)
    known = [found.joined(row) for row in rates["sizes"]] if found.rows else []
    labels = {r["key"]: r["label"] for r in known}
    adjusted = adjusted_finding(known, found.reference)
    return {
        "rows": known,
        "service": rates["service"],
        "unit": rates["unit"],
        "finding": adjusted or "No size has enough behind it to be adjusted.",
        "said": "",
        "reference": labels.get(found.reference, found.reference),
        "method": found.method,
        "notes": [s for s in (few_note(known),) if s],
    }


def charts_data(review: MonthReview, table: ChartTable) -> Row:
    """Every set of control charts that shares an axis, and what is too thin to be charted."""
    severity = {f.rule: severity_rank(f.severity) for f in review.rules}

    def by_severity(found: list[Row]) -> list[Row]:
        return sorted(found, key=lambda s: (severity.get(s["key"], 3), s["key"]))

    gaps = by_severity(table.every("trips-between-deviations", "rule"))
    rare = {s["key"] for s in gaps if not s["thin"]}
    shares = by_severity(table.every("deviation-share", "rule"))
    whole = [table.series(m, "service") for m in ("all-rules-share", "trips-with-occlusion")]
    sets = {
        "rates": rate_set(table),
        "shares": chart_set([s for s in shares if s["key"] not in rare], "rule"),
        "gaps": chart_set([s for s in gaps if s["key"] in rare], "rare rule"),
        "whole": chart_set([s for s in whole if s], "share of all trips"),
        "oxygen": chart_set(_one(table, "full-oxygen-above-97"), "measure of oxygen"),
        "bedside": chart_set(_one(table, "bedside-minutes"), "measure of time"),
        "untold": chart_set(by_severity(table.every("cannot-tell-share", "rule")), "record"),
    }
    return sets


def _one(table: ChartTable, measure: str) -> list[Row]:
    found = table.series(measure, "service")
    return [found] if found else []
