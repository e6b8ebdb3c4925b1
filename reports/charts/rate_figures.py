"""Occlusion rates by group as a plotly figure: one row a group, a dot with its interval."""

from __future__ import annotations

import dataclasses

from reports.charts.interval_rows import ADJUSTED, CRUDE, MONTH, Look, Plan, dot_rows
from reports.charts.parts import Figure, chart_text, rate_axis_top
from reports.text import words
from reports.text.rows import Row

COLUMNS = (
    ("made_from", "events / hours"),
    ("trips_text", "trips"),
    ("rate_text", "rate"),
    ("range_text", f"95{words.NBSP}%"),
)
RATE_TEXTS = ("rate_text", "range_text")


def rates_figure(rows: list[Row], service: Row, unit: str, month: str, *, narrow: bool) -> Figure:
    """One row a group: the rate over all months, adjusted where known, and the month's own.

    `rows` and `service` are rows of `rate_data`; heights are px, the width is the screen's.
    The dashed line is the whole service over all months; what runs on past the axis ends in an
    arrow head.
    """
    looks: tuple[Look, ...] = (CRUDE, dataclasses.replace(MONTH, name=month))
    if any(r.get("adjusted") for r in rows):
        looks = (CRUDE, ADJUSTED, looks[1])
    return rate_rows(rows, service, unit, looks, narrow=narrow)


def rate_rows(
    rows: list[Row], service: Row, unit: str, looks: tuple[Look, ...], *, narrow: bool
) -> Figure:
    """Rows of rates in the given looks; a look's cells are those of `reports.charts.rate_data`."""
    labelled = [{**r, **{look.key: _cell(r[look.key], look) for look in looks}} for r in rows]
    bearing = [r[look.key] for r in rows for look in looks if look.key != "adjusted"]
    rate = service["all"]["estimate"]
    plan = Plan(
        looks=looks,
        columns=COLUMNS,
        title=f"occlusion rate ({unit})",
        top=rate_axis_top(bearing, [r["all"] for r in rows]),
        line=None if rate is None else (rate, f"whole service {service['all']['rate_text']}"),
    )
    return dot_rows(labelled, plan, narrow=narrow)


def _cell(cell: Row, look: Look) -> Row:
    """A rate's cell with the texts that stand beside its dot; no rate, no rate's text."""
    blank = {} if cell["estimate"] is not None else dict.fromkeys(RATE_TEXTS, "")
    if look.key == "adjusted":
        return {**cell, **blank, "made_from": cell["note"], "trips_text": "", "line": _line(cell)}
    name = "month" if look.key == "month" else look.name.split()[0]
    return {**cell, **blank, "line": f"{name}: {_line(cell)}"}


def _line(cell: Row) -> str:
    if "note" in cell:
        known = cell["estimate"] is not None
        sentence = f"{cell['rate_text']} ({cell['range_text']})" if known else "too few to say"
        return f"adjusted: {chart_text(sentence)}"
    if not cell["hours"]:
        return "no ventilator hours"
    trips = words.many(int(cell["trips"] or 0), "trip")
    if cell.get("few"):  # an upper bound alone, in a line as short as a telephone's width
        return f"{cell['made_from']}, {trips}; {cell['range_text']}"
    return f"{cell['made_from']}, {trips}: {cell['rate_text']} ({cell['range_text']})"
