"""The figures of the Education page and of each base's brief, from their data."""

from __future__ import annotations

from typing import Any

from reports.charts import palette
from reports.charts.figure_json import variants
from reports.charts.interval_rows import Look, Plan, dot_rows
from reports.charts.panels import Grid, level_line, panel_title, value_axis
from reports.charts.parts import Figure, axis, chart_text, nice_ceiling
from reports.text import words
from reports.text.rows import Row
from schemas.units import Unit

OWN = Look("own", "own share", palette.HISTORY, "circle", 10, 0.0)
SHRUNK = Look("shrunk", "shrunk share", palette.HISTORY, "circle-open", 10, 1.6)
RATIO = Look("ratio", "after over before", palette.INK, "circle", 10, 1.6)
DOUBLING = Look("doubling", "a doubling", palette.INK, "circle", 10, 1.6)
HALVING = Look("halving", "a halving", palette.HISTORY, "circle-open", 10, 1.6)
ROW_HEIGHT, PANEL_HEAD = 26, 78
COLUMNS_MOST, PAPER_HEIGHT = 3, 760
WIDTHS = ((0, 1), (480, 2), (680, COLUMNS_MOST))
RATIO_MOST = 4.0
BASE_CHARS = 10
SHARE_TITLE = "trips with a variance for review, of those judged"


def education_figures(data: dict[str, Any]) -> dict[str, list[Figure]]:
    """Every figure of the Education page by its element id, in variants for wider screens."""
    figures: dict[str, list[Figure]] = {}
    in_figure = data["in_figure"][: panels_most(data["in_figure"])]
    if in_figure:
        figures["by-base"] = variants(lambda n: shares_figure(in_figure, columns=n), WIDTHS)
    if data["retraining"]["in_figure"]:
        figures["retraining"] = [
            {"least": least, **ratio_figure(data["retraining"]["in_figure"], narrow=not least)}
            for least in (0, 660)
        ]
    for power in data["power"]["sets"]:
        figures[power["id"]] = [
            {"least": least, **power_figure(power, narrow=not least)} for least in (0, 660)
        ]
    return figures


