"""A case's verdicts by what needs reading, with their evidence, and where else to go."""

from __future__ import annotations

from typing import NamedTuple


class LineRange(NamedTuple):
    """Lines of a file, '3-5'; `anchor` is their row on the page, empty where it has none."""

    text: str
    anchor: str


class Source(NamedTuple):
    """A file that a verdict rests on, with its lines."""

    file: str
    ranges: list[LineRange]


class VerdictRow(NamedTuple):
    """A rule's verdict. `flagged`: it made the trip a case; `number`: its own in the picture."""

    rule: str
    title: str
    flagged: bool
    severity: str
    sentence: str
    asks: str
    moment: str
    evidence: list[Source]
    number: int | None = None


class VerdictGroup(NamedTuple):
    """The verdicts of one kind."""

    verdict: str
    word: str
    rows: list[VerdictRow]


class Neighbour(NamedTuple):
    """The case before or after in reading order."""

    n: int
    trip: str
    file: str


class ListLink(NamedTuple):
    """A way back to the list of cases."""

    label: str
    href: str


class CaseProblem(NamedTuple):
    """A problem of the trip's record."""

    kind: str
    what: str
    remedy: str
    place: str
