"""The Director's first screen: signals, what came one by one, and what waits for a decision."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.trip_line import Mark, TripLine, trip_line
from reports.text import words
from reports.text.case_links import TripLink, case_files, trip_link
from reports.text.plain_rows import Row, chart_key, grouped, text
from reports.text.signal_lines import standing, watched
from reports.text.standing_signals import worse_of
from schemas.record import dataclass
from schemas.work import ALWAYS_READ, MonthWork

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures, MonthReview

SIGNALS_MOST, TRIPS_NAMED, WAITING_MOST = 3, 2, 5
MONTHS_DRAWN = 18
SIGNAL_WIDTH, SINGLE_WIDTH = 620, 470
DIRECTOR = "director"


@dataclass(frozen=True)
class SignalRow:
    """A headline signal that stands: what, its counts, a mark a trip, and the trips behind it.

    `units`: the units that most of these share, in a sentence each.
    """

    what: str
    counts: str
    since: str
    picture: Markup | str
    trips: tuple[TripLink, ...]
    more: int
    units: str


@dataclass(frozen=True)
class SingleRow:
    """A rule shown one by one: its trips on a line, and those since the last or why not.

    `trips`: those of the month under review, and how many more.
    """

    label: str
    since: str
    came: bool
    picture: Markup | str
    trips: tuple[TripLink, ...]
    more: int


@dataclass(frozen=True)
class Waiting:
    """What waits for the director's decision, and for how many months."""

    what: str
    href: str
    about: str
    months: int

    @property
    def age(self) -> str:
        """'3 months', of several that of the oldest; empty in its first month."""
        return words.many(self.months, "month") if self.months else ""


@dataclass(frozen=True)
class FirstScreen:
    """What stands above the fold, but for the grid; `none`: what is said without a signal."""

    signals: tuple[SignalRow, ...]
    none: str
    more_signals: tuple[str, ...]
    watches: tuple[str, ...]
    singles: tuple[SingleRow, ...]
    waiting: tuple[Waiting, ...]
    later: tuple[Waiting, ...]


def first_screen(review: MonthReview, figures: MeasureFigures) -> FirstScreen:
    """Everything of the first screen that is drawn from signals, answers and the protocol."""
    marks, months = _marks(figures), _months(review)
    own = standing(review, "headline")
    files = case_files(review)
    shown = tuple(
        _signal(review, r, marks, months, files, axis=n == len(own[:SIGNALS_MOST]) - 1)
        for n, r in enumerate(own[:SIGNALS_MOST])
    )
    singles = _singles(review, figures, marks, months, files)
    waiting = waiting_data(review)
    return FirstScreen(
        signals=shown,
        none="none" if watched(review) else "too few months",
        more_signals=tuple(text(r["sentence"]) for r in own[SIGNALS_MOST:]),
        watches=_watches(review),
        singles=singles,
        waiting=waiting[:WAITING_MOST],
        later=waiting[WAITING_MOST:],
    )


def _months(review: MonthReview) -> list[str]:
    return [m for m in sorted(review.months) if m <= review.month][-MONTHS_DRAWN:]


def _marks(figures: MeasureFigures) -> dict[tuple[str, str, str], tuple[Mark, ...]]:
    return {
        key: tuple(Mark(text(r["trip_id"]), text(r["trip_month"]), r["state"]) for r in rows)
        for key, rows in grouped(figures.trip_marks.records(), chart_key).items()
    }


def _signal(
    review: MonthReview,
    row: Row,
    marks: dict[tuple[str, str, str], tuple[Mark, ...]],
    months: list[str],
    files: dict[str, str],
    *,
    axis: bool,
) -> SignalRow:
    said = worse_of(review, row)
    key = (said.measure, said.by, said.value)
    own = TripLine(marks.get(key, ()), since=said.since, worse=True)
    behind = [m.trip for m in own.marks if m.state == "variance" and m.month >= said.since]
    trips = [trip_link(t, files) for t in behind]
    # the newest are on this month's pages
    trips.sort(key=lambda link: not link.href)
    return SignalRow(
        what=said.chart,
        counts="; ".join(filter(None, (said.in_cells, said.lately))),
        since=words.month_name(said.since),
        picture=trip_line(own, months, f"{said.chart}: {said.in_cells}", SIGNAL_WIDTH, axis=axis),
        trips=tuple(link for link in trips[:TRIPS_NAMED] if link.href),
        more=len(trips) - sum(bool(link.href) for link in trips[:TRIPS_NAMED]),
        units=row["units"],
    )


