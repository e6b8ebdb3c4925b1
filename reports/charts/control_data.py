"""Control charts as page data: one row a series, its points, and what may be said of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.control_records import Change, ChartRow, Point, Run, Series
from reports.text import words
from reports.text.plain_rows import Row, chart_key, grouped, text
from reports.text.sentences import missing_trips
from schemas.units import Unit

if TYPE_CHECKING:
    from schemas.measure_outputs import MeasureFacts
    from schemas.month_review import MeasureFigures, MonthReview

POINTS_MOST = 36
ENOUGH_SHARE = 0.5
SIGNALS_NAMED = 3


class ChartTable:
    """The charts of a review, found by measure and group."""

    def __init__(self, review: MonthReview, figures: MeasureFigures) -> None:
        self.month = review.month
        self.missing = missing_trips(review)
        self.facts = {f.id: f for f in figures.facts}
        self.labels = {text(c["id"]): text(c["label"]) for c in review.cannulas.records()}
        self.versions = {p.from_month: p.id for p in review.protocol}
        self.points = grouped(figures.charts.records(), chart_key)
        self.runs = {chart_key(row): _run(row) for row in figures.runs.records()}

    def series(self, measure: str, group_by: str, value: str = "all") -> Series | None:
        """One series; None where the frames have none."""
        rows = self.points.get((measure, group_by, value))
        if not rows:
            return None
        facts, kind = self.facts[measure], text(rows[0]["chart"])
        rows.sort(key=lambda r: int(r["point"]))
        points = [_point(r, self.month, kind, facts.better) for r in rows]
        label, drawn, last = self._label(group_by, value, facts), points[-POINTS_MOST:], points[-1]
        return Series(
            key=value,
            label=label,
            inline=_inline(label, group_by),
            kind=kind,
            unit=facts.unit,
            minimum=facts.minimum,
            least=facts.least,
            points=drawn,
            now=_now(points),
            thin=_thin(points, facts),
            baseline=sum(p.baseline and p.phase == last.phase for p in points),
            changes=self._changes(drawn),
            run=self.runs.get((measure, group_by, value)),
            missing=self.missing,
        )

    def every(self, measure: str, group_by: str) -> list[Series]:
        """Every series of a measure and grouping, by the group's token."""
        keys = sorted(k for k in self.points if k[:2] == (measure, group_by))
        return [s for k in keys if (s := self.series(*k)) is not None]

    def _label(self, group_by: str, value: str, facts: MeasureFacts) -> str:
        if group_by == "rule":
            return words.rule_title(value)
        if group_by == "cannula":
            return self.labels.get(value) or value
        if group_by == "service":
            return facts.name
        return value

    def _changes(self, points: list[Point]) -> list[Change]:
        """Where a phase begins: position among the points drawn, and its words."""
        found = []
        for at in range(1, len(points)):
            if points[at].phase != points[at - 1].phase:
                version = self.versions.get(points[at].month)
                name = f"protocol {version}" if version else "new protocol version"
                found.append(Change(at, name))
        return found


def _point(row: Row, month: str, kind: str, better: str) -> Point:
    signal = plain_signal(text(row["signal"]))
    return Point(
        numerator=words.some(row["numerator"]),
        denominator=words.some(row["denominator"]),
        value=words.some(row["value"]),
        centre=words.some(row["centre"]),
        lower=words.some(row["lower"]),
        upper=words.some(row["upper"]),
        sigma_z=words.some(row["sigma_z"]) or 1.0,
        month=text(row["month"]),
        name=words.month_name(text(row["month"])),
        order=int(row["point"]),
        phase=int(row["phase"]),
        baseline=bool(row["baseline"]),
        provisional=bool(row["provisional"]),
        reason=text(row["reason"]),
        incomplete=bool(row["incomplete"]),
        signal=signal,
        side=_better_side(signal, kind, better),
        now=text(row["month"]) == month,
    )


def _run(row: Row) -> Run:
    return Run(
        longest=int(row["longest_run"]),
        longest_limit=int(row["longest_run_limit"]),
        crossings=int(row["crossings"]),
        crossings_limit=int(row["crossings_limit"]),
        signal=bool(row["signal"]),
        words=_lowered(text(row["words"])),
    )


def _now(points: list[Point]) -> Point | None:
    """The month's point; of several gaps that ended in it the last with a signal, or the last."""
    own = [p for p in points if p.now]
    return next((p for p in reversed(own) if p.signal), own[-1] if own else None)


