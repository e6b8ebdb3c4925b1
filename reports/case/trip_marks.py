"""Marks on a trip's picture: behaviour, occlusions, calls, milestones and findings."""

from __future__ import annotations

from reports.case.picture_records import (
    BehaviourRun,
    Contact,
    Finding,
    Milestone,
    Notes,
    Occlusion,
    Stretch,
)  # fmt: skip
from reports.case.trip_axis import LINE, MUTED_LINE, Frame, Shelves, Spaces, clamped, nice_top
from reports.case.trip_lanes import Lane, empty_lane, named, rising, scale_words, unknown
from reports.charts import palette, svg
from reports.text import words

FINDINGS_SHOWN = 8
FINDING_HEIGHT = 27
CLUSTER = 13
"""Marks closer than this (px) are spoken of together."""
AFTER_LINE, AFTER_SIZE, AFTER_WIDTH = 13, 11, 48
AFTER_LINES = 2 * AFTER_LINE + 4
"""Room under an occlusion for what was charted after it, px."""
RING = 7.5
SHORT_WORD = 3
"""Letters of a behaviour whose word has no room."""
Head = tuple[float, float, Occlusion]
"""Where an occlusion's mark stands, px, and the occlusion."""
RUN = (
    '<g stroke="%s"><title>%s</title><line x1="%.1f" x2="%.1f" y1="20" y2="20" stroke-width="%d"/>'
    '<path d="%s" stroke-width="1.3"/></g>'
)
OCCLUSION = (
    f'<g stroke="{palette.INK}"><title>%s</title>{MUTED_LINE}'
    '<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke-width="1.6"/>'
    '<path d="M%.1f %.1fh9l-4.5 8z" fill="%s"/></g>'
)
CALL = '<path d="M%.1f %dl5 5-5 5-5-5z"><title>%s</title></path>'
MOMENT = '<path d="M%.1f %dl5 5-5 5-5-5z" fill="%s"><title>%s</title></path>'
BAR = (
    '<rect x="%.1f" y="%.1f" width="%.1f" height="6" fill="%s" stroke="%s" stroke-width="0.8">'
    "<title>%s</title></rect>"
)
LIMIT = (
    '<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="%s" stroke-width="1.4"'
    ' stroke-dasharray="5 3"/>'
    f'<circle cx="%.1f" cy="%.1f" r="4" fill="%s" stroke="{palette.PAPER}"/>'
)
LEVEL = LINE.replace("/>", f' stroke="{palette.LINE}"/>')
BOXED = ("deviation", "borderline")
LOOKS = {
    "deviation": palette.ACCENT,
    "borderline": palette.INK,
    "cannot_tell": palette.INK,
    "authorised": palette.MUTED,
}


def behaviour_lane(frame: Frame, runs: list[BehaviourRun], note: str) -> Lane:
    """Runs of one behaviour: a tick where charted, thick and dark where the child was unsettled."""
    if not runs:
        return empty_lane(frame, "Behaviour", "", note, known=False)
    marks = [_behaviour(frame, run) for run in runs]
    labels, rows = [], (Spaces(), Spaces())
    # the words that matter most are placed first
    for run in sorted(runs, key=lambda r: (not r.loud, r.times[0] - r.times[-1])):
        labels.append(_behaviour_words(frame, run, rows))
    height = 40 if rows[1].taken else 26
    return named(frame, "Behaviour", "", ("".join(marks), "".join(labels)), height)


def _behaviour_words(frame: Frame, run: BehaviourRun, rows: tuple[Spaces, Spaces]) -> str:
    """Its word over the run, or under it, or at least the word's first letters."""
    if not frame.holds(run.times[0]):
        return ""
    start, end = frame.x(run.times[0]), frame.x(run.times[-1])
    bold = {"font_weight": 600} if run.loud else {"fill": palette.MUTED}
    for shown in (run.text, run.text[:SHORT_WORD]):
        width = svg.text_width(shown, frame.size)
        x = clamped(max((start + end) / 2, start + width / 2), width, frame)
        for row, y in zip(rows, (11, 36), strict=True):
            if row.place(x, x + width):
                return svg.label(x, y, shown, **bold)
    return ""


