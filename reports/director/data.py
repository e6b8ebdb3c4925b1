"""The Director page's data: plain dicts, numbers and sentences. No HTML, no figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.charts.adjusted_rates import SizeTable, adjusted_finding
from reports.charts.control_data import ChartTable
from reports.charts.control_sets import chart_set, rate_set
from reports.charts.funnel_data import (
    chance_sentence,
    few_sentence,
    funnels,
    funnels_in_figure,
    outlying_sentence,
    power_sentence,
    window_words,
)
from reports.charts.rate_data import rates_data
from reports.charts.signal_summary import false_signals_data
from reports.director.full_oxygen import full_oxygen_data
from reports.director.outliers import outliers_data
from reports.director.patterns import clocks_data, patterns_data
from reports.director.screen_quality import screen_data
from reports.director.what_if import what_if_data
from reports.director.years import years_data
from reports.text.navigation import Site, common_data
from reports.text.rows import Row
from reports.text.sentences import few_note, need_sentence, sizes_finding
from reports.text.signal_lines import lead_lines, standing
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview

NONE_JUDGED = "No trip of the month was judged."


def director_data(review: MonthReview, figures: MeasureFigures, site: Site) -> dict[str, Any]:
    """Everything the Director page shows, ready for figures and the template."""
    table = ChartTable(review, figures)
    sizes = sizes_data(review, figures)
    bases = bases_data(review, figures)
    charts = charts_data(review, table)
    false_signals = false_signals_data(figures)
    unjudged = "" if review.protocol else need_sentence(review)
    return {
        **common_data(review, site, "director"),
        "answer": [unjudged] if unjudged else (lead_lines(review) or [NONE_JUDGED]),
        "years": years_data(review, figures),
        "betters": standing(review, "watch", "better"),
        "too_few": ""
        if unjudged
        else " ".join(filter(None, [charts["shares"]["thin"], bases["few"]])),
        "sizes": sizes,
        "bases": bases,
        "charts": charts,
        "false_signals": false_signals,
        "patterns": patterns_data(figures, review.month),
        "clocks": clocks_data(figures, review.month),
        "outliers": outliers_data(review),
        "screen": screen_data(review),
        "what_if": what_if_data(review),
        "full_oxygen": full_oxygen_data(review),
    }


def sizes_data(review: MonthReview, figures: MeasureFigures) -> Row:
    """Occlusion rate by size, crude and adjusted, over all months."""
    rates = rates_data(review)
    found = SizeTable(figures)
    known = [found.joined(row) for row in rates["sizes"]] if found.rows else []
    labels = {r["key"]: r["label"] for r in known}
    service = rates["service"]
    crude = sizes_finding(review, known, service, "cannula size", "cannula sizes") if known else ""
    adjusted = adjusted_finding(known, found.reference)
    return {
        "rows": known,
        "service": service,
        "unit": rates["unit"],
        "finding": f"{crude} {adjusted}".strip(),
        "reference": labels.get(found.reference, found.reference),
        "method": found.method,
        "notes": [s for s in (_spread(known), few_note(known)) if s],
    }


def _spread(rows: list[Row]) -> str:
    """The over-dispersion found, as a range over the sizes."""
    found = [r["dispersion"] for r in rows if r.get("dispersion") is not None]
    if not found:
        return ""
    low, high = min(found), max(found)
    span = f"{low:.1f}" if len(found) == 1 else f"{low:.1f} to {high:.1f}"
    return (
        f"Occlusions cluster within trips: their variance is {span} times that of independent"
        " events. The intervals allow for it; the naive ones, which do not, are in the table."
    )


def bases_data(review: MonthReview, figures: MeasureFigures) -> Row:
    """Funnels by base, what lies outside, and what is known of their spread."""
    found = funnels(review, figures)
    in_figure = funnels_in_figure(found)
    return {
        "funnels": found,
        "window": window_words(review),
        "in_figure": in_figure,
        "not_in_figure": len([f for f in found if not f["thin"]]) - len(in_figure),
        "outlying": outlying_sentence(found, window_words(review)),
        "better": any(b["good"] for f in in_figure for b in f["outlying"]),
        "dispersion": power_sentence(found),
        "few": few_sentence(found),
        "chance": chance_sentence(found),
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
