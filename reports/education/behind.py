"""What stands behind Education's first screen: trips, flow and weight, and months needed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.charts import palette, svg
from reports.charts.chart_parts import nice_ceiling
from reports.charts.drawing import NARROW, TICK, Scale, arrow, both, line, note, picture, tick
from reports.charts.drawn_spread import SpreadRow, spread_rows
from reports.text import words
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.units import severity_rank

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

WIDTH, HALF = 690, 540
APART_MOST = 4
STRIP = 44
SHARE = "deviation-share"


@dataclass(frozen=True)
class Measured:
    """A trip with what was measured of it."""

    trip: str
    month: str
    value: float
    variance: bool


@dataclass(frozen=True)
class ApartTrips:
    """The trips behind a rule at a base that stands apart, with its limit."""

    rule: str
    base: str
    unit: str
    limit: float | None
    trips: tuple[Measured, ...]
    picture: Markup | str


def apart_data(review: MonthReview, figures: MeasureFigures) -> tuple[ApartTrips, ...]:
    """Each rule and base that may be named, where the rule measures something."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in figures.apart_trips.records():
        if words.some(row["observed"]) is not None and words.some(row["limit"]) is not None:
            groups.setdefault((text(row["rule"]), text(row["base"])), []).append(row)
    rank = {f.rule: severity_rank(f.severity) for f in review.rules}
    chosen = sorted(groups, key=lambda key: (rank.get(key[0], 9), key))
    return tuple(_apart(key, groups[key], review.month) for key in chosen[:APART_MOST])


def _apart(key: tuple[str, str], rows: list[Row], month: str) -> ApartTrips:
    trips = tuple(
        Measured(text(r["trip_id"]), text(r["trip_month"]), float(r["observed"]),
                 bool(r["variance"]))
        for r in rows
    )  # fmt: skip
    limit, unit = words.some(rows[-1]["limit"]), text(rows[-1]["unit"])
    return ApartTrips(
        words.rule_title(key[0]), key[1], unit, limit, trips, _strip(trips, limit, unit, month)
    )


def _strip(trips: Sequence[Measured], limit: float | None, unit: str, month: str) -> Markup:
    """A mark a trip at what was measured: filled past the limit, a diamond of the month."""
    top = nice_ceiling(max([1.0, limit or 0.0, *(t.value for t in trips)]))

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else WIDTH
        scale = Scale(0, top, 8, wide - 12)
        parts = [line((scale.start, 24), (scale.end, 24), palette.LINE)]
        for value in scale.ticks(few=narrow):
            x = scale.at(value)
            parts.append(line((x, 14), (x, 30), palette.LINE))
            parts.append(tick(x, STRIP - 2, f"{value:g}"))
        if limit is not None:
            x = scale.at(limit)
            parts.append(line((x, 12), (x, 34), palette.INK, 1.2, "4 3"))
            parts.append(svg.text(x, 10, f"limit {limit:g} {unit}", font_size=TICK,
                                  text_anchor="middle"))  # fmt: skip
        for trip in sorted(trips, key=lambda t: t.variance):
            parts.append(_trip(trip, scale.at(trip.value), month, unit))
        said = f"{sum(t.variance for t in trips)} of {len(trips)} trips past the limit"
        return picture(*parts, width=wide, height=STRIP, title=said, narrow=narrow)

    return both(draw)


def _trip(trip: Measured, x: float, month: str, unit: str) -> str:
    said = svg.title(f"{words.month_name(trip.month)}: {trip.value:g} {unit}")
    if not trip.variance:
        return svg.tag("path", said, d=f"M{x:.1f} 20v8", stroke=palette.SERVICE)
    if trip.month == month:
        return svg.tag("path", said, d=f"M{x:.1f} 18.4l5.6 5.6l-5.6 5.6l-5.6-5.6z",
                       fill=palette.NOW)  # fmt: skip
    return svg.tag("circle", said, cx=x, cy=24, r=4.2, fill=palette.INK, stroke=palette.PAPER)


@dataclass(frozen=True)
class Use:
    """A cannula's flow or weight on the trips it was longest on, beside its own range."""

    label: str
    trips: int
    outside: int
    low: float | None
    high: float | None
    ends: tuple[float, float, float, float, float]


