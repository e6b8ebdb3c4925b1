"""Careful sentences that pages and pictures share, computed from the numbers. No HTML.

A sentence says what the numbers bear and no more: of a month whose trips are not all received, no
size is said to stand out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from reports.text import words
from reports.text.estimates import TOO_WIDE
from reports.text.plain_rows import Row, text

if TYPE_CHECKING:
    from reports.text.rates import RateCell, RateRow, Rates
    from schemas.month_review import MonthReview

NAMED_MOST = 3
MONTHS = 12
Received = tuple[int, int | None]
"""Trips of a month, and how many were expected where that is known."""
WORSE, DAY_AFTER = "worse-outcome", "worse-outcome-day-after"
EVENTS_LEAST = 5
"""Trips with an event that a size needs to be spoken of, as the adjusted rates ask; assumed."""
OF_TRIP_ASIDE = "trip-set-aside"
"""The problem of a row whose trip was set aside; its sentence names the trip's line."""


def missing_trips(review: MonthReview) -> int:
    """Trips expected and not received; 0 where no expected number is known."""
    return max(0, (review.expected or 0) - review.received)


def outcomes_of_month(review: MonthReview) -> dict[str, int]:
    """The month's trips by outcome worse than the start; of deaths those within a day, too."""
    came = dict.fromkeys(("died", "arrest", "intubated", "more_support"), 0)
    every = review.measures
    of_month = (every["group_by"] == "outcome") & (every["month"] == review.month)
    for row in every.rows(of_month).records():
        code = text(row["group_value"])
        if row["measure"] == (DAY_AFTER if code == "died" else WORSE):
            came[code] = int(row["numerator"])
    return came


