"""What a case page shows: its trip, the verdicts by what needs reading, and where else to go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from reports.text.navigation import PageFrame

if TYPE_CHECKING:
    from reports.case.picture_records import TripPicture
    from reports.case.tables import Tables
    from reports.month.followup import Answer, Correction


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


@dataclass(frozen=True)
class CaseData:
    """Everything a case page shows of its trip."""

    n: int
    trip: str
    file: str
    why: str
    group: str
    group_word: str
    severity: str
    lists: list[ListLink]
    facts: list[tuple[str, str]]
    window: str
    clock: str
    heading: str
    described: str
    picture: TripPicture
    line: str
    groups: list[VerdictGroup]
    to_conclude: list[str]
    tables: Tables
    problems: list[CaseProblem]
    record: str


@dataclass(frozen=True)
class CasePage(PageFrame, CaseData):
    """A case page; of `total` cases `pages` have one."""

    answers: list[Answer]
    corrections: list[Correction]
    total: int
    pages: int
    previous: Neighbour | None
    next: Neighbour | None
