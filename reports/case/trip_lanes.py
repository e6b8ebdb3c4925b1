"""The lanes of a trip's picture: bands, steps and points. SVG out of plain data."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import NamedTuple

from reports.case.picture_records import Band, Charted, FlowRange, Observed, Step, Steps
from reports.case.trip_axis import LINE, Frame, Shelves, clamped, minutes_text, nice_top
from reports.charts import palette, svg

POINTS_TITLED = 400
"""With more points than this they are drawn as one shape, without a text each."""

BLOCK = '<rect x="%.1f" y="0" width="%.1f" height="%d" fill="%s"><title>%s</title></rect>'
BAND = BLOCK.replace("<rect", f'<rect stroke="{palette.PAPER}"')
RANGE = (
    '<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f"'
    f' fill="{palette.BAND_FILLS["pale"]}"><title>%s</title></rect>'
)
SENDING = (
    f'<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="{palette.MUTED}" stroke-width="1.6"'
    ' stroke-dasharray="3 2"><title>%s</title></line>'
)
CHARTED = '<circle cx="%.1f" cy="%.1f" r="2.6"><title>%s</title></circle>'
OBSERVED = '<circle cx="%.1f" cy="%.1f" r="2.4"><title>%s</title></circle>'
SCALE_WORD = '<text x="%.1f" y="%.1f">%g</text>'

Scale = Callable[[float], float]


class Lane(NamedTuple):
    """A drawn lane from y = 0 downwards, its name included: marks, words over them, height in px.

    Words are apart so that the lines that run through all lanes do not strike them out.
    """

    marks: str
    words: str
    height: float


def named(
    frame: Frame, label: str, unit: str, marks_and_labels: tuple[str, str], height: float
) -> Lane:
    """A lane of marks and words with its name: beside it, or above it in a narrow picture."""
    marks, labels = (svg.moved(part, frame.head) for part in marks_and_labels)
    name = _name(label, unit, None if frame.narrow else frame.head)
    return Lane(marks, name + labels, frame.head + height)


@cache
def _name(label: str, unit: str, beside: int | None) -> str:
    """A lane's name and unit, `beside` the lane that begins so far down, or above it."""
    if beside is None:
        return svg.label(0, 14, f"{label}, {unit}" if unit else label, font_weight=600)
    name = svg.label(0, beside + 12, label, font_weight=600)
    return name + (svg.label(0, beside + 26, unit, fill=palette.MUTED) if unit else "")


def unknown(frame: Frame, from_s: float, until_s: float, height: float, title: str) -> str:
    """A hatched stretch."""
    fill = f"url(#{frame.name}-unknown)"
    return svg.one(BLOCK, *frame.span(from_s, until_s), height, fill, svg.escaped(title))


def empty_lane(frame: Frame, name: str, unit: str, sentence: str, *, known: bool) -> Lane:
    """A lane without a mark, with the reason in words; hatched where it is not known."""
    sentence = svg.cut(sentence, frame.right - frame.left - 12, frame.size)
    label = svg.label(frame.left + 6, 16, sentence, fill=palette.MUTED, thick=5)
    hatch = "" if known else unknown(frame, frame.low_s, frame.high_s, 24, sentence)
    return named(frame, name, unit, (hatch, label), 24)


def band_lane(frame: Frame, band: Band, resolution_s: float) -> Lane:
    """Stretches of one value as a labelled band."""
    height = 22
    marks, labels = [], []
    for segment in band.segments:
        ends = minutes_text(segment.from_s, segment.until_s, resolution_s)
        title = f"{band.label}: {segment.text}, {ends}"
        x, width = frame.span(segment.from_s, segment.until_s)
        if segment.known:
            block = (x, width, height, palette.BAND_FILLS[segment.fill], svg.escaped(title))
            marks.append(svg.one(BAND, *block))
        else:
            marks.append(unknown(frame, segment.from_s, segment.until_s, height, title))
        label = svg.fitting([segment.text, *segment.short], width - 6, frame.size)
        if label and segment.known:
            ink = palette.BAND_TEXT[segment.fill]
            labels.append(svg.text(x + 5, 15.5, label, fill=ink, pointer_events="none"))
        elif label:
            labels.append(svg.label(x + 5, 15.5, label, thick=5))
    return named(frame, band.label, "", ("".join(marks), "".join(labels)), height)


def steps_lane(frame: Frame, label: str, unit: str, steps: Steps, ranges: list[FlowRange]) -> Lane:
    """What is known as steps, charted values as dots on them, unknown stretches hatched."""
    height = 52
    top = _top(steps, ranges, fraction=label == "FiO2")
    y = rising(0, top, height - 3, 11)
    marks = [_range(frame, r, y) for r in ranges]
    marks += [
        unknown(frame, s.from_s, s.until_s, height, f"{label} not known")
        for s in steps.segments
        if s.value is None
    ]
    values = (0, top / 2, top) if steps.segments or steps.charted else ()
    marks.append(_scale(frame.left, frame.right, values, y))
    marks.append(_sending(frame, label, steps, y))
    marks.append(_step_path(frame, steps.segments, y))
    marks.append(_charted(frame, label, steps.charted, y))
    labels = scale_words(frame.left, values, y) + _step_words(frame, steps.segments, y)
    return named(frame, label, unit, ("".join(marks), labels), height)


