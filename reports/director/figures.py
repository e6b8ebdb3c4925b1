"""The figures of the Director page's folds, from its data; each in variants for wider screens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.chart_parts import Figure
from reports.charts.control_figures import control_figure
from reports.charts.figure_json import variants
from reports.director.what_if import what_if_figures

if TYPE_CHECKING:
    from reports.charts.control_records import Series
    from reports.director.data import DirectorPage

WIDTHS = ((0, 1), (480, 2), (680, 3))
SETS = ("rates", "shares", "gaps", "whole", "oxygen", "bedside")


def director_figures(page: DirectorPage) -> dict[str, list[Figure]]:
    """Every figure of the page by its element id; a variant holds the least width in px."""
    figures: dict[str, list[Figure]] = {}
    for name in SETS:
        panels = page.charts[name].panels
        if panels:
            figures[f"charts-{name}"] = control_variants(panels, by_month=name != "gaps")
    return {**figures, **what_if_figures(page.what_if)}


def control_variants(panels: list[Series], *, by_month: bool = True) -> list[Figure]:
    """Control charts on one y-axis, in columns as the screen allows."""
    return variants(lambda n: control_figure(panels, columns=n, by_month=by_month), WIDTHS)
