"""A trip as one picture on one time axis, as SVG; no script and no data access."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.case.picture_records import TripPicture
from reports.case.trip_axis import Frame, axis, gridlines, nice_top
from reports.case.trip_lanes import Lane, band_lane, points_lane, steps_lane
from reports.case.trip_marks import (
    behaviour_lane,
    contact_lane,
    finding_boxes,
    finding_rows,
    milestone_rows,
    occlusion_lane,
    reason_lane,
)
from reports.charts import palette, svg
from reports.charts.chart_parts import FONT

if TYPE_CHECKING:
    from markupsafe import Markup


def trip_picture(
    data: TripPicture, heading: str, described: str, *, narrow: bool, name: str = ""
) -> Markup:
    """The picture of one trip, from `picture_data`; `heading` and `described` say it in words.

    `name` begins its ids, so that a page may hold several.
    """
    from markupsafe import Markup

    size = "narrow" if narrow else "wide"
    low, high = data.domain
    frame = Frame(low, high, narrow, name or size)
    parts, height = _parts(frame, data)
    titled = [
        svg.tag("title", svg.escaped(heading), id=f"{frame.name}-title"),
        svg.tag("desc", svg.escaped(described), id=f"{frame.name}-desc"),
    ]
    picture = svg.tag(
        "svg", *titled, *parts, xmlns="http://www.w3.org/2000/svg", role="img",
        class_=f"trip {size}", viewBox=f"0 0 {frame.width} {height:.0f}", width=frame.width,
        height=f"{height:.0f}", aria_labelledby=f"{frame.name}-title",
        aria_describedby=f"{frame.name}-desc", font_family=FONT, font_size=frame.size,
        fill=palette.INK,
    )  # fmt: skip
    return Markup(picture)


def _parts(frame: Frame, data: TripPicture) -> tuple[list[str], float]:
    """What is drawn, from the back to the front, and how high it is."""
    support, others = _lanes(frame, data)
    lanes = [*support, *others]
    support_height = sum(lane.height for lane in support)
    below = sum(lane.height for lane in lanes) + 4
    milestones = milestone_rows(frame, data.milestones, below)
    findings = finding_rows(frame, data.findings, milestones.height + below)
    top = findings.height + milestones.height
    bottom = top + below
    boxes, numbers = finding_boxes(frame, data.findings, top, bottom)
    parts = [
        svg.patterns(frame.name),
        gridlines(frame, top, bottom),
        _uncounted(frame, data, top, support_height),
        _stacked([(lane.marks, lane.height) for lane in lanes], top),
        svg.moved(milestones.marks, findings.height),
        findings.marks,
        boxes,
        _stacked([(lane.words, lane.height) for lane in lanes], top),
        svg.moved(milestones.words, findings.height),
        findings.words,
        numbers,
        axis(frame, bottom),
    ]
    return parts, bottom + 40


def _lanes(frame: Frame, data: TripPicture) -> tuple[list[Lane], list[Lane]]:
    """The lanes of support, and those of the child and of what was done."""
    notes = data.notes
    spo2 = [p.value for p in data.spo2]
    rates = [p.value for p in data.resp_rate]
    spo2_low = min(80.0, 10 * (min(spo2, default=100) // 10))
    rate_top = nice_top(max(rates, default=30) + 10)
    support = [band_lane(frame, band, data.resolution_s) for band in data.bands]
    support += reason_lane(frame, data.reasons)
    support.append(steps_lane(frame, "Flow", "L/min", data.flow, data.ranges))
    support.append(steps_lane(frame, "FiO2", "fraction", data.fio2, []))
    note = notes.observations
    others = [
        points_lane(frame, ("SpO2", "%"), data.spo2, (spo2_low, 100.0), note),
        points_lane(frame, ("Resp. rate", "per min"), data.resp_rate, (0.0, rate_top), note),
        behaviour_lane(frame, data.behaviour, note),
        occlusion_lane(frame, data.occlusions, notes),
        contact_lane(frame, data.contacts, notes),
    ]
    return support, others


def _stacked(layers: list[tuple[str, float]], top: float) -> str:
    parts, y = [], top
    for body, height in layers:
        parts.append(svg.moved(body, y))
        y += height
    return "".join(parts)


def _uncounted(frame: Frame, data: TripPicture, top: float, height: float) -> str:
    """Support that no rule counts: before the first setting, and after the end of the window."""
    start, end, until = data.start_s, data.end_s, data.handover_s
    stretches: list[tuple[float, float, str, str]] = []
    if start is None:
        stretches.append((0, frame.high_s, data.no_setting, "unknown"))
    elif start > 0:
        stretches.append((0, start, data.before, "uncounted"))
    if start is not None and end is not None and data.open_end:
        stretches.append((max(end, start), frame.high_s, data.after, "unknown"))
    elif start is not None and end is not None and until is not None and end < until:
        stretches.append((max(end, 0), until, data.after, "uncounted"))
    blocks = (_stretch(frame, stretch, height - 2) for stretch in stretches)
    return svg.moved("".join(blocks), top + 2)


def _stretch(frame: Frame, stretch: tuple[float, float, str, str], height: float) -> str:
    """A hatched or dotted stretch over the lanes of support, its words inside if they fit."""
    from_s, until_s, title, look = stretch
    x, width = frame.span(from_s, until_s)
    fill = f"url(#{frame.name}-{look})"
    rect = svg.tag("rect", svg.title(title), x=x, y=0, width=width, height=height, fill=fill)
    brief = "not counted" if look == "uncounted" else "not known"
    label = svg.fitting([title, brief], width - 10, frame.size)
    return rect + (svg.label(x + 5, frame.head + 13, label, thick=5) if label else "")