def _behaviour(frame: Frame, run: BehaviourRun) -> str:
    times = [t for t in run.times if frame.holds(t)]
    if not times:
        return ""
    ink, thick = (palette.INK, 4) if run.loud else (palette.SERVICE, 2)
    first, last = frame.x(times[0]), frame.x(times[-1])
    ticks = "".join([f"M{frame.x(t):.1f} 15V24" for t in times])
    title = svg.escaped(f"Child {run.text}")
    return svg.one(RUN, ink, title, first, max(last, first + 1.5), thick, ticks)


def occlusion_lane(frame: Frame, occlusions: list[Occlusion], notes: Notes) -> Lane:
    """Each occlusion as a stem up to its pressure; its words beside it where there is room."""
    height = 58 + AFTER_LINES
    shown = [o for o in occlusions if frame.holds(o.at_s)]
    if not shown:
        known = not notes.log_unknown
        return empty_lane(frame, "Occlusions", "", notes.occlusions, known=known)
    top = nice_top(max((o.pressure or 0.0 for o in shown), default=0.0))
    y = rising(0, top, height - 8 - AFTER_LINES, 14)
    marks = [svg.each(LEVEL, ((frame.left, frame.right, v, v) for v in (y(0), y(top))))]
    if notes.log_unknown:
        marks.insert(0, unknown(frame, frame.low_s, frame.high_s, height, notes.occlusions))
    heads = [(frame.x(o.at_s), y(o.pressure or top / 2), o) for o in shown]
    marks += [_occlusion(frame, head, y(0)) for head in heads]
    labels = scale_words(frame.left, (0, top), y) + _words_beside(frame, heads)
    labels += _what_followed(frame, heads, y(0) + 17)
    return named(frame, "Occlusions", "cmH2O", ("".join(marks), labels), height)


def _occlusion(frame: Frame, head: Head, base: float) -> str:
    """One occlusion; the line at its foot is how far the device's clock may be off."""
    x, y, o = head
    start, end = (frame.x(o.at_s + sign * o.tolerance_s) for sign in (-1, 1))
    fill = palette.INK if o.counted else palette.PAPER
    foot, stem, mark = (start, end, base + 4, base + 4), (x, x, base, y), (x - 4.5, y - 4, fill)
    return svg.one(OCCLUSION, svg.escaped(o.title), *foot, *stem, *mark)


def _clusters(heads: list[Head], near: float) -> list[list[Head]]:
    """The marks, those nearer than `near` px to the one before them together."""
    found: list[list[Head]] = []
    for head in heads:
        if found and head[0] - found[-1][-1][0] < near:
            found[-1].append(head)
        else:
            found.append([head])
    return found


def _what_followed(frame: Frame, heads: list[Head], y: float) -> str:
    """Under each, or several together, the lowest SpO2 and heart rate charted soon after."""
    labels = []
    for cluster in _clusters(heads, AFTER_WIDTH):
        x = min(max(cluster[0][0], frame.left), frame.right - AFTER_WIDTH)
        for line, (which, unit) in enumerate(((0, "%"), (1, "/min"))):
            known = [v for _, _, o in cluster if (v := o.after[which]) is not None]
            shown = f"{min(known):g}{unit}" if known else words.DASH
            ink = palette.INK if known else palette.MUTED
            labels.append(
                svg.label(x, y + AFTER_LINE * line, shown, fill=ink, font_size=AFTER_SIZE)
            )
    if not frame.narrow:
        for line, name in enumerate(("SpO2 after", "heart rate after")):
            labels.append(
                svg.label(frame.left - 6, y + AFTER_LINE * line, name, text_anchor="end",
                          fill=palette.MUTED, font_size=AFTER_SIZE)
            )  # fmt: skip
    return "".join(labels)


