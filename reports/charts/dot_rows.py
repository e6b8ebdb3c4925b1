"""Rows of dots with intervals as a plotly figure: one row a group, one dot a way of estimating."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, NamedTuple

from reports.charts import palette
from reports.charts.chart_parts import (
    LABEL_MOST,
    Figure,
    axis,
    chart_text,
    layout,
    note,
    percent_format,
    tick_step,
)
from reports.text import words
from schemas.record import dataclass

WIDE_ROW, NARROW_LINE, NARROW_DOT = 22, 16, 15
LEAST_LOOK = 14
"""Height in px that one look's numbers need."""

PAPER_ROWS = 600
"""Height in px of the rows that fit on a printed page with their words; more rows stand closer."""

COLUMN_GAP = 12
CHAR = 6.6


@dataclass(frozen=True)
class Look:
    """How one kind of estimate is drawn: `key` names it."""

    key: str
    name: str
    color: str
    symbol: str
    size: int
    width: float
    quiet: bool = False


CRUDE = Look("all", "all months", palette.HISTORY, "circle", 11, 3.0)
MONTH = Look("month", "", palette.INK, "diamond", 9, 1.4, quiet=True)
ADJUSTED = Look("adjusted", "adjusted", palette.HISTORY, "circle-open", 11, 1.6)


@dataclass(frozen=True)
class Plan:
    """What the rows share: looks, headings of the columns of notes, axis title and end, and line.

    `line` is a value with its name, drawn faint and dashed. `percent`: values are shares.
    """

    looks: tuple[Look, ...]
    columns: tuple[str, ...]
    title: str
    top: float
    line: tuple[float, str] | None = None
    percent: bool = False


class DotCell(NamedTuple):
    """A dot: its number and bounds, a text for each column of the plan, and its line when narrow.

    `few`: it has an upper bound alone; `hover`: what pointing at it says.
    """

    estimate: float | None
    low: float | None
    high: float | None
    few: bool
    texts: tuple[str, ...]
    line: str
    hover: str


class DotRow(NamedTuple):
    """A group, with a cell for each look of the plan."""

    label: str
    cells: Sequence[DotCell]


def dot_rows(rows: Sequence[DotRow], plan: Plan, *, narrow: bool) -> Figure:
    """One row a group, under each other one dot a look, its numbers beside it or, narrow, above.

    Heights are px, the width is the screen's. What runs on past the axis ends in an arrow head. A
    rate of few trips is an open square: it has an upper bound alone.
    """
    height = _row_height(plan, len(rows), narrow=narrow)
    offsets, looks = _offsets(plan, height, narrow=narrow), range(len(plan.looks))
    columns = _columns(rows, plan)
    margin = {"l": 8, "r": 14, "t": 26, "b": 46} if narrow else _wide_margin(rows, columns)
    notes = _narrow_notes(rows, plan, height) if narrow else _wide_notes(rows, plan, columns)
    line, line_note = _service_line(plan)
    return {
        "data": [
            *(_dots(rows, n, offsets[n], plan) for n in looks),
            *(t for n in looks if (t := _dots(rows, n, offsets[n], plan, none=True))["x"]),
            *_arrow_heads(rows, offsets, plan.top),
        ],
        "layout": layout(
            height * len(rows) + margin["t"] + margin["b"],
            margin,
            xaxis=_value_axis(plan, few=narrow),
            yaxis=_row_axis(rows, labels=not narrow),
            shapes=[*_row_lines(len(rows)), *line],
            annotations=[*notes, *line_note],
        ),
    }


