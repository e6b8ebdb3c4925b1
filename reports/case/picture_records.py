"""What a trip's picture is drawn from: plain records. Times are seconds since the bedside."""

from __future__ import annotations

from typing import NamedTuple


class Segment(NamedTuple):
    """A stretch of one value of a band; `short` are words for less room."""

    from_s: int
    until_s: int
    known: bool
    text: str
    short: tuple[str, ...]
    fill: str


class Band(NamedTuple):
    """One field of the timeline as segments."""

    label: str
    segments: list[Segment]


class Step(NamedTuple):
    """A stretch of one number; None where it is not known."""

    from_s: int
    until_s: int
    value: float | None
    text: str


class Charted(NamedTuple):
    """A value as it was charted."""

    at_s: int
    value: float
    text: str


class Steps(NamedTuple):
    """A number as steps of what is known, and as charted.

    `sending`: what the sending hospital ran, and until when.
    """

    segments: list[Step]
    sending: tuple[float, int] | None
    charted: list[Charted]


class FlowRange(NamedTuple):
    """The catalogue's flow range of the cannula in use over a stretch, L/min."""

    from_s: int
    until_s: int
    low: float
    high: float
    of: str


class Observed(NamedTuple):
    """An observed value; `title` is shown when pointing at it."""

    at_s: int
    value: float
    text: str
    title: str


class BehaviourRun(NamedTuple):
    """Observations of one behaviour that follow each other; `loud`: the child was unsettled."""

    text: str
    times: list[int]
    loud: bool


class Occlusion(NamedTuple):
    """An occlusion; `after`: the lowest SpO2 and heart rate charted soon after it."""

    at_s: int
    after: tuple[float | None, float | None]
    tolerance_s: float
    pressure: float | None
    counted: bool
    short: str
    words: str
    title: str


class Contact(NamedTuple):
    """A call, with whom it reached and what it authorised; or a setting, and why it was charted."""

    at_s: int
    words: str
    title: str


class Milestone(NamedTuple):
    """What the trip passed, and its time in minutes."""

    label: str
    at_s: int
    clock: str


class Stretch(NamedTuple):
    """What a verdict rests on; `counts` is None where it only may."""

    from_s: int
    until_s: int
    counts: bool | None


class Finding(NamedTuple):
    """A verdict that rests on a stretch or a moment, with when its limit was reached."""

    rule: str
    title: str
    verdict: str
    word: str
    stretches: list[Stretch]
    moment_s: int | None
    moment_words: str
    reason: str
    number: int = 0


class Notes(NamedTuple):
    """What an empty lane means."""

    occlusions: str
    log_unknown: bool
    contacts: str
    calls_unknown: bool
    observations: str


class TripPicture(NamedTuple):
    """Everything the picture of a trip shows; `domain` is its time axis.

    `before`, `after` and `no_setting` are said of stretches that no rule counts.
    """

    domain: tuple[int, int]
    start_s: int | None
    end_s: int | None
    open_end: bool
    handover_s: int | None
    resolution_s: float
    milestones: list[Milestone]
    findings: list[Finding]
    bands: list[Band]
    flow: Steps
    fio2: Steps
    ranges: list[FlowRange]
    spo2: list[Observed]
    resp_rate: list[Observed]
    behaviour: list[BehaviourRun]
    occlusions: list[Occlusion]
    contacts: list[Contact]
    reasons: list[Contact]
    notes: Notes
    beyond_axis: int
    before: str
    after: str
    no_setting: str