def _words_beside(frame: Frame, heads: list[Head]) -> str:
    """What is said of each occlusion, or of several that stand too close to be told apart."""
    clusters = _clusters(heads, CLUSTER)
    labels, taken = [], float(frame.left)
    for index, cluster in enumerate(clusters):
        first, last, y = cluster[0][0], cluster[-1][0], cluster[0][1] + 4
        until = clusters[index + 1][0][0] - 6 if index + 1 < len(clusters) else frame.right
        for shown in _cluster_words([o for _, _, o in cluster]):
            width = svg.text_width(shown, frame.size)
            if last + 8 + width <= until:
                labels.append(svg.label(last + 8, y, shown))
                taken = last + 8 + width
                break
            if first - 8 - width >= taken:
                labels.append(svg.label(first - 8, y, shown, text_anchor="end"))
                taken = last
                break
    return "".join(labels)


def _cluster_words(occlusions: list[Occlusion]) -> list[str]:
    """The wordings, longest first."""
    if len(occlusions) == 1:
        return [occlusions[0].words, occlusions[0].short]
    pressures = [o.pressure for o in occlusions if o.pressure is not None]
    within = max(1, round((occlusions[-1].at_s - occlusions[0].at_s) / 60))
    brief = f"{len(occlusions)} in {within} min"
    if not pressures:
        return [brief, str(len(occlusions))]
    low, high = min(pressures), max(pressures)
    spread = f"{low:g} to {high:g} cmH2O" if low < high else f"{low:g} cmH2O"
    return [f"{brief}, {spread}", brief, str(len(occlusions))]


def contact_lane(frame: Frame, contacts: list[Contact], notes: Notes) -> Lane:
    """Each call as a mark with whom it reached and what it authorised."""
    shown = [c for c in contacts if frame.holds(c.at_s)]
    if not shown:
        return empty_lane(frame, "Calls", "", notes.contacts, known=not notes.calls_unknown)
    marks, labels, height = _said(frame, shown)
    if notes.calls_unknown:
        marks = unknown(frame, frame.low_s, frame.high_s, height, notes.contacts) + marks
    return named(frame, "Calls", "", (marks, labels), height)


def reason_lane(frame: Frame, reasons: list[Contact]) -> list[Lane]:
    """What failed or ran low as charted, in words at its mark; no lane where nothing did."""
    shown = [r for r in reasons if frame.holds(r.at_s)]
    if not shown:
        return []
    marks, labels, height = _said(frame, shown)
    return [named(frame, "Charted reason", "", (marks, labels), height)]


def _said(frame: Frame, shown: list[Contact]) -> tuple[str, str, int]:
    """A mark and words each, rows of them as needed; and how high they are."""
    shelves = Shelves(4)
    marks, labels, rows = [], [], 1
    for c in shown:
        x = frame.x(c.at_s)
        label = svg.cut(c.words, frame.right - frame.left - 10, frame.size)
        width = svg.text_width(label, frame.size)
        start = x + 8 if x + 8 + width <= frame.right else max(frame.left, x - 8 - width)
        row = shelves.place(min(start, x), max(start + width, x))
        y = 13 + 16 * (row or 0)
        rows = max(rows, (row or 0) + 1)
        marks.append(svg.one(CALL, x, y - 9, svg.escaped(c.title)))
        if row is not None:
            labels.append(svg.label(start, y, label))
    return "".join(marks), "".join(labels), 16 * rows + 6


def milestone_rows(frame: Frame, milestones: list[Milestone], below: float) -> Lane:
    """Names of milestones, and their lines down through the `below` px under the rows."""
    shelves = Shelves(4)
    lines, labels, rows = [], [], 1
    for m in milestones:
        if not frame.holds(m.at_s):
            continue
        x = frame.x(m.at_s)
        shown = f"{m.label} {m.clock}"
        width = svg.text_width(shown, frame.size)
        start = clamped(x, width, frame)
        row = shelves.place(start, start + width) or 0
        rows = max(rows, row + 1)
        labels.append(svg.label(start, 11 + 14 * row, shown, fill=palette.MUTED))
        lines.append((x, 14 + 14 * row))
    height = 14 * rows + 6
    line_marks = svg.each(LINE, ((x, x, y, height + below) for x, y in lines))
    marks = svg.tag("g", line_marks, stroke=palette.MUTED) if lines else ""
    return Lane(marks, "".join(labels), height)