def two_years(review: MonthReview) -> tuple[list[Received], list[Received]]:
    """Trips received and expected in each of the last twelve months, and of the twelve before.

    Only months with trips: the earlier year is shorter where records begin later.
    """
    last = words.month_number(review.month)
    sides: tuple[list[Received], ...] = ([], [])
    for month, counts in review.expected_by_month.items():
        ago = last - words.month_number(month)
        if 0 <= ago < 2 * MONTHS:
            sides[ago // MONTHS].append(counts)
    now, before = sides
    return now, before


def file_place(row: Row) -> str:
    """'trips.csv:12, base', as far as it is known where a problem is."""
    place = text(row["file"])
    if place and row["line"] is not None:
        place += f":{int(row['line'])}"
    return f"{place}, {text(row['column'])}" if place and row["column"] else place


def rate_phrase(cell: RateCell, unit: str) -> str:
    """'4.1 events per 100 h (95 % 3.0–5.5; 61 events in 1,500 h of 210 trips)'."""
    return (
        f"{cell.rate_text} {unit} ({_interval(cell)};"
        f" {words.many(int(cell.events or 0), 'event')} in {words.hours(cell.hours)}"
        f"{words.NBSP}h of {words.many(int(cell.trips or 0), 'trip')})"
    )


def _interval(cell: RateCell) -> str:
    return cell.range_text if cell.few else f"95{words.NBSP}% {cell.range_text}"


def sizes_finding(review: MonthReview, rates: Rates, what: str, plural: str) -> str:
    """The highest rate with enough behind it over all months, against the whole service's.

    Then whose intervals lie clear of the service's rate, and how many have too few events.
    """
    line = rates.service.all.estimate
    with_rate = [
        Size(r.label, c, c.estimate, c.low, c.high, _events_enough(r))
        for r in rates.sizes
        if (c := r.all).estimate is not None and c.low is not None and c.high is not None
    ]
    if line is None or not with_rate:
        return f"No {what} has ventilator high-flow hours to make a rate from."
    if missing_trips(review):
        return (
            f"The whole service's rate over all months is {words.rate(line)}. While trips of the"
            f" month are missing, no {what} is said to stand out."
        )
    enough = [r for r in with_rate if r.enough]
    few = len(with_rate) - len(enough)
    rest = f" Too few to say: {few} of {words.many(len(with_rate), what, plural)}." if few else ""
    if not enough:
        return f"The whole service's rate over all months is {words.rate(line)}.{rest}"
    first = max(enough, key=lambda r: r.rate)
    return f"{_highest(first, line, rates.unit)}{_clear(first, enough, line)}{rest}"


class Size(NamedTuple):
    """A size with a rate and both its bounds, and whether enough trips had an event."""

    label: str
    cell: RateCell
    rate: float
    low: float
    high: float
    enough: bool


def _events_enough(row: RateRow) -> bool:
    """Whether enough trips had an event, where that is known, else whether there were as many."""
    found = row.all.events if row.with_event is None else row.with_event
    return (found or 0) >= EVENTS_LEAST


def _highest(size: Size, line: float, unit: str) -> str:
    cell = size.cell
    made = words.many(int(cell.events or 0), "event")
    sentence = (
        f"Highest occlusion rate over all months: {words.isolated(size.label)},"
        f" {cell.rate_text} {unit} (95{words.NBSP}%"
        f" {cell.range_text}; {made}, {words.many(int(cell.trips or 0), 'trip')}); the whole"
        f" service {words.rate(line)}."
    )
    if size.low > line:
        return f"{sentence} Unusual: its whole interval lies above the whole service's rate."
    if size.high < line:
        return sentence
    holds = "its interval holds the whole service's rate"
    if size.rate <= line:
        return f"{sentence} {holds.capitalize()}."
    return f"{sentence} It looks worse, but that may be chance: {holds}."


def _clear(first: Size, rows: list[Size], line: float) -> str:
    """Which others' intervals lie wholly above the line, and which below; empty where none."""
    above = [r for r in rows if r.low > line and r is not first]
    below = [r for r in rows if r.high < line]
    sentence = ""
    for side, chosen in (("above", above), ("below", below)):
        if chosen:
            lies = "lies the whole interval" if len(chosen) == 1 else "lie the whole intervals"
            also = "Also " if side == "above" else ""
            sentence += f" {also}{side if also else side.title()} it {lies} of {_named(chosen)}."
    return sentence


def _named(rows: list[Size]) -> str:
    """Up to three groups with their rates; more of them by number."""
    if len(rows) > NAMED_MOST:
        return f"{len(rows)} groups"
    return words.listed([_one_named(r) for r in rows])


def _one_named(size: Size) -> str:
    return f"{words.isolated(size.label)} ({size.cell.rate_text}, {size.cell.range_text})"


def chance_note(rows: list[RateRow], what: str) -> str:
    """How likely it is that some interval lies clear of the line by chance alone."""
    intervals = sum(r.all.low is not None for r in rows)
    if intervals < 2:
        return ""
    share = 1 - 0.95**intervals
    return (
        f"With {intervals} {what}s looked at, the chance that at least one 95{words.NBSP}% interval"
        f" misses its true rate by chance alone is up to {words.percent(share)}."
    )


def few_note(rows: list[RateRow]) -> str:
    """What a size of few trips bears; empty where each has enough."""
    if not any(r.all.few for r in rows):
        return ""
    return "Fewer than ten trips (an open square): too few to say, an upper bound alone."


def share_sentence(row: Row | None) -> str:
    """'3 of 41 trips (7 %, 3–19 %)'; with 'too few to say' where the interval is very wide."""
    if row is None or not row["denominator"]:
        return "no trip judged"
    of = f"{int(row['numerator']):,} of {words.many(int(row['denominator']), 'trip')}"
    low, high = words.some(row["low"]), words.some(row["high"])
    spread = words.percent_range(low, high)
    sentence = f"{of} ({words.percent(words.some(row['estimate']))}, {spread})"
    wide = low is None or high is None or high - low > TOO_WIDE
    return f"{sentence}, too few to say" if wide else sentence


def bounds_sentence(row: Row | None, applicable: int) -> str:
    """The share's bounds if every undecided trip were none, or one; empty without bounds."""
    low = words.some((row or {}).get("bound_low"))
    high = words.some((row or {}).get("bound_high"))
    if low is None or high is None:
        return ""
    return f"{words.percent_range(low, high)} of all {applicable:,}, however the undecided fall"
