"""Signals and watches of the Month page: one mark a trip, since when, which trips."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.case_links import TripLink, trip_link
from reports.text.measure_table import MONTHS_MOST
from reports.text.plain_rows import Row, chart_key, text
from reports.text.sentences import outcomes_of_month
from reports.text.signal_lines import chart_months, one_by_one, standing
from reports.text.standing_signals import worse_of
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

TRIPS_NAMED = 6


@dataclass(frozen=True)
class ChartMonth:
    """A month of a signal's chart: events or variances, of hours or trips."""

    month: str
    numerator: float
    denominator: float

    def cell(self, of_trips: bool) -> str:
        """'5/38'."""
        below = words.whole if of_trips else words.hours
        return f"{words.whole(self.numerator)}/{below(self.denominator)}"


@dataclass(frozen=True)
class SignalRow:
    """A signal that stands: its chart, since when, the counts, and the trips behind it.

    `worse`: a headline; else a watch. `of_trips`: shares, so that each trip can be drawn.
    """

    worse: bool
    chart: str
    since: str
    counts: str
    earlier: str
    months: tuple[ChartMonth, ...]
    of_trips: bool
    read: str
    trips: tuple[TripLink, ...]
    more: int
    depends: bool
    noticed: int | None


@dataclass(frozen=True)
class Signals:
    """Headlines, then watches, each newest first; and what is shown one by one."""

    rows: tuple[SignalRow, ...]
    one_by_one: tuple[str, ...]


def signals(review: MonthReview, files: dict[str, str]) -> Signals:
    """What stands towards worse; a chart with a headline is not named again for a watch."""
    headlines = standing(review, "headline")
    named = {chart_key(row) for row in headlines}
    watches = [row for row in standing(review, "watch") if chart_key(row) not in named]
    rows = [_row(review, row, files, worse=True) for row in headlines]
    rows += [_row(review, row, files, worse=False) for row in watches]
    came = [words.plain(f"{n} {code}") for code, n in outcomes_of_month(review).items() if n]
    said = [f"Outcomes of {words.month_name(review.month)}: {words.listed(came)}."] if came else []
    if review.one_by_one:
        trips = words.many(review.one_by_one, "trip")
        said.append(f"{trips} always read or with a variance below, first in the work.")
    said += [text(r["sentence"]) for r in one_by_one(review)]
    return Signals(tuple(rows), tuple(said))


def _row(review: MonthReview, row: Row, files: dict[str, str], *, worse: bool) -> SignalRow:
    said = worse_of(review, row)
    months = chart_months(review, chart_key(row))[-MONTHS_MOST:]
    trips = row["trips"]
    return SignalRow(
        worse=worse,
        chart=said.title,
        since=said.since,
        counts=said.counts_beside,
        earlier=row["earlier"],
        months=tuple(
            ChartMonth(text(m["month"]), float(m["numerator"]), float(m["denominator"]))
            for m in months
        ),
        of_trips=not said.of_rate,
        read=text(row["read_words"]),
        trips=tuple(trip_link(t, files) for t in trips[-TRIPS_NAMED:]),
        more=max(0, len(trips) - TRIPS_NAMED),
        depends=row["certainty"] == "depends",
        noticed=None if row["noticed"] is None else round(row["noticed"]),
    )