def _row_height(plan: Plan, rows: int, *, narrow: bool) -> int:
    if not narrow:
        looks = len(plan.looks)
        usual, least = max(30, WIDE_ROW * looks), max(20, LEAST_LOOK * looks)
        return max(least, min(usual, PAPER_ROWS // max(1, rows)))
    return NARROW_LINE + (NARROW_LINE + NARROW_DOT) * len(plan.looks) + 8


def _offsets(plan: Plan, height: int, *, narrow: bool) -> list[float]:
    """How far from its row's middle each look's dot stands, as a share of the row."""
    count = len(plan.looks)
    if not narrow:
        return [
            0.41 * (count - 1) / 2 - 0.41 * i if count < 3 else 0.29 - 0.29 * i
            for i in range(count)
        ]
    lowest = -0.5 + (NARROW_DOT / 2 + 4) / height
    return [lowest + (count - 1 - i) * NARROW_DOT / height for i in range(count)]


def _value_axis(plan: Plan, *, few: bool) -> Figure:
    step = tick_step(plan.top, few)
    return axis(
        range=[0, plan.top],
        title={"text": chart_text(plan.title), "font": {"size": 12}, "standoff": 8},
        dtick=step,
        tickformat=percent_format(step) if plan.percent else "",
        ticks="outside",
    )


def _row_axis(rows: Sequence[DotRow], *, labels: bool) -> Figure:
    return axis(
        range=[-len(rows) + 0.5, 0.5],
        showgrid=False,
        tickvals=[-i for i in range(len(rows))],
        ticktext=[chart_text(r.label, LABEL_MOST) for r in rows],
        tickfont={"size": 13, "color": palette.INK},
        ticklabelstandoff=10,
        showticklabels=labels,
        showline=True,
        ticks="",
    )


def _dots(
    rows: Sequence[DotRow], n: int, offset: float, plan: Plan, *, none: bool = False
) -> Figure:
    """The dots of the look at `n`; `none`: those of few trips, open squares of its colour."""
    look = plan.looks[n]
    shown = [
        (i, r.label, cell, cell.estimate)
        for i, r in enumerate(rows)
        if (cell := r.cells[n]).estimate is not None and cell.few == none
    ]
    cells = [cell for _, _, cell, _ in shown]
    look = dataclasses.replace(look, symbol="square-open", size=9) if none else look
    at, sizes = _placed([e for *_, e in shown], plan.top, look.size)
    marker = {"color": look.color, "size": sizes, "symbol": look.symbol, "opacity": 1}
    if look.symbol.endswith("-open"):
        marker = {
            **marker,
            "symbol": look.symbol.removesuffix("-open"),
            "color": palette.PAPER,
            "line": {"width": 2, "color": look.color},
        }
    return {
        "type": "scatter",
        "mode": "markers",
        "x": at,
        "y": [offset - i for i, *_ in shown],
        "error_x": _arms(cells, at, plan.top, look.color, look.width),
        "marker": marker,
        "cliponaxis": False,
        "hoverinfo": "text",
        "hovertext": [
            f"{chart_text(label)}, {chart_text(look.name)}<br>{cell.hover}"
            for _, label, cell, _ in shown
        ],
    }


def _arrow_heads(rows: Sequence[DotRow], offsets: list[float], top: float) -> list[Figure]:
    at = [
        offset - i
        for i, r in enumerate(rows)
        for cell, offset in zip(r.cells, offsets, strict=True)
        if _runs_past(cell, top)
    ]
    if not at:
        return []
    marker = {"symbol": "triangle-right", "size": 9, "color": palette.MUTED}
    points = {"x": [top] * len(at), "y": at, "marker": marker}
    more = {"cliponaxis": False, "hoverinfo": "skip"}
    return [{"type": "scatter", "mode": "markers", **points, **more}]


def _columns(rows: Sequence[DotRow], plan: Plan) -> list[tuple[str, int]]:
    """Each column of notes with how far its right edge stands from the picture, in px."""
    found, at = [], 6
    for n, head in enumerate(plan.columns):
        texts = [head, *(cell.texts[n] for r in rows for cell in r.cells)]
        at += COLUMN_GAP + round(CHAR * max(len(t) for t in texts))
        found.append((head, at))
    return found


def _wide_margin(rows: Sequence[DotRow], columns: list[tuple[str, int]]) -> dict[str, int]:
    longest = max((len(words.shortened(r.label, LABEL_MOST)) for r in rows), default=0)
    right = columns[-1][1] + 6 if columns else 14
    return {"l": min(240, 24 + round(7.4 * longest)), "r": right, "t": 34, "b": 50}


def _note(text: str, x: float, y: float, color: str, **more: Any) -> Figure:
    return note(text, (x, y), ("paper", "y"), color, 12, **more)


def _wide_notes(rows: Sequence[DotRow], plan: Plan, columns: list[tuple[str, int]]) -> list[Figure]:
    """Each look's numbers, in columns right of the picture."""
    offsets = _offsets(plan, 0, narrow=False)
    heads = {"xanchor": "right", "yanchor": "bottom", "yshift": 4}
    notes = [_note(head, 1, 0.5, palette.MUTED, xshift=shift, **heads) for head, shift in columns]
    for i, row in enumerate(rows):
        for look, cell, offset in zip(plan.looks, row.cells, offsets, strict=True):
            color = palette.MUTED if look.quiet else palette.INK
            notes += [
                _note(label, 1, offset - i, color, xanchor="right", xshift=shift)
                for label, (_, shift) in zip(cell.texts, columns, strict=True)
                if label
            ]
    return notes


def _narrow_notes(rows: Sequence[DotRow], plan: Plan, height: int) -> list[Figure]:
    """The group and what its dots were made from, above each row's dots."""
    look = {"xanchor": "left", "xshift": 2, "bgcolor": palette.PAPER, "borderpad": 0}
    notes = []
    for i, row in enumerate(rows):
        at = 0.5 - (NARROW_LINE / 2 + 2) / height - i
        notes.append(_note(f"<b>{chart_text(row.label, 40)}</b>", 0, at, palette.INK, **look))
        for kind, cell in zip(plan.looks, row.cells, strict=True):
            at -= NARROW_LINE / height
            color = palette.MUTED if kind.quiet else palette.INK
            notes.append(_note(cell.line, 0, at, color, **look))
    return notes


def _row_lines(number: int) -> list[Figure]:
    line = {"color": palette.LINE, "width": 1}
    return [
        {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": y, "y1": y, "line": line}
        for y in (0.5 - i for i in range(number + 1))
    ]


def _service_line(plan: Plan) -> tuple[list[Figure], list[Figure]]:
    """The common value as a faint line, and its name above it."""
    if plan.line is None or plan.line[0] > plan.top:
        return [], []
    at, name = plan.line
    line = {"color": palette.SERVICE, "width": 1.2, "dash": "dash"}
    shape = {"type": "line", "yref": "paper", "x0": at, "x1": at, "y0": 0, "y1": 1}
    side = "left" if at < plan.top * 0.6 else "right"
    above = note(name, (at, 1), ("x", "paper"), palette.MUTED, 12, xanchor=side, yanchor="bottom")
    return [{**shape, "line": line, "layer": "below"}], [above]


def _runs_past(cell: DotCell, top: float) -> bool:
    """Whether a cell's interval or estimate lies partly beyond the axis."""
    most = max(cell.high or 0.0, cell.estimate or 0.0)
    return cell.estimate is not None and most > top * (1 + 1e-9)


def _placed(estimates: Sequence[float], top: float, size: int) -> tuple[list[float], list[int]]:
    """Where each estimate is drawn and how large: one beyond the axis has no dot."""
    sizes = [size if e <= top * (1 + 1e-9) else 0 for e in estimates]
    return [min(e, top) for e in estimates], sizes


def _arms(
    cells: Sequence[DotCell], at: list[float], top: float, color: str, width: float
) -> Figure:
    """Interval arms, cut at the axis end; no arm where there is no interval."""
    pairs = list(zip(cells, at, strict=True))
    highs = [d if c.high is None else min(c.high, top) for c, d in pairs]
    lows = [d if c.low is None else min(c.low, top) for c, d in pairs]
    return {
        "type": "data",
        "symmetric": False,
        "array": [h - d for h, d in zip(highs, at, strict=True)],
        "arrayminus": [d - w for w, d in zip(lows, at, strict=True)],
        "color": color,
        "thickness": width,
        "width": 0,
    }
