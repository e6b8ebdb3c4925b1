"""Where wall-oxygen minutes went, and transit against its plan: records and drawings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import nice_ceiling
from reports.charts.drawing import NARROW, TICK, Scale, both, line, note, picture, tick
from reports.charts.drawn_spread import SpreadRow, spread_rows
from reports.text import words
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.trip_outputs import PLACES

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures

WIDTH = 540
LEAST_BAR = 5
"""With fewer trips there is no bar, only their number; design rule of the pages."""
BASE_ROW, BAR = 32, 10


@dataclass(frozen=True)
class WallMinutes:
    """A base's mean minutes by place: of all its trips with any, and of those past the limit."""

    base: str
    trips: int
    minutes: tuple[float, ...]
    past_trips: int
    past_minutes: tuple[float, ...]


@dataclass(frozen=True)
class TransitRow:
    """A base's actual minus planned transit, min; `ends`: 5, 25, 50, 75 and 95 % of trips."""

    base: str
    trips: int
    ends: tuple[float, float, float, float, float]
    planned_within: int
    ran_past: int
    wall_added: float


@dataclass(frozen=True)
class PlacesData:
    """Both pictures with their findings; empty where nothing is known."""

    wall: tuple[WallMinutes, ...]
    limit: float | None
    wall_finding: str
    wall_picture: Markup | str
    transit: tuple[TransitRow, ...]
    transit_finding: str
    transit_picture: Markup | str


def places_data(figures: MeasureFigures) -> PlacesData:
    """Minutes on the wall by place, and transit, of each base over the last twelve months."""
    wall, limit = _wall(figures.wall_places.records())
    transit = tuple(_transit(r) for r in figures.transit.records())
    return PlacesData(
        wall, limit, _wall_finding(wall), wall_picture(wall, limit) if wall else "",
        transit, _transit_finding(transit), transit_picture(transit) if transit else "",
    )  # fmt: skip


def _wall(rows: list[Row]) -> tuple[tuple[WallMinutes, ...], float | None]:
    found: dict[str, dict[str, dict[str, Row]]] = {}
    for row in rows:
        own = found.setdefault(text(row["base"]), {"all": {}, "past": {}})
        own[text(row["trips_of"])][text(row["place"])] = row
    bases = tuple(
        WallMinutes(base, *_side(sides["all"]), *_side(sides["past"]))
        for base, sides in sorted(found.items())
    )
    return bases, words.some(rows[0]["limit"]) if rows else None


def _side(rows: dict[str, Row]) -> tuple[int, tuple[float, ...]]:
    trips = max((int(r["trips"]) for r in rows.values()), default=0)
    return trips, tuple(words.some(rows[p]["minutes"]) or 0.0 if p in rows else 0.0 for p in PLACES)


def _wall_finding(wall: Sequence[WallMinutes]) -> str:
    """Where most minutes of the trips past the limit were spent, of bases with a bar."""
    shown = [w for w in wall if w.past_trips >= LEAST_BAR]
    if not shown:
        return "too few trips past the limit to say where" if wall else "no minute on the wall"
    sums = [sum(w.past_trips * w.past_minutes[i] for w in shown) for i in range(3)]
    most = max(range(3), key=lambda i: sums[i])
    where = ("at the bedside", "in transit", "at the receiving hospital")[most]
    return f"past the limit, most were spent {where}"


def _transit(row: Row) -> TransitRow:
    p5, p25, median, p75, p95 = (
        words.some(row[k]) or 0.0 for k in ("p5", "p25", "median", "p75", "p95")
    )
    return TransitRow(
        text(row["base"]), int(row["trips"]), (p5, p25, median, p75, p95),
        int(row["planned_within"]), int(row["ran_past"]), words.some(row["wall_added"]) or 0.0,
    )  # fmt: skip


def _transit_finding(rows: Sequence[TransitRow]) -> str:
    past, of = sum(r.ran_past for r in rows), sum(r.planned_within for r in rows)
    if not of:
        return "none was planned within the limit" if rows else "no plan is recorded"
    added = sum(r.wall_added for r in rows)
    sentence = f"{past:,} of {of:,} planned within the limit ran past it"
    return f"{sentence}, {added:,.0f} min more on the wall" if added else sentence