def finding_rows(frame: Frame, findings: list[Finding], below: float) -> Lane:
    """What each verdict rests on: a bar with its words, and a line where the limit was reached.

    That line goes down through the `below` px under the rows.
    """
    marks, labels = [], []
    rows = min(len(findings), FINDINGS_SHOWN)
    height = FINDING_HEIGHT * rows + (4 if rows else 0)
    left = 0 if frame.narrow else frame.left
    for index, f in enumerate(findings[:FINDINGS_SHOWN]):
        y, ink = FINDING_HEIGHT * index, LOOKS[f.verdict]
        shown = _finding_words(f, frame.right - left - 2 * RING - 5, frame.size)
        width = svg.text_width(shown, frame.size) + 2 * RING + 5
        anchor = f.stretches[0].from_s if f.moment_s is None else f.moment_s
        start = max(left, min(frame.x(anchor) - width / 2, frame.right - width))
        labels.append(ring(start + RING, y + 8, f.number, ink))
        labels.append(svg.label(start + 2 * RING + 5, y + 12, shown, fill=ink, font_weight=600))
        marks += [_finding_bar(frame, f, stretch, y + 16, ink) for stretch in f.stretches]
        if f.moment_s is not None and frame.holds(f.moment_s):
            x = frame.x(f.moment_s)
            line = (x, x, y + 16, height + below, ink)
            marks.append(svg.one(LIMIT, *line, x, y + 19, ink))
    return Lane("".join(marks), "".join(labels), height)


def ring(x: float, y: float, number: int, ink: str) -> str:
    """A finding's number in a ring, about a point."""
    circle = svg.tag("circle", cx=float(x), cy=float(y), r=RING - 0.7, fill=palette.PAPER,
                     stroke=ink, stroke_width=1.3)  # fmt: skip
    return circle + svg.text(x, y + 3.8, f"{number}", fill=ink, font_size=10.5, font_weight=700,
                             text_anchor="middle")  # fmt: skip


def finding_boxes(
    frame: Frame, findings: list[Finding], top: float, bottom: float
) -> tuple[str, str]:
    """Boxes over all lanes where a rule was not kept, and the numbers in them.

    The box of a borderline finding is broken.
    """
    boxes: dict[tuple[float, float], list[Finding]] = {}
    for f in findings[:FINDINGS_SHOWN]:
        for stretch in f.stretches if f.verdict in BOXED else []:
            x, width = frame.span(stretch.from_s, stretch.until_s)
            own = boxes.setdefault((round(x), round(max(width, 4.0))), [])
            if f not in own:
                own.append(f)
    parts, numbers = [], []
    for place, ((x, width), found) in enumerate(sorted(boxes.items(), key=lambda b: b[0])):
        sure = any(f.verdict == "deviation" for f in found)
        ink = palette.ACCENT if sure else palette.INK
        parts.append(
            svg.tag("rect", x=x, y=float(top), width=width, height=bottom - top, fill=ink,
                    fill_opacity="0.05", stroke=ink, stroke_width=1.3, pointer_events="none",
                    stroke_dasharray=None if sure else "4 3")
        )  # fmt: skip
        # rings of boxes that begin close to each other stand below one another
        y = bottom - 10 - 17 * (place % 3)
        numbers += [
            ring(min(x + 9 + 16 * n, frame.right - 8), y, f.number, ink)
            for n, f in enumerate(found)
        ]
    return "".join(parts), "".join(numbers)


def _finding_words(f: Finding, width: float, size: float) -> str:
    """The limit's moment, or the verdict's sentence, or at least the verdict."""
    variants = [f"{f.title}: {f.moment_words or f.reason}", f"{f.title}: {f.word}"]
    return svg.fitting(variants, width, size) or svg.cut(f.title, width, size)


def _finding_bar(frame: Frame, f: Finding, stretch: Stretch, y: float, ink: str) -> str:
    title = svg.escaped(f"{f.title}: {f.reason}")
    x, width = frame.span(stretch.from_s, stretch.until_s)
    if stretch.until_s <= stretch.from_s:
        return svg.one(MOMENT, x, y - 2, ink, title)
    fill = ink if stretch.counts else f"url(#{frame.name}-unknown)"
    return svg.one(BAR, x, y, width, fill, ink, title)