def _top(steps: Steps, ranges: list[FlowRange], *, fraction: bool) -> float:
    if fraction:
        return 1.0
    known = [s.value for s in steps.segments if s.value is not None]
    most = max([*known, *(c.value for c in steps.charted)], default=0.0)
    if steps.sending:
        most = max(most, steps.sending[0])
    within = [r.high for r in ranges if r.high <= 2 * most]
    return nice_top(max([most, *within, 1.0]))


def _range(frame: Frame, stretch: FlowRange, y: Scale) -> str:
    x, width = frame.span(stretch.from_s, stretch.until_s)
    low, high = y(stretch.low), y(stretch.high)
    title = f"Flow range of {stretch.of}: {stretch.low:g} to {stretch.high:g} L/min"
    return svg.one(RANGE, x, high, width, max(low - high, 1.0), svg.escaped(title))


@lru_cache(maxsize=1024)
def rising(low: float, high: float, foot: float, head: float) -> Scale:
    """Where a value stands in a lane, px: `low` at its foot; what lies outside at the end."""

    @lru_cache(maxsize=1024)
    def y(value: float) -> float:
        return foot - (min(max(value, low), high) - low) / (high - low) * (foot - head)

    return y


@lru_cache(maxsize=1024)
def _scale(left: float, right: float, values: tuple[float, ...], y: Scale) -> str:
    lines = svg.each(LINE, ((left, right, y(v), y(v)) for v in values))
    return svg.tag("g", lines, stroke=palette.LINE)


@lru_cache(maxsize=1024)
def scale_words(left: float, values: tuple[float, ...], y: Scale) -> str:
    """The numbers of a lane's own scale, left of it."""
    numbers = svg.each(SCALE_WORD, ((left - 5, y(v) + 4, v) for v in values))
    return svg.tag("g", numbers, text_anchor="end", fill=palette.MUTED, font_size=10.5)


def _sending(frame: Frame, label: str, steps: Steps, y: Scale) -> str:
    """What the sending hospital ran, up to the first setting: dashed, for no rule counts it."""
    if not steps.sending:
        return ""
    value, until_s = steps.sending
    title = svg.escaped(f"{label} {value:g}, as the sending hospital ran it")
    x, width = frame.span(0, until_s)
    return svg.one(SENDING, x, x + width, y(value), y(value), title)


def _step_path(frame: Frame, segments: list[Step], y: Scale) -> str:
    path, joined = [], False
    for s in segments:
        if s.value is None:
            joined = False
            continue
        start, end, at = frame.x(s.from_s), frame.x(s.until_s), y(s.value)
        path.append(f"{'L' if joined else 'M'}{start:.1f} {at:.1f}H{end:.1f}")
        joined = True
    look = f'fill="none" stroke="{palette.HISTORY}" stroke-width="2"'
    return f'<path d="{"".join(path)}" {look}/>' if path else ""


def _step_words(frame: Frame, segments: list[Step], y: Scale) -> str:
    shelf = Shelves(1, gap=3)
    labels = []
    for s in segments:
        if s.value is None:
            continue
        x, width = frame.x(s.from_s) + 2, svg.text_width(s.text, frame.size)
        if x + width <= frame.right and shelf.place(x, x + width) is not None:
            labels.append(svg.label(x, y(s.value) - 5, s.text))
    return "".join(labels)


def _charted(frame: Frame, label: str, charted: list[Charted], y: Scale) -> str:
    dots = svg.each(
        CHARTED,
        (
            (frame.x(c.at_s), y(c.value), svg.escaped(f"{label} {c.text}, charted"))
            for c in charted[:POINTS_TITLED]
            if frame.holds(c.at_s)
        ),
    )
    return svg.tag("g", dots, fill=palette.HISTORY) if dots else ""


def points_lane(
    frame: Frame,
    name: tuple[str, str],
    points: list[Observed],
    bounds: tuple[float, float],
    note: str,
) -> Lane:
    """Observed values as points, the one that matters most with its number."""
    height, (label, unit), (low, high) = 50, name, bounds
    if not points:
        return empty_lane(frame, label, unit, note, known=False)
    shown = [p for p in points if frame.holds(p.at_s)]
    values, y = (low, (low + high) / 2, high), rising(low, high, height - 5, 9)
    dots = _dense(frame, shown, y) if len(shown) > POINTS_TITLED else _dots(frame, shown, y)
    labels = scale_words(frame.left, values, y)
    if shown:
        chosen = (min if label == "SpO2" else max)(shown, key=lambda p: p.value)
        width = svg.text_width(chosen.text, frame.size)
        below = label == "SpO2" and y(chosen.value) < height - 18
        at = max(10.0, y(chosen.value) + (15 if below else -6))
        x = clamped(frame.x(chosen.at_s), width, frame)
        labels += svg.label(x, at, chosen.text, font_weight=600)
    return named(
        frame, label, unit, (_scale(frame.left, frame.right, values, y) + dots, labels), height
    )


def _dots(frame: Frame, points: list[Observed], y: Scale) -> str:
    dots = ((frame.x(p.at_s), y(p.value), svg.escaped(p.title)) for p in points)
    return svg.tag("g", svg.each(OBSERVED, dots), fill=palette.INK)


def _dense(frame: Frame, points: list[Observed], y: Scale) -> str:
    path = "".join(f"M{frame.x(p.at_s):.1f} {y(p.value):.1f}h0" for p in points)
    look = {"stroke": palette.INK, "stroke_width": 3, "stroke_linecap": "round", "fill": "none"}
    return svg.tag("path", d=path, **look)
