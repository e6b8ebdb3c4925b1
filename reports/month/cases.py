"""The Month page's work list: its rows, its filters, and how much there is of each kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from reports.charts.drawn_units import Squares
from reports.text import words
from reports.text.case_links import FOLDER, TripLink, trip_link
from reports.text.plain_rows import Row, text
from schemas.record import dataclass
from schemas.units import severity_rank
from schemas.work import MonthWork

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

CASES_IN_TABLE = 100
"""Cases written as rows of the page; the script adds the others from data on the page."""

CASES_LISTED = 3_000
"""Cases that the page holds at all: beyond them a page would pass 1 MB."""

KINDS = (
    ("read", "Read"), ("audit", "Random audit"), ("batch", "Conclude together"),
    ("fetch", "Fetch records"),
)  # fmt: skip
DONE = frozenset({"closed", "arrived"})
"""States of work that asks nobody any more."""

Option = tuple[str, str, int]


@dataclass(frozen=True)
class CaseRow:
    """One trip of the list. `rules` are (id, title), the leading one first."""

    n: int
    trip: str
    file: str
    base: str
    vehicle: str
    cannula: str
    cannula_label: str
    group: str
    severity: str
    rules: tuple[tuple[str, str], ...]
    why: str
    status: str

    @property
    def group_word(self) -> str:
        """Why it is here, in words."""
        return words.GROUP_WORDS.get(self.group, self.group)

    @property
    def severity_order(self) -> int:
        """0 is read first."""
        return severity_rank(self.severity)

    @property
    def rule_ids(self) -> str:
        """The rules' ids, separated by spaces."""
        return " ".join(rule for rule, _ in self.rules)


@dataclass(frozen=True)
class Batch:
    """Flags of one rule to be concluded together, and how many of them are."""

    rule: str
    title: str
    flags: int
    done: int


@dataclass(frozen=True)
class Request:
    """What a base is asked for; `lines` are (what is missing, the trips)."""

    base: str
    open: int
    lines: tuple[tuple[str, tuple[TripLink, ...]], ...]


@dataclass(frozen=True)
class CaseList:
    """The list in reading order: rows for the table, `more` after it packed for the script."""

    rows: tuple[CaseRow, ...]
    more: Row | None
    listed: int
    total: int
    hidden: int
    pages: int
    next_page: str
    folder: str
    filters: dict[str, list[Option]]


def case_list(review: MonthReview, files: dict[str, str], statuses: dict[str, str]) -> CaseList:
    """The cases in reading order, at most CASES_LISTED, and what they can be filtered by."""
    labels = {text(c["id"]): text(c["label"]) for c in review.cannulas.records()}
    every = sorted(review.cases.records(), key=lambda c: int(c["reading_order"]))
    listed = [_case(c, labels, files, statuses) for c in every[:CASES_LISTED]]
    return CaseList(
        rows=tuple(listed[:CASES_IN_TABLE]),
        more=packed(listed[CASES_IN_TABLE:]),
        listed=len(listed),
        total=len(every),
        hidden=len(every) - len(listed),
        pages=len(files),
        next_page=next(iter([*files.values()][CASES_IN_TABLE : CASES_IN_TABLE + 1]), ""),
        folder=FOLDER,
        filters={
            "rule": _options(listed, lambda c: list(c.rules)),
            "base": _options(listed, lambda c: [(c.base, c.base)]),
            "cannula": _options(listed, lambda c: [(c.cannula, c.cannula_label)]),
            "group": _group_options(listed),
        },
    )


def _case(
    case: Row, labels: dict[str, str], files: dict[str, str], statuses: dict[str, str]
) -> CaseRow:
    cannula, leading = text(case["cannula"]), text(case["leading_rule"])
    trip = text(case["trip_id"])
    rules = rules_of(case)
    rules.sort(key=lambda r: r != leading)
    return CaseRow(
        n=int(case["reading_order"]),
        trip=trip,
        file=files.get(trip, ""),
        base=text(case["base"]),
        vehicle=words.plain(text(case["vehicle"])),
        cannula=cannula or "unknown",
        cannula_label=labels.get(cannula) or cannula or "unknown",
        group=text(case["group"]),
        severity=text(case["severity"]),
        rules=tuple((r, words.rule_title(r)) for r in rules),
        why=words.reason(text(case["why"])),
        status=statuses.get(trip, ""),
    )