def use_data(review: MonthReview, figures: MeasureFigures) -> dict[str, tuple[Use, ...]]:
    """Of `flow` and `weight`, each size in catalogue order."""
    sizes = review.cannulas.records()
    order = {text(c["id"]): i for i, c in enumerate(sizes)}
    labels = {text(c["id"]): text(c["label"]) for c in sizes}
    found: dict[str, list[tuple[int, Use]]] = {"flow": [], "weight": []}
    for row in figures.cannula_use.records():
        key = text(row["cannula"])
        p5, p25, median, p75, p95 = (float(row[k]) for k in ("p5", "p25", "median", "p75", "p95"))
        use = Use(
            labels.get(key) or key, int(row["trips"]), int(row["outside"]),
            words.some(row["low"]), words.some(row["high"]), (p5, p25, median, p75, p95),
        )  # fmt: skip
        found[text(row["quantity"])].append((order.get(key, 99), use))
    return {q: tuple(u for _, u in sorted(rows, key=lambda r: r[0])) for q, rows in found.items()}


def use_picture(rows: Sequence[Use], unit: str) -> Markup:
    """A row a size: its range as a band, median, middle half and nine in ten of its trips."""
    shown = [
        SpreadRow(
            u.label, u.ends, f"{u.outside}/{u.trips}", band=(u.low, u.high), bold=u.outside > 0
        )
        for u in rows
    ]
    return spread_rows(shown, f"Each cannula's {unit} beside its range", head="outside", width=HALF)


@dataclass(frozen=True)
class Needed:
    """Months until half of the simulated runs signal, and until nine in ten; None: later."""

    label: str
    high: bool
    half: float | None
    most: float | None
    doubling: float | None


def needed_data(review: MonthReview, figures: MeasureFigures) -> tuple[tuple[Needed, ...], int]:
    """A halving of each rule's share, the soonest first; and how far the simulation looked."""
    severity = {f.rule: f.severity for f in review.rules}
    frame = figures.power
    rows = frame.rows((frame["measure"] == SHARE) & (frame["group_by"] == "rule")).records()
    horizon = max((int(r["horizon"]) for r in rows), default=0)
    found = [
        Needed(
            words.rule_title(rule), severity.get(rule) == "high",
            words.some(r["halving_months"]), words.some(r["halving_months_90"]),
            words.some(r["doubling_months"]),
        )
        for r in rows
        if (rule := text(r["group_value"]))
    ]  # fmt: skip
    later = float(horizon + 1)
    found.sort(key=lambda n: (n.half or later, n.most or later, n.label))
    return tuple(found), horizon


def needed_picture(rows: Sequence[Needed], horizon: int) -> Markup:
    """A row a rule: filled where half of the runs signal by, hollow where nine in ten do."""

    def draw(narrow: bool) -> Markup:
        wide = NARROW if narrow else HALF
        scale = Scale(0, float(horizon or 12), 176, wide - 14)
        bottom = 6 + 22 * len(rows)
        parts = []
        for value in range(0, horizon + 1, 12):
            x = scale.at(value)
            parts.append(line((x, 2), (x, bottom), palette.LINE))
            parts.append(tick(x, bottom + 13, f"{value}"))
        for i, row in enumerate(rows):
            parts.append(_needed(row, scale, 6 + 22 * i + 11))
        title = "Months until a halving is noticed, rule by rule"
        return picture(*parts, width=wide, height=bottom + 18, title=title, narrow=narrow)

    return both(draw)


def _needed(row: Needed, scale: Scale, y: float) -> str:
    parts = [note(0, y + 4, svg.cut(row.label, 172, 12), bold=row.high)]
    start = scale.end if row.half is None else scale.at(row.half)
    end = scale.end if row.most is None else scale.at(row.most)
    parts.append(line((start, y), (end, y), palette.HISTORY, 1.2))
    if row.most is None:
        parts.append(arrow(end, y, palette.HISTORY))
    else:
        parts.append(svg.tag("circle", cx=end, cy=y, r=4, fill=palette.PAPER, stroke=palette.INK,
                             stroke_width=1.5))  # fmt: skip
    if row.half is not None:
        parts.append(svg.tag("circle", cx=start, cy=y, r=4, fill=palette.INK))
    return "".join(parts)
