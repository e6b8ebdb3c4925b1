"""What the Month page says of the records: trips received, and problems in the data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.plain_rows import Row, grouped, text
from reports.text.sentences import OF_TRIP_ASIDE, file_place
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

MONTHS_LISTED = 12
EXAMPLES = 3


@dataclass(frozen=True)
class ReceivedMonth:
    """Trips received of expected, with what is to be said of it."""

    name: str
    received: int
    expected: int | None
    remark: str
    short: bool


@dataclass(frozen=True)
class Problem:
    """Problems of one kind together: (what, place) examples, and one thing to do."""

    kind_word: str
    problem: str
    count: int
    examples: tuple[tuple[str, str], ...]
    more: int
    remedy: str


def received_months(review: MonthReview) -> tuple[ReceivedMonth, ...]:
    """Latest month first."""
    counts = {review.month: (review.received, review.expected), **review.expected_by_month}
    return tuple(
        ReceivedMonth(
            words.month_name(month), got, due, _received_remark(got, due),
            due is not None and got < due,
        )
        for month, (got, due) in sorted(counts.items(), reverse=True)[:MONTHS_LISTED]
    )  # fmt: skip


def _received_remark(got: int, due: int | None) -> str:
    if due is None:
        return "expected number not delivered"
    if got < due:
        return f"{due - got:,} missing"
    if got > due:
        return f"{got - due:,} more than expected"
    return "complete"


def problems(review: MonthReview) -> tuple[Problem, ...]:
    """Problems grouped by kind and problem, with one example place each."""
    rows = review.problems.records()
    groups = grouped(rows, lambda r: (text(r["kind"]), text(r["problem"])))
    order = {kind: place for place, kind in enumerate(words.KIND_WORDS)}
    chosen = sorted(
        groups.items(),
        key=lambda g: (order.get(g[0][0], len(order)), -len(g[1]), _name(g[0][0], g[0][1], g[1])),
    )
    return tuple(
        Problem(
            kind_word=words.KIND_WORDS.get(kind, kind),
            problem=_name(kind, problem, rows),
            count=len(rows),
            examples=_examples(rows),
            more=len({text(r["what"]) for r in rows}) - EXAMPLES,
            remedy=text(rows[0]["remedy"]),
        )
        for (kind, problem), rows in chosen
    )


def _name(kind: str, problem: str, rows: list[Row]) -> str:
    if problem == OF_TRIP_ASIDE:
        trips = len({text(r["what"]) for r in rows})
        were = "was" if trips == 1 else "were"
        one = "row" if len(rows) == 1 else "rows"
        return f"{one} of {words.many(trips, 'trip')} that {were} set aside"
    return "notes" if problem == kind else words.plain(problem.replace("-", " "))


def _examples(rows: list[Row]) -> tuple[tuple[str, str], ...]:
    """Up to EXAMPLES different sentences of a group, each with the first place it is true of."""
    places: dict[str, str] = {}
    for row in rows:
        places.setdefault(text(row["what"]), _place(row))
    return tuple(places.items())[:EXAMPLES]


def _place(row: Row) -> str:
    return file_place(row) or (f"trip {text(row['trip_id'])}" if row["trip_id"] else "")
