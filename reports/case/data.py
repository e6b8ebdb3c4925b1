"""The case pages' data: typed records of numbers and sentences. No HTML, no pictures."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import TYPE_CHECKING, Any, NamedTuple

from reports.case.facts import (
    Cases,
    clock_sentence,
    described,
    facts,
    trip_line,
    window_sentence,
)
from reports.case.picture_records import Finding, TripPicture
from reports.case.records import (
    CaseProblem,
    LineRange,
    ListLink,
    Neighbour,
    Source,
    VerdictGroup,
    VerdictRow,
)  # fmt: skip
from reports.case.tables import Tables, case_tables
from reports.case.trip_data import moment_words, picture_data
from reports.month.followup import Answer, Correction, answers_by_trip, corrections_by_trip
from reports.text import words
from reports.text.case_links import case_file
from reports.text.drawing import WHOLE, Part
from reports.text.navigation import PageFrame, Site, page_frame
from reports.text.plain_rows import Row, text
from reports.text.sentences import file_place
from schemas.record import dataclass
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

READ = ("deviation", "borderline", "cannot_tell")
"""Verdicts that may need a person."""


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
class BesideCase(PageFrame):
    """What a case page shows beside its trip's record; of `total` cases `pages` have one."""

    answers: list[Answer]
    corrections: list[Correction]
    total: int
    pages: int
    previous: Neighbour | None
    next: Neighbour | None


@dataclass(frozen=True)
class CasePage(BesideCase, CaseData):
    """A case page."""


class UndrawnCase(NamedTuple):
    """A case page's file, what it shows beside the trip's record, and what makes all of its data.

    The record's part is the most of it, and changes with no answer.
    """

    file: str
    beside: BesideCase
    whole: Callable[[], CasePage]


def case_pages(review: MonthReview, site: Site) -> Iterator[CasePage]:
    """The data of each case page in reading order; nothing where the review has no details."""
    return (page.whole() for page in undrawn_cases(review, site))


def undrawn_cases(review: MonthReview, site: Site, part: Part = WHOLE) -> Iterator[UndrawnCase]:
    """As `case_pages`, each with its data still to be made, of one of some shares of the pages."""
    if review.details is None:
        return
    details = review.details
    cases = cache(lambda: Cases(review, details))
    trips = details.trips.only(["trip_id", "reading_order"]).records()
    frame = vars(page_frame(review, site, "case", up="../"))
    answers, corrections = answers_by_trip(review), corrections_by_trip(review)
    for index in range(part[0], len(trips), part[1]):
        trip_id = text(trips[index]["trip_id"])
        beside = BesideCase(
            **frame,
            answers=answers.get(trip_id, []),
            corrections=corrections.get(trip_id, []),
            total=len(review.cases),
            pages=len(trips),
            previous=_neighbour(trips, index - 1),
            next=_neighbour(trips, index + 1),
        )
        yield UndrawnCase(case_file(trip_id), beside, partial(_whole, cases, index, beside))


def _whole(cases: Callable[[], Cases], index: int, beside: BesideCase) -> CasePage:
    of = cases()
    return CasePage(**vars(beside), **vars(case_data(of.trip(of.trips[index]), of)))


def _neighbour(trips: list[Row], index: int) -> Neighbour | None:
    if not 0 <= index < len(trips):
        return None
    trip_id = text(trips[index]["trip_id"])
    return Neighbour(int(trips[index]["reading_order"]), trip_id, case_file(trip_id))


def case_data(trip: Row, cases: Cases) -> CaseData:
    """Everything one case page shows of its trip."""
    trip_id = text(trip["trip_id"])
    case = cases.cases.get(trip_id, {})
    tables = case_tables(trip, cases)
    flagged = text(case.get("rules")).split()
    picture = picture_data(trip, cases)
    groups = _numbered(verdict_groups(trip, cases, tables.anchors, flagged), picture.findings)
    return CaseData(
        n=int(trip["reading_order"]),
        trip=trip_id,
        file=case_file(trip_id),
        why=_why_beside(groups, text(case.get("why"))),
        group=text(case.get("group")),
        group_word=words.GROUP_WORDS.get(text(case.get("group")), text(case.get("group"))),
        severity=text(case.get("severity")),
        lists=_lists(trip, case),
        facts=facts(trip, cases),
        window=window_sentence(trip),
        clock=clock_sentence(trip),
        heading=_heading(groups, trip_id),
        described=described(trip, cases),
        picture=picture,
        line=trip_line(trip),
        groups=groups,
        to_conclude=_to_conclude(groups, text(case.get("group"))),
        tables=tables,
        problems=_problems(trip),
        record=f"{text(trip['file']) or 'trips'}:{int(trip['line'])}",
    )