def _inline(label: str, group_by: str) -> str:
    """A label for use within a sentence: tokens and sizes stay as the service writes them."""
    if group_by in ("rule", "service"):
        return words.uncapital(label)
    return words.isolated(label)


def _thin(points: list[Point], facts: MeasureFacts) -> bool:
    """Whether too few months reach the measure's minimum for limits to be worth drawing."""
    if facts.chart == "g":
        return len(points) < facts.minimum
    with_enough = sum((p.denominator or 0.0) >= facts.minimum for p in points)
    return bool(with_enough < ENOUGH_SHARE * len(points))


def plain_signal(sentence: str) -> str:
    """A signal's rule as the pages word it: 'above the upper limit'."""
    for side, limit in (("above", "upper"), ("below", "lower")):
        sentence = sentence.replace(
            f"a point {side} the 3-sigma limit", f"{side} the {limit} limit"
        )
    return sentence


def shown(value: float | None, unit: str) -> str:
    """A value in its unit's own way: shares as per cent, all else to about two figures."""
    return words.percent(value) if unit == Unit.SHARE else words.rate(value)


def shown_range(low: float | None, high: float | None, unit: str) -> str:
    """Two values of a unit as a range; open where the upper is missing."""
    if unit == Unit.SHARE:
        return words.percent_range(low, high)
    return words.between(low, high)


def unit_words(unit: str) -> str:
    """The unit after a number; nothing after a per cent sign."""
    return "" if unit == Unit.SHARE else f" {unit}"


def made_from(point: Point, unit: str) -> str:
    """'9 of 120 trips', '9 events in 54 h', or what else a point was made from."""
    top, below = point.numerator, point.denominator
    if below is None:
        return "nothing to make it from"
    if unit == Unit.SHARE:
        return f"{words.whole(top)} of {words.many(int(below), 'trip')}"
    if unit == "minutes":
        return words.many(int(below), "trip")
    if unit == "trips":
        return f"gap {point.order}, ended in {point.name}"
    noun = "event" if unit.startswith("events") else "minute"
    return f"{words.many(round(top or 0), noun)} in {words.hours(below)}{words.NBSP}h"


def few_words(series: Series, point: Point) -> str:
    """'too few to say (4 trips)' where the month is below the measure's minimum, else nothing."""
    below = point.denominator or 0.0
    if below >= series.minimum or series.least == "gaps":
        return ""
    if series.least == "hours":
        return f"too few to say ({words.hours(below)}{words.NBSP}h)"
    return f"too few to say ({words.many(int(below), 'trip')})"


def standing(series: Series) -> tuple[str, str]:
    """How the month under review stands on its chart: a kind, and the words for it.

    Kinds: none, short (trips missing), few, unlimited, unusual, ordinary.
    """
    point = series.now
    if point is None or point.value is None:
        return "none", "no figure this month"
    if point.incomplete or series.missing:
        return "short", "not said while trips of the month are missing"
    few = few_words(series, point)
    if few:
        return "few", few
    if point.signal:
        return "unusual", f"unusual: {point.signal}{point.side}{_but_provisional(point)}"
    if point.upper is None:
        return "unlimited", "not said: there are no limits to hold it against"
    return "ordinary", f"ordinary for this service{_but_provisional(point)}"


def _better_side(signal: str, kind: str, better: str) -> str:
    """Whether a signal lies where the measure should go, in words; empty where it does not."""
    side = {"lower": "below", "higher": "above"}.get(better)
    other = "above" if side == "below" else "below"
    if side is None or side not in signal or other in signal:
        return ""
    gaps = kind == "g"
    return ": a longer stretch without a variance, which is better" if gaps else ", the better side"


def _but_provisional(point: Point) -> str:
    return ", by provisional limits" if point.provisional else ""


def limits_words(point: Point, unit: str) -> str:
    """'limits 0–69.4'; says so where there are none."""
    if point.lower is None and point.upper is None:
        return "no limits"
    return f"limits {shown_range(point.lower, point.upper, unit)}"


def chart_words(series: Series) -> str:
    """Which chart, how its limits were set, and whether they are provisional."""
    sentence = f"{series.kind} chart"
    if series.kind.endswith("'"):
        sentence += f", limits widened {series.last.sigma_z:.2f} times for over-dispersion"
    if not series.last.reason:
        set_by = words.many(series.baseline, "point")
        return f"{sentence}; {set_by} set the limits"
    return f"{sentence}; {_lowered(series.last.reason)}"