def rules_of(case: Row) -> list[str]:
    """Every rule with a finding on the trip."""
    named = text(case["rules"]).split()
    leading = text(case["leading_rule"])
    return named if not leading or leading in named else [leading, *named]


def work_kinds(review: MonthReview) -> tuple[Squares, ...]:
    """What the month asks of people by kind, one count a trip; first: always read, or high."""
    rows = review.cases.only(["trip_id", "group", "severity"]).records()
    urgent = {
        text(r["trip_id"])
        for r in rows
        if r["group"] == "always_read" or (r["group"] != "audit" and r["severity"] == "high")
    }
    return tuple(_kind(review.work or MonthWork(), kind, label, urgent) for kind, label in KINDS)


def done_with(review: MonthReview) -> set[str]:
    """Trips to read, or drawn at random, that ask nobody any more."""
    work = review.work or MonthWork()
    read = (*work.of("read"), *work.of("audit"))
    return {item.trip_id for item in read if item.state in DONE}


def _kind(work: MonthWork, kind: str, label: str, urgent: set[str]) -> Squares:
    items = work.of(kind)
    trips = {i.trip_id for i in items}
    left = {i.trip_id for i in items if i.state not in DONE}
    first = len(left & urgent) if kind == "read" else 0
    return Squares(label, len(trips), first, len(trips - left))


def batches(review: MonthReview) -> tuple[Batch, ...]:
    """Flags that are concluded together, a rule at a time, in order."""
    found = (review.work or MonthWork()).batches
    return tuple(
        Batch(rule, words.rule_title(rule), len(items), sum(i.state in DONE for i in items))
        for rule, items in found.items()
    )


def requests(review: MonthReview, files: dict[str, str]) -> tuple[Request, ...]:
    """What each base is asked for, trips with the same record missing together."""
    found = []
    for request in (review.work or MonthWork()).requests:
        lines: dict[str, list[TripLink]] = {}
        for item in request.lines:
            said = item.why if item.state == "open" else f"{item.why} {words.plain(item.state)}:"
            lines.setdefault(said, []).append(trip_link(item.trip_id, files))
        found.append(
            Request(request.base, request.open, tuple((w, tuple(t)) for w, t in lines.items()))
        )
    return tuple(found)


def packed(cases: list[CaseRow]) -> dict[str, Any] | None:
    """Cases as lists of cells, words that many of them share once each; None without a case.

    A case is [n, trip, file's stem, base, vehicle, cannula, group, severity, rules, why,
    state]; the five between file and rules are places in `words`, rules a list of such places.
    """
    if not cases:
        return None
    shared: dict[str, dict[tuple[str, ...], int]] = {
        kind: {} for kind in ("base", "vehicle", "cannula", "group", "severity", "rule")
    }

    def place(kind: str, *value: str) -> int:
        return shared[kind].setdefault(value, len(shared[kind]))

    rows = [
        [
            *(c.n, c.trip, c.file.removesuffix(".html")),
            *(place("base", c.base), place("vehicle", c.vehicle)),
            place("cannula", c.cannula, c.cannula_label),
            place("group", c.group, c.group_word),
            place("severity", c.severity, str(c.severity_order)),
            [place("rule", *rule) for rule in c.rules],
            *(c.why, c.status),
        ]
        for c in cases
    ]
    return {"cases": rows, "words": {kind: [*values] for kind, values in shared.items()}}


def _options(cases: list[CaseRow], of: Callable[[CaseRow], list[tuple[str, str]]]) -> list[Option]:
    """(value, label, how many cases) for one filter, by label."""
    counts = Counter(option for case in cases for option in of(case))
    chosen = sorted(counts.items(), key=lambda item: (item[0][1], item[0][0]))
    return [(value, label, n) for (value, label), n in chosen]


def _group_options(cases: list[CaseRow]) -> list[Option]:
    order = list(words.GROUP_WORDS)
    found = _options(cases, lambda c: [(c.group, c.group_word)])
    return sorted(found, key=lambda o: order.index(o[0]) if o[0] in order else len(order))
