"""Occlusion rates by group as a plotly figure: one row a group, a dot with its interval."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from reports.charts.chart_parts import Figure, chart_text, rate_axis_top
from reports.charts.dot_rows import (
    ADJUSTED,
    CRUDE,
    MONTH,
    DotCell,
    DotRow,
    Look,
    Plan,
    dot_rows,
)
from reports.text import words
from reports.text.rates import RateCell, RateRow

COLUMNS = ("events / hours", "trips", "rate", f"95{words.NBSP}%")


def rates_figure(
    rows: Sequence[RateRow], service: RateRow, unit: str, month: str, *, narrow: bool
) -> Figure:
    """One row a group: the rate over all months, adjusted where known, and the month's own.

    `rows` and `service` are rows of `rate_data`; heights are px, the width is the screen's.
    The dashed line is the whole service over all months; what runs on past the axis ends in an
    arrow head.
    """
    now = dataclasses.replace(MONTH, name=month)
    if any(r.adjusted for r in rows):
        looks: tuple[Look, ...] = (CRUDE, ADJUSTED, now)
        cells = [(r.label, [c for c in (r.all, r.adjusted, r.month) if c]) for r in rows]
    else:
        looks = (CRUDE, now)
        cells = [(r.label, [r.all, r.month]) for r in rows]
    return rate_rows(cells, service.all, unit, looks, narrow=narrow)


def rate_rows(
    rows: Sequence[tuple[str, Sequence[RateCell]]], whole: RateCell, unit: str,
    looks: tuple[Look, ...], *, narrow: bool,
) -> Figure:  # fmt: skip
    """Groups by name, each with a rate for each look, the first over all months."""
    bearing = [
        c for _, cells in rows for look, c in zip(looks, cells, strict=True) if look is not ADJUSTED
    ]
    plan = Plan(
        looks=looks,
        columns=COLUMNS,
        title=f"occlusion rate ({unit})",
        top=rate_axis_top(bearing, [cells[0] for _, cells in rows]),
        line=None
        if whole.estimate is None
        else (whole.estimate, f"whole service {whole.rate_text}"),
    )
    drawn = [
        DotRow(label, [_drawn(c, look) for look, c in zip(looks, cells, strict=True)])
        for label, cells in rows
    ]
    return dot_rows(drawn, plan, narrow=narrow)


def _drawn(cell: RateCell, look: Look) -> DotCell:
    """A rate's dot with the texts that stand beside it; no rate, no rate's text."""
    known = cell.estimate is not None
    beside = (cell.rate_text, cell.range_text) if known else ("", "")
    name = {"all": look.name.split()[0], "adjusted": "adjusted"}.get(look.key, "month")
    return DotCell(
        cell.estimate, cell.low, cell.high, cell.few,
        texts=(cell.made_from, cell.trips_text, *beside),
        line=f"{name}: {_line(cell, adjusted=look is ADJUSTED)}",
        hover=_hover(cell),
    )  # fmt: skip


def _hover(cell: RateCell) -> str:
    """A rate's numbers, shown when pointing at its dot."""
    return (
        f"{cell.rate_text} ({'' if cell.few else f'95{words.NBSP}% '}"
        f"{cell.range_text})<br>{cell.made_from}, {words.many(int(cell.trips or 0), 'trip')}"
    )


def _line(cell: RateCell, *, adjusted: bool) -> str:
    if adjusted:
        known = cell.estimate is not None
        return chart_text(f"{cell.rate_text} ({cell.range_text})" if known else "too few to say")
    if not cell.hours:
        return "no ventilator hours"
    trips = words.many(int(cell.trips or 0), "trip")
    if cell.few:  # an upper bound alone, in a line as short as a telephone's width
        return f"{cell.made_from}, {trips}; {cell.range_text}"
    return f"{cell.made_from}, {trips}: {cell.rate_text} ({cell.range_text})"