def panels_most(rules: list[Row]) -> int:
    """How many rules' panels fit on one printed page."""
    bases = max((len(r["bases"]) for r in rules), default=1)
    return COLUMNS_MOST * max(1, PAPER_HEIGHT // (ROW_HEIGHT * bases + PANEL_HEAD))


def brief_figures(data: dict[str, Any]) -> dict[str, list[Figure]]:
    """The one figure of a base's brief: its own and its shrunk share, rule by rule."""
    if not data["rows"]:
        return {}
    rows = [_brief_row(r) for r in data["rows"]]
    highest = [c["high"] or c["estimate"] or 0.0 for r in rows for c in (r["own"], r["shrunk"])]
    plan = Plan(
        looks=(OWN, SHRUNK),
        columns=(("made_from", "at variance"), ("value", "share"), ("range", f"95{words.NBSP}%"),
                 ("all", "all bases")),
        title=SHARE_TITLE,
        top=min(1.0, nice_ceiling(max(highest))),
        percent=True,
        hover_text=lambda cell: cell["line"],
    )  # fmt: skip
    return {
        "brief": [{"least": least, **dot_rows(rows, plan, narrow=not least)} for least in (0, 600)]
    }


def _brief_row(row: Row) -> Row:
    base, rule = row["base"], row["rule"]
    return {
        "label": rule["label"],
        "own": {
            "estimate": base["value"],
            "low": None,
            "high": None,
            "made_from": base["made_from"],
            "value": base["value_text"],
            "line": f"own: {base['made_from']}, {base['value_text']}",
        },
        "shrunk": {
            "estimate": base["shrunk"],
            "low": base["shrunk_low"],
            "high": base["shrunk_high"],
            "made_from": "shrunk",
            "value": base["shrunk_text"],
            "range": base["shrunk_range"],
            "all": rule["target_text"],
            "line": f"shrunk: {base['shrunk_text']} ({base['shrunk_range']}); all bases"
            f" {rule['target_text']}",
        },
    }


def ratio_figure(rows: list[Row], *, narrow: bool) -> Figure:
    """Each retraining's share after over its share before; the line is no change."""
    highest = [r["ratio"]["high"] or r["ratio"]["estimate"] for r in rows]
    plan = Plan(
        looks=(RATIO,),
        columns=(("before", "before"), ("after", "after"), ("ratio_text", "ratio"),
                 ("range_text", f"95{words.NBSP}%")),
        title="variance share after over before",
        top=nice_ceiling(max(1.5, min(RATIO_MOST, 1.05 * max(highest)))),
        line=(1.0, "no change"),
        hover_text=lambda cell: cell["line"],
    )  # fmt: skip
    return dot_rows(rows, plan, narrow=narrow)


def power_figure(power: Row, *, narrow: bool) -> Figure:
    """Months until half the simulated runs signal, and until 9 of 10 do."""
    plan = Plan(
        looks=(DOUBLING, HALVING),
        columns=(("half", "half by"), ("most", "9 of 10 by")),
        title="months until the chart signals",
        top=float(power["horizon"]),
        hover_text=lambda cell: cell["line"],
    )
    figure = dot_rows(power["rows"], plan, narrow=narrow)
    figure["layout"]["xaxis"]["dtick"] = 12 if narrow else 6
    return figure


def shares_figure(rules: list[Row], *, columns: int) -> Figure:
    """Small multiples: one panel a rule, one row a base, own share and shrunk share.

    The dashed line is all bases together. Each panel has its own axis, since rules differ.
    """
    columns = min(columns, len(rules))
    bases = sorted({b["base"] for r in rules for b in r["bases"]})
    grid = Grid(len(rules), columns, ROW_HEIGHT * len(bases), PANEL_HEAD)
    figure = grid.figure({"l": 8, "r": 14, "t": 30, "b": 40})
    traces: list[Figure] = []
    longest = min(BASE_CHARS, max(len(b) for b in bases))
    left = (0.03 + 0.026 * longest) if columns == 1 else (0.03 + 0.014 * longest)
    for index, rule in enumerate(rules):
        place = grid.place(index)
        top = _share_top(rule)
        traces += _share_traces(rule, bases, place["n"], top)
        figure.update(_share_axes(bases, place, left, top))
        severity = f", {chart_text(rule['severity'])}" if rule["severity"] else ""
        title = f"<b>{chart_text(rule['label'], 30)}</b>{severity}"
        figure["annotations"].append(panel_title(title, place, 6))
        if rule["target"] is not None and rule["target"] <= top:
            figure["shapes"].append(level_line(place["n"], rule["target"], upright=True))
    return {"data": traces, "layout": figure}


def _share_top(rule: Row) -> float:
    enough = rule["enough"] or rule["bases"]
    wanted = [v for b in enough for v in (b["value"], b["shrunk_high"]) if v is not None]
    return min(1.0, nice_ceiling(1.02 * max(wanted, default=0.1)))


def _share_traces(rule: Row, bases: list[str], number: str, top: float) -> list[Figure]:
    at = {base: -i for i, base in enumerate(bases)}
    refs = {"type": "scatter", "mode": "markers", "xaxis": f"x{number}", "yaxis": f"y{number}"}
    found = []
    for own in (True, False):
        key = "value" if own else "shrunk"
        in_figure = [b for b in rule["bases"] if b[key] is not None]
        colors = [palette.MUTED if b["few"] else palette.HISTORY for b in in_figure]
        x = [min(b[key], top) for b in in_figure]
        trace: Figure = {
            **refs,
            "x": x,
            "y": [at[b["base"]] + (0.17 if own else -0.17) for b in in_figure],
            "marker": {
                "size": [0 if b[key] > top else 8 for b in in_figure],
                "color": colors if own else palette.PAPER,
                "opacity": 1,
                "line": {"width": 0 if own else 2, "color": colors},
            },
            "cliponaxis": False,
            "hoverinfo": "text",
            "hovertext": [_hover_text(b) for b in in_figure],
        }
        if not own:
            trace["error_x"] = _arms(in_figure, x, top)
        found.append(trace)
    return found


def _arms(bases: list[Row], at: list[float], top: float) -> Figure:
    pairs = list(zip(bases, at, strict=True))
    return {
        "type": "data",
        "symmetric": False,
        "array": [min(b["shrunk_high"] or x, top) - x for b, x in pairs],
        "arrayminus": [x - min(b["shrunk_low"] or 0.0, x) for b, x in pairs],
        "color": palette.HISTORY,
        "thickness": 1.6,
        "width": 0,
    }


def _hover_text(base: Row) -> str:
    few = "<br>too few to say" if base["few"] else ""
    return (
        f"{chart_text(base['base'], 60)}<br>own {base['value_text']} ({base['made_from']})<br>"
        f"shrunk {base['shrunk_text']} (95{words.NBSP}% {base['shrunk_range']}){few}"
    )


def _share_axes(bases: list[str], place: dict[str, Any], left: float, top: float) -> Figure:
    axis_x = axis(
        domain=[place["x"][0] + left, place["x"][1] - 0.02],
        anchor=f"y{place['n']}",
        tickfont={"size": 11, "color": palette.MUTED},
        ticks="outside",
        **value_axis(top, Unit.SHARE),
    )
    axis_y = axis(
        domain=place["y"],
        anchor=f"x{place['n']}",
        range=[-len(bases) + 0.5, 0.5],
        tickvals=[-i for i in range(len(bases))],
        ticktext=[chart_text(b, BASE_CHARS) for b in bases],
        tickfont={"size": 12, "color": palette.INK},
        showgrid=False,
        showline=True,
        ticks="",
    )
    return {f"xaxis{place['n']}": axis_x, f"yaxis{place['n']}": axis_y}
