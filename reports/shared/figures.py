"""The figures of the shared edition: dots with intervals, of what is told and of nothing else."""

from __future__ import annotations

import dataclasses
from typing import Any

from reports.charts import palette
from reports.charts.interval_rows import CRUDE, Look, Plan, dot_rows
from reports.charts.parts import Figure, nice_ceiling
from reports.charts.rate_figures import rate_rows
from reports.text import words
from reports.text.rows import Row

SHARE = Look("cell", "share", palette.HISTORY, "circle", 10, 1.6)
WIDTHS = (0, 660)


def shared_figures(data: dict[str, Any], here: str) -> dict[str, list[Figure]]:
    """Every figure of one page by its element id, in variants for wider screens."""
    figures: dict[str, list[Figure]] = {}
    sizes, rules, bases = data["sizes"]["in_figure"], data["rules"], data["bases"]["whole"]
    if here in ("month", "director") and sizes:
        look = dataclasses.replace(CRUDE, name="rate")
        figures["sizes"] = [
            {"least": n, **rate_rows(sizes, data["sizes"]["service"], data["unit"], (look,),
                                     narrow=not n)}
            for n in WIDTHS
        ]  # fmt: skip
    disclosed_rules = [{"label": r["title"], **r} for r in rules if r["cell"] is not None]
    if here == "education" and disclosed_rules:
        figures["rules"] = _shares(disclosed_rules, "trips with a variance for review")
    disclosed_bases = [b for b in bases if b["cell"] is not None]
    if here in ("director", "education") and disclosed_bases:
        figures["bases"] = _shares(
            disclosed_bases, "trips that did not keep every rule, of those judged"
        )
    return figures


def _shares(rows: list[Row], title: str) -> list[Figure]:
    plan = Plan(
        looks=(SHARE,),
        columns=(("made_from", "trips"), ("value", "share"), ("range", f"95{words.NBSP}%")),
        title=title,
        top=min(1.0, nice_ceiling(max(r["cell"]["high"] for r in rows))),
        percent=True,
        hover_text=lambda cell: str(cell["line"]),
    )
    return [{"least": n, **dot_rows(rows, plan, narrow=not n)} for n in WIDTHS]
