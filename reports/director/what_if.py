"""How verdicts would change at another limit, as page data and figure for the Director page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from reports.charts import palette
from reports.charts.chart_parts import Figure, chart_text, nice_ceiling, note
from reports.charts.figure_json import variants
from reports.charts.panels import Grid, axis_title, level_line, panel_axes, panel_title, value_axis
from reports.text import words
from reports.text.plain_rows import Row, text
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

MONTHS = 12
PARAMETER_WORDS = {
    "limit_min": ("limit", "min"),
    "flow_limit_lpm": ("flow limit", "L/min"),
    "transit_limit_min": ("transit limit", "min"),
}
LINES = (
    ("deviation", "variance for review", "circle", "", palette.INK),
    ("borderline", "borderline", "circle-open", "dash", palette.HISTORY),
    ("cannot_tell", "cannot tell", "square-open", "dot", palette.MUTED),
)
WIDTHS = ((0, 1), (480, 2), (680, 3))
PANEL_HEIGHT, PANEL_GAP = 150, 96


@dataclass(frozen=True)
class Tried:
    """A value of a limit, and the verdicts that the trips would have had."""

    value: float
    shown: str
    current: bool
    judged: int
    deviation: int
    borderline: int
    cannot_tell: int
    changed: int
    extra_trips: float | None
    extra_minutes: float | None


@dataclass(frozen=True)
class Limit:
    """A limit of the protocol, as it is and at the other values tried."""

    title: str
    unit: str
    trips: int
    rows: tuple[Tried, ...]
    now: Tried
    sentence: str


@dataclass(frozen=True)
class WhatIf:
    """Every limit that was tried, over which trips; empty where none was."""

    limits: tuple[Limit, ...]
    trips: int
    span: str
    said: str


def what_if_data(review: MonthReview) -> WhatIf:
    """Every limit that was tried, its curve and a sentence."""
    rows = [] if review.what_if is None else review.what_if.records()
    names = list(dict.fromkeys(text(r["setting"]) for r in rows))
    found = [_limit(name, [r for r in rows if text(r["setting"]) == name]) for name in names]
    limits = tuple(limit for limit in found if limit is not None)
    months = [m for m in review.months if m <= review.month][-MONTHS:]
    said = f"{words.many(len(limits), 'limit')} tried" if limits else "nothing to try"
    return WhatIf(limits, max((n.trips for n in limits), default=0), _span(months), said)


def _span(months: list[str]) -> str:
    if not months:
        return ""
    first, last = words.month_name(months[0]), words.month_name(months[-1])
    return first if first == last else f"{first} to {last}"


def _limit(setting: str, rows: list[Row]) -> Limit | None:
    rule, _, parameter = setting.partition(".")
    name, unit = PARAMETER_WORDS.get(parameter, (words.plain(parameter), ""))
    found = tuple(sorted((_tried(r) for r in rows), key=lambda r: r.value))
    current = next((r for r in found if r.current), None)
    if current is None:
        return None
    title = words.rule_title(rule)
    title = title if name == "limit" else f"{title}, {name}"
    sentence = _sentence(title, unit, found, current)
    return Limit(title, unit, int(rows[0]["trips"]), found, current, sentence)


def _tried(row: Row) -> Tried:
    value = float(text(row["value"]))
    return Tried(
        value, f"{value:g}", bool(row["current"]),
        sum(int(row[k]) for k in ("met", "authorised", "borderline", "deviation")),
        int(row["deviation"]), int(row["borderline"]), int(row["cannot_tell"]),
        int(row["changed"]), words.some(row["extra_ventilator_trips"]),
        words.some(row["extra_ventilator_minutes"]),
    )  # fmt: skip


def _sentence(title: str, unit: str, rows: tuple[Tried, ...], now: Tried) -> str:
    """The limit as it is, and the nearest lower and higher one that changes a verdict."""
    sentence = (
        f"{title}, now {now.shown}{words.NBSP}{unit}:"
        f" {words.many(now.deviation, 'variance')} of {now.judged:,} trips judged"
    )
    lower = [r for r in rows if r.value < now.value and r.changed][-1:]
    higher = [r for r in rows if r.value > now.value and r.changed][:1]
    parts = [_other(r, now, unit) for r in (*lower, *higher)]
    if not parts:
        span = f"{rows[0].shown} to {rows[-1].shown}{words.NBSP}{unit}"
        return f"{sentence}; no verdict changes anywhere from {span}."
    return f"{sentence}; {'; '.join(parts)}."


def _other(row: Tried, now: Tried, unit: str) -> str:
    change = row.deviation - now.deviation
    more = f"{abs(change)} {'more' if change > 0 else 'fewer'}" if change else "as many"
    sentence = f"at {row.shown}{words.NBSP}{unit} it would be {row.deviation} ({more}"
    if row.extra_trips:
        asked = "asking for" if row.extra_trips > 0 else "sparing"
        trips = words.many(abs(int(row.extra_trips)), "ventilator trip")
        sentence += f", {asked} {trips} and {abs(row.extra_minutes or 0):,.0f}{words.NBSP}min"
    return f"{sentence})"


def what_if_figures(data: WhatIf) -> dict[str, list[Figure]]:
    """The one figure of the section, in layouts for wider screens; none without limits."""
    limits = data.limits
    if not limits:
        return {}
    return {"what-if": variants(lambda n: what_if_figure(limits, columns=n), WIDTHS)}


def what_if_figure(limits: Sequence[Limit], *, columns: int) -> Figure:
    """Small multiples, one a limit: trips with each verdict over the limit's values.

    The vertical line is the limit as it is. Each panel has its own axes, since limits differ.
    """
    columns = min(columns, len(limits))
    grid = Grid(len(limits), columns, PANEL_HEIGHT, PANEL_GAP, 0.09)
    figure = grid.figure({"l": 52, "r": 14, "t": 34, "b": 50})
    traces: list[Figure] = []
    for index, limit in enumerate(limits):
        place = grid.place(index)
        traces += _traces(limit, place["n"])
        figure.update(_axes(limit, place))
        figure["annotations"] += _notes(limit, place)
        figure["shapes"].append(level_line(place["n"], limit.now.value, upright=True))
    return {"data": traces, "layout": figure}


def _traces(limit: Limit, number: str) -> list[Figure]:
    rows = limit.rows
    return [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "xaxis": f"x{number}",
            "yaxis": f"y{number}",
            "x": [r.value for r in rows],
            "y": [getattr(r, key) for r in rows],
            "line": {"width": 1.4, "color": color, **({"dash": dash} if dash else {})},
            "marker": {"symbol": symbol, "size": 7, "color": color, "opacity": 1},
            "cliponaxis": False,
            "hoverinfo": "text",
            "hovertext": [
                f"{chart_text(limit.title)} {r.shown} {limit.unit}<br>"
                f"{getattr(r, key)} {name} of {r.judged:,} trips judged"
                for r in rows
            ],
        }
        for key, name, symbol, dash, color in LINES
    ]


def _axes(limit: Limit, place: dict[str, Any]) -> Figure:
    rows = limit.rows
    top = nice_ceiling(1.1 * max(4, *(getattr(r, key) for r in rows for key, *_ in LINES)))
    spare = 0.05 * (rows[-1].value - rows[0].value or 1.0)
    ticks = [rows[0], limit.now, rows[-1]]
    x = {
        "range": [rows[0].value - spare, rows[-1].value + spare],
        "tickvals": [r.value for r in ticks],
        "ticktext": [r.shown for r in ticks],
        "title": axis_title(f"limit ({limit.unit})", 4),
    }
    return panel_axes(place, x, {**value_axis(top), "title": axis_title("trips", 4)})


def _notes(limit: Limit, place: dict[str, Any]) -> list[Figure]:
    refs = (f"x{place['n']}", f"y{place['n']} domain")
    beside: Figure = {"xanchor": "left", "xshift": 3, "yanchor": "top", "bgcolor": palette.PAPER}
    now = note(f"now {limit.now.shown}", (limit.now.value, 1), refs, palette.INK, **beside)
    return [panel_title(f"<b>{chart_text(limit.title, 34)}</b>", place, 5), now]