def _watches(review: MonthReview) -> tuple[str, ...]:
    """What is only watched beside the headlines, with the units that most of its trips share."""
    named = {worse_of(review, row).chart for row in standing(review, "headline")}
    rows = standing(review, "watch")
    return tuple(
        f"{text(r['sentence'])} {r['units']}".strip()
        for r in rows if worse_of(review, r).chart not in named
    )  # fmt: skip


def _singles(
    review: MonthReview,
    figures: MeasureFigures,
    marks: dict[tuple[str, str, str], tuple[Mark, ...]],
    months: list[str],
    files: dict[str, str],
) -> tuple[SingleRow, ...]:
    rows, found = figures.one_by_one.records(), []
    for n, row in enumerate(rows):
        own = marks.get(("one-by-one", "rule", text(row["rule"])), ())
        label, came = words.rule_title(text(row["rule"])), int(row["came"] or 0)
        drawn = TripLine(own, now=review.month)
        axis = n == len(rows) - 1
        shown = trip_line(drawn, months, text(row["sentence"]), SINGLE_WIDTH, axis=axis)
        trips = [m.trip for m in own if m.state == "variance" and m.month == review.month]
        links = tuple(trip_link(trip, files) for trip in trips[:TRIPS_NAMED])
        more = len(trips) - len(links)
        found.append(SingleRow(label, since_words(row), bool(came), shown, links, more))
    return tuple(found)


def since_words(row: Row) -> str:
    """'9 trips since the last', 'cannot be watched: 59/62 undecided'."""
    came, later, undecided = (int(row[k] or 0) for k in ("came", "later", "undecided"))
    if came:
        return f"{came} this month"
    if not row["watched"]:
        return f"cannot be watched: {undecided:,}/{later:,} undecided"
    trips = words.many(later, "trip")
    return f"{trips} since the last" if row["last_month"] else f"none in {trips}"


def waiting_data(review: MonthReview) -> tuple[Waiting, ...]:
    """Cases referred to the director, limits to approve, and signals to close; oldest first.

    Signals stand above with their months, so that here they are one thing, as old as the oldest.
    Before them comes what nobody has read though it is always read.
    """
    now = words.month_number(review.month)
    files = case_files(review)
    found = []
    for row in review.followup.referred.records() if review.followup is not None else []:
        if text(row["refer_to"]) != DIRECTOR:
            continue
        trip, rules = text(row["trip_id"]), text(row["rules"]).split()
        about = words.listed([words.rule_title(r).lower() for r in rules]) or "the whole case"
        href = trip_link(trip, files).href
        found.append(Waiting(trip, href, about, now - words.month_number(text(row["month"]))))
    found += [
        Waiting(f"Approve limits {p.id}", "", "", now - words.month_number(p.from_month))
        for p in review.protocol
        if p.approved_by is None
    ]
    said = [words.month_number(r["first_said"]) for r in standing(review, "headline")]
    if said:
        what = f"Conclude on {words.many(len(said), 'signal')}"
        found.append(Waiting(what, "#signals", "", now - min(said)))
    return (*_unread(review), *sorted(found, key=lambda w: -w.months))


def _unread(review: MonthReview) -> list[Waiting]:
    """The month's open cases that are always read, with why, and deaths of earlier months."""
    work = review.work or MonthWork()
    now = words.month_number(review.month)
    found = []
    if trips := [trip for trip, _ in work.unread_deaths]:
        months = now - min(words.month_number(month) for _, month in work.unread_deaths)
        what = f"{words.many(len(trips), 'earlier death')} unread"
        about = _some(trips, TRIPS_NAMED)
        found.append(Waiting(what, "", about, months))
    if items := [item for item in work.of("read")
                 if item.state == "open" and item.why.startswith(ALWAYS_READ)]:  # fmt: skip
        why = words.uncapital(words.reason(items[0].why).partition(".")[0]).removeprefix("outcome ")
        told = [f"{items[0].trip_id} {why}", *(item.trip_id for item in items[1:])]
        what = f"{len(items)} always-read open"
        found.append(Waiting(what, "index.html#work", _some(told, 1), 0))
    return found


def _some(things: list[str], most: int) -> str:
    """'a; b; +3'."""
    more = len(things) - most
    return "; ".join(things[:most] + ([f"+{more}"] if more > 0 else []))