def wall_picture(wall: Sequence[WallMinutes], limit: float | None) -> Markup:
    """Two bars a base, in three parts by place; under five trips their number alone."""
    most = max(
        (sum(m) for w in wall
         for n, m in ((w.trips, w.minutes), (w.past_trips, w.past_minutes)) if n >= LEAST_BAR),
        default=0.0,
    )  # fmt: skip
    top = nice_ceiling(max(most, 1.1 * (limit or 0.0)))

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else WIDTH
        scale = Scale(0, top, 80, wide - 50)
        bottom = 16 + BASE_ROW * len(wall)
        parts = [_hatch(narrow), note(wide, 11, "trips", end=True, color=palette.MUTED, size=TICK)]
        for value in scale.ticks(few=narrow):
            x = scale.at(value)
            parts.append(line((x, 16), (x, bottom), palette.LINE))
            parts.append(tick(x, bottom + 13, f"{value:g}"))
        parts += [_base(w, scale, wide, 20 + BASE_ROW * i, narrow) for i, w in enumerate(wall)]
        if limit is not None:
            x = scale.at(limit)
            parts.append(line((x, 14), (x, bottom), palette.INK, 1.2, "4 3"))
            parts.append(svg.text(x, 11, f"limit {limit:g}", font_size=TICK, text_anchor="middle"))
        title = "Mean minutes on wall or cylinder oxygen by place and base"
        return picture(*parts, width=wide, height=bottom + 18, title=title, narrow=narrow)

    return both(draw)


def _base(w: WallMinutes, scale: Scale, wide: float, y: float, narrow: bool) -> str:
    parts = [note(0, y + 15, svg.cut(w.base, 74, 12))]
    for k, (trips, minutes, ink) in enumerate(
        ((w.trips, w.minutes, palette.HISTORY), (w.past_trips, w.past_minutes, palette.INK))
    ):
        top = y + k * (BAR + 2)
        parts.append(note(wide, top + BAR - 1, words.whole(trips), end=True, size=TICK,
                          color=palette.MUTED if k == 0 else palette.INK))  # fmt: skip
        if trips < LEAST_BAR:
            few = "none past the limit" if k and not trips else "too few for a bar"
            parts.append(note(scale.start + 3, top + BAR - 1, few, size=TICK, color=palette.MUTED))
            continue
        parts.append(_bar(minutes, scale, top, ink, narrow))
    return "".join(parts)


def _bar(minutes: Sequence[float], scale: Scale, top: float, ink: str, narrow: bool) -> str:
    """Filled at the bedside, hatched in transit, hollow at the receiving hospital."""
    fills = (ink, f"url(#{_hatch_id(narrow)})", palette.PAPER, palette.LINE)
    parts, at = [], 0.0
    for place, value, fill in zip(PLACES, minutes, fills, strict=True):
        if value > 0.05:
            x = scale.at(at)
            said = svg.title(f"{place}: {value:.0f} min")
            parts.append(svg.tag("rect", said, x=x, y=float(top), width=scale.at(at + value) - x,
                                 height=BAR, fill=fill, stroke=ink, stroke_width=0.8))  # fmt: skip
        at += value
    return "".join(parts)


def _hatch_id(narrow: bool) -> str:
    return f"wall-{'narrow' if narrow else 'wide'}-unknown"


def _hatch(narrow: bool) -> str:
    return svg.patterns(_hatch_id(narrow).removesuffix("-unknown"))


def transit_picture(rows: Sequence[TransitRow]) -> Markup:
    """A row a base: median, the middle half, and nine in ten; late is to the right."""
    title = "Actual minus planned transit by base, minutes"
    shown = [SpreadRow(r.base, r.ends, words.whole(r.trips)) for r in rows]
    return spread_rows(shown, title, head="trips", width=WIDTH, zero="as planned")
