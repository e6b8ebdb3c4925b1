"""The measures' page, from the registry of measures."""

from __future__ import annotations

from pipeline.docs.markdown import capital, page, table
from pipeline.measures.registry import MEASURES
from schemas.measure_outputs import MeasureFacts

HEAD = """\
Every figure stands with its numerator, denominator, interval and the interval's method; all of them
are in `<month>/data/measures.csv`, points of charts in `charts.csv`. Which method gives which
interval, where it comes from and how often it holds is in
[METHODS.md](../pipeline/statistics/METHODS.md)."""

MISSING = """\
Missing values leave no denominator silently. A trip that a rule cannot judge (`cannot_tell`) or
does not ask about (`not_applicable`) is in no share's denominator but that of the cannot-tell
share; trips that could not be used are counted beside each figure. A share of variances stands with
its bounds, variances over trips asked about, and the same with every undecided trip a variance:
a bad record loses `met` sooner than it loses a variance. Occlusion rates take the same known time
above and below the line. A month below the least to show says
"too few to say" with its number; a chart with too few such months has no limits."""


def measures_page() -> str:
    """What each measure counts, over what, how it is drawn, and where it comes from."""
    return page(
        "Measures",
        HEAD,
        "## Missing values",
        MISSING,
        *[part for facts in MEASURES.values() for part in _measure(facts)],
    )


def _measure(facts: MeasureFacts) -> tuple[str, str, str]:
    chart = facts.chart if facts.chart != "none" else "none: a figure by itself"
    return (
        f"## {facts.id}",
        f"**{facts.name}.** {facts.question} {facts.sentence}",
        table(
            ["what", "how"],
            [
                ["numerator", capital(facts.numerator)],
                ["denominator", capital(facts.denominator)],
                ["left out, and counted", capital(facts.left_out)],
                ["unit", facts.unit],
                ["interval", facts.interval],
                ["better", facts.better],
                ["chart", chart],
                ["drawn", f"{capital(facts.page)} page, part `{facts.section}`"],
                ["least to show", f"{facts.minimum:g} {facts.least}"],
                ["source", facts.source],
            ],
        ),
    )
