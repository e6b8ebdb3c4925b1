"""The figures of the shared edition: dots with intervals, of what is told and of nothing else."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.chart_parts import Figure, nice_ceiling
from reports.charts.dot_rows import CRUDE, DotRow, Look, Plan, dot_rows
from reports.charts.rate_figures import rate_rows
from reports.text import words

if TYPE_CHECKING:
    from reports.shared.data import SharedPage

SHARE = Look("cell", "share", palette.HISTORY, "circle", 10, 1.6)
WIDTHS = (0, 660)


def shared_figures(page: SharedPage, here: str) -> dict[str, list[Figure]]:
    """Every figure of one page by its element id, in variants for wider screens."""
    figures: dict[str, list[Figure]] = {}
    sizes = [(r.label, (r.all,)) for r in page.sizes.in_figure]
    if here in ("month", "director") and sizes:
        look = dataclasses.replace(CRUDE, name="rate")
        figures["sizes"] = [
            {"least": n, **rate_rows(sizes, page.sizes.service.all, page.unit, (look,),
                                     narrow=not n)}
            for n in WIDTHS
        ]  # fmt: skip
    rules = [DotRow(r.title, (r.cell,)) for r in page.rules if r.cell is not None]
    if here == "education" and rules:
        figures["rules"] = _shares(rules, "trips with a variance for review")
    bases = [DotRow(b.label, (b.cell,)) for b in page.bases.whole if b.cell is not None]
    if here in ("director", "education") and bases:
        figures["bases"] = _shares(bases, "trips that did not keep every rule, of those judged")
    return figures


def _shares(rows: list[DotRow], title: str) -> list[Figure]:
    plan = Plan(
        looks=(SHARE,),
        columns=("trips", "share", f"95{words.NBSP}%"),
        title=title,
        top=min(1.0, nice_ceiling(max(r.cells[0].high or 0.0 for r in rows))),
        percent=True,
    )
    return [{"least": n, **dot_rows(rows, plan, narrow=not n)} for n in WIDTHS]