def run_words(series: Series) -> str:
    """Longest run and crossings with what would still be ordinary."""
    run = series.run
    if run is None:
        return "no run to look at"
    return (
        f"longest run {run.longest} (ordinary up to {run.longest_limit}),"
        f" {words.many(run.crossings, 'crossing')} (ordinary from {run.crossings_limit}):"
        f" {run.words}"
    )


def _lowered(sentence: str) -> str:
    return words.uncapital(sentence).rstrip(".")


def signals_of(series: Series) -> list[Point]:
    """The points drawn that carry a signal; of an unbroken row with the same words, the last."""
    points = series.points
    return [
        p
        for p, after in zip(points, [*points[1:], None], strict=True)
        if p.signal and not (after and after.signal == p.signal)
    ]


def signal_sentence(series: Series) -> str:
    """Which points of a series signal, latest first; empty where none does."""
    found = signals_of(series)[::-1]
    if not found:
        return ""
    named = [f"{p.name}: {p.signal}{p.side}" for p in found[:SIGNALS_NAMED]]
    more = len(found) - len(named)
    rest = f" and {more} earlier" if more else ""
    return f"{series.inline}, {'; '.join(named)}{rest}"


def panels_finding(panels: list[Series], what: str) -> str:
    """What a set of charts shows, in words: also their text alternative."""
    if not panels:
        return f"No {what} has enough behind it to be charted."
    if len(panels) == 1:
        return _one_finding(panels[0])
    sentences = [s for p in panels if (s := signal_sentence(p))]
    shifts = [f"{p.inline} ({p.run.words})" for p in panels if p.run and p.run.signal]
    ends = [panels[0].points[i].name for i in (0, -1)]
    span = " to ".join(dict.fromkeys(ends))
    charts = words.many(len(panels), "chart")
    first = f"No signal on {charts}, {span}."
    if sentences:
        signals = words.many(sum(len(signals_of(p)) for p in panels), "signal")
        listed = ". ".join(words.capital(s) for s in sentences)
        first = f"{signals} among {charts}, {span}: {listed}."
    if not shifts:
        return first
    return f"{first} Out of the ordinary by run or crossings: {words.listed(shifts)}."


def _one_finding(series: Series) -> str:
    """What a single chart shows: the month against its limits, then the months before."""
    point, unit = series.now, series.unit
    sentence = signal_sentence(series)
    first = series.points[0].name
    before = f"Signals since {first}: {sentence}." if sentence else f"No signal since {first}."
    if point is None or point.value is None:
        none = "No gap ended in the month" if series.kind == "g" else "No figure for the month"
        return f"{none}. {before}"
    return (
        f"{point.name}: {shown(point.value, unit)}{unit_words(unit)}"
        f" ({made_from(point, unit)}; {limits_words(point, unit)}): {standing(series)[1]}. {before}"
    )


def panel_notes(panels: list[Series]) -> list[str]:
    """Provisional limits with their reasons, and the factors that widen limits; each once."""
    found: dict[str, list[str]] = {}
    for panel in panels:
        if panel.last.reason:
            found.setdefault(panel.last.reason, []).append(panel.inline)
    return [f"{words.listed(names)}: {reason}" for reason, names in sorted(found.items())]


def table_rows(panels: list[Series]) -> list[ChartRow]:
    """The table under the charts: one row a series."""
    rows = []
    for panel in panels:
        now, unit = panel.now, panel.unit
        signals = signals_of(panel)[::-1]
        rows.append(
            ChartRow(
                label=panel.label,
                made_from=made_from(now, unit) if now else "",
                value=shown(now.value, unit) if now else words.DASH,
                centre=shown(now.centre, unit) if now else words.DASH,
                limits=_limits_cell(now, unit),
                standing=standing(panel)[1],
                run=run_words(panel),
                chart=chart_words(panel),
                signals="; ".join(f"{p.name}: {p.signal}{p.side}" for p in signals),
            )
        )
    return rows


def _limits_cell(now: Point | None, unit: str) -> str:
    if now is None or (now.lower is None and now.upper is None):
        return "none"
    return shown_range(now.lower, now.upper, unit)