def _numbered(groups: list[VerdictGroup], findings: list[Finding]) -> list[VerdictGroup]:
    """The groups with the number that each row has in the picture, in the order of the numbers."""
    numbers = {f.rule: f.number for f in findings}
    found = []
    for group in groups:
        rows = [row._replace(number=numbers.get(row.rule)) for row in group.rows]
        rows.sort(key=lambda r: r.number or len(numbers) + 1)
        found.append(group._replace(rows=rows))
    return found


def verdict_groups(
    trip: Row, cases: Cases, anchors: set[tuple[str, int]], flagged: list[str]
) -> list[VerdictGroup]:
    """The verdicts grouped by what needs reading, each with its sentence and evidence.

    `anchors` are the rows on the page that evidence may link to, as table and line; `flagged` the
    rules that made the trip a case.
    """
    evidence = _evidence(trip["evidence"], anchors)
    moments = {text(m["rule"]): m for m in trip["limit_moments"]}
    groups: dict[str, list[VerdictRow]] = {}
    for v in trip["verdicts"]:
        rule = text(v["rule"])
        known = cases.rules.get(rule)
        row = VerdictRow(
            rule=rule,
            title=words.rule_title(rule),
            flagged=rule in flagged,
            severity=text(v["severity"]),
            sentence=text(v["reason"]),
            asks=words.after_colon(known.asks) if known else "",
            moment=moment_words(v, moments.get(rule), trip),
            evidence=evidence.get(rule, []),
        )
        groups.setdefault(text(v["verdict"]), []).append(row)
    return [
        VerdictGroup(
            verdict,
            word,
            sorted(groups[verdict], key=lambda r: (severity_rank(r.severity), r.title)),
        )
        for verdict, word in words.VERDICT_WORDS.items()
        if verdict in groups
    ]


def _why_beside(groups: list[VerdictGroup], why: str) -> str:
    """Why the trip is a case, but for what its findings say one by one below."""
    for group in groups:
        for row in group.rows if group.verdict in READ else ():
            why = why.replace(row.sentence, "")
    return words.reason(" ".join(why.split()))


def _to_conclude(groups: list[VerdictGroup], why: str) -> list[str]:
    """What a reviewer concludes on: the rules that made it a case; else the case as a whole."""
    titles = [row.title for g in groups for row in g.rows if row.flagged]
    return titles if titles or why == "audit" else ["The case as a whole"]


def _evidence(rows: list[Row], anchors: set[tuple[str, int]]) -> dict[str, list[Source]]:
    """By rule: each file with its lines as ranges, linked where the row stands on the page."""
    found: dict[str, list[Source]] = {}
    key: Any = lambda r: (text(r["rule"]), text(r["file"]))  # noqa: E731 - used twice below
    for (rule, file), lines in itertools.groupby(sorted(rows, key=key), key=key):
        table = file.rpartition(".")[0]
        ranges = []
        for first, last in line_ranges([int(r["line"]) for r in lines]):
            anchor = f"{table}-{first}" if (table, first) in anchors else ""
            shown = f"{first}" if first == last else f"{first}{words.DASH}{last}"
            ranges.append(LineRange(shown, anchor))
        found.setdefault(rule, []).append(Source(file, ranges))
    return found


def line_ranges(lines: list[int]) -> list[tuple[int, int]]:
    """Runs of consecutive lines: [3, 4, 5, 9] as (3, 5) and (9, 9)."""
    ranges: list[tuple[int, int]] = []
    for line in sorted(set(lines)):
        if ranges and line == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], line)
        else:
            ranges.append((line, line))
    return ranges


def _lists(trip: Row, case: Row) -> list[ListLink]:
    """Links back to the case list: all, and filtered as this case would be found."""
    from urllib.parse import urlencode

    n = int(trip["reading_order"])
    links = [ListLink("All cases", f"../index.html#case-{n}")]
    leading = text(case.get("leading_rule"))
    if leading:
        href = f"../index.html#{urlencode({'rule': leading})}"
        links.append(ListLink(f"Cases with {words.rule_title(leading).lower()}", href))
    base = text(trip["base"])
    href = f"../index.html#{urlencode({'base': base})}"
    return [*links, ListLink(f"Cases of base {words.isolated(base)}", href)]


def _heading(groups: list[VerdictGroup], trip_id: str) -> str:
    """The picture's title: what was found, in the first sentence that needs reading."""
    shown = words.isolated(trip_id)
    for group in groups:
        if group.verdict in READ:
            return f"Trip {shown}: {group.rows[0].sentence}"
    return f"Trip {shown}: no variance for review"


def _problems(trip: Row) -> list[CaseProblem]:
    return [
        CaseProblem(
            words.KIND_WORDS.get(text(p["kind"]), text(p["kind"])),
            text(p["what"]),
            text(p["remedy"]),
            file_place(p),
        )
        for p in trip["problems"]
    ]
