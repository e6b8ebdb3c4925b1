"""What occlusions came with and what followed, and the devices' clocks: records and drawing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts.drawn_spread import SpreadRow, spread_rows
from reports.text import words
from reports.text.plain_rows import Row, text
from schemas.outputs import NEXT_ACTIONS, PATTERNS
from schemas.record import dataclass

if TYPE_CHECKING:
    from markupsafe import Markup

    from schemas.month_review import MeasureFigures

FOLLOWED = (*NEXT_ACTIONS, "next_unknown")
FOLLOWED_WORDS = {**words.NEXT_WORDS, "next_unknown": "not known"}
QUANTILES = ("p5_s", "p25_s", "median_s", "p75_s", "p95_s")
CLOCK_MONTHS = 24


@dataclass(frozen=True)
class Pattern:
    """Counted occlusions that came with one thing; `followed` in the order of FOLLOWED_WORDS."""

    pattern: str
    label: str
    events: int
    only_this: int
    trips: int
    followed: tuple[int, ...]
    again: int
    watched: int
    prolonged: int
    unrecovered: int


@dataclass(frozen=True)
class Patterns:
    """Of all months, of the month alone, and how they divide."""

    all: tuple[Pattern, ...]
    month: tuple[Pattern, ...]
    said: str


def patterns_data(figures: MeasureFigures, month: str) -> Patterns:
    """The pattern tables of the month and of all months to it."""
    rows = figures.occlusion_patterns.records()
    whole = _rows(rows, f"to {month}")
    return Patterns(whole, _rows(rows, month), _said(whole))


def _rows(rows: list[Row], month: str) -> tuple[Pattern, ...]:
    order = [*PATTERNS, "all"]
    chosen = [r for r in rows if text(r["month"]) == month]
    chosen.sort(key=lambda r: order.index(p) if (p := text(r["pattern"])) in order else 99)
    return tuple(_pattern(r) for r in chosen)


def _pattern(row: Row) -> Pattern:
    def count(name: str) -> int:
        return int(row[name] or 0)

    pattern = text(row["pattern"])
    named = "all occlusions" if pattern == "all" else words.PATTERN_WORDS.get(pattern, pattern)
    return Pattern(
        pattern, named, count("events"), count("only_this"), count("trips"),
        tuple(count(name) for name in FOLLOWED), count("another_within_15_min"), count("watched"),
        count("prolonged"), count("unrecovered"),
    )  # fmt: skip


def _said(rows: tuple[Pattern, ...]) -> str:
    """Of the occlusions of all months, what most came with."""
    total = next((r.events for r in rows if r.pattern == "all"), 0)
    known = [r for r in rows if r.pattern not in ("all", "unknown") and r.events]
    if not total or not known:
        return f"{words.many(total, 'occlusion')} counted"
    most = max(known, key=lambda r: r.events)
    return f"{most.events:,} of {total:,} {most.label}"


@dataclass(frozen=True)
class ClockMonth:
    """Device clock minus charts of a month's trips, s; `ends` as QUANTILES, None where unknown."""

    name: str
    trips: int
    matched: int
    beyond_limit: int
    unmatched: int
    ends: tuple[float, float, float, float, float] | None
    mean_abs_s: float | None


@dataclass(frozen=True)
class Clocks:
    """The months, the last of them all together, their picture, and how far clocks were off."""

    rows: tuple[ClockMonth, ...]
    said: str
    picture: Markup | str


def clocks_data(figures: MeasureFigures, month: str) -> Clocks:
    """Device clock offsets by month, and over all months, as quantiles in seconds."""
    rows = figures.clock_offsets.records()
    months = sorted(
        (r for r in rows if not text(r["month"]).startswith("to ") and text(r["month"]) <= month),
        key=lambda r: text(r["month"]),
    )
    whole = [r for r in rows if text(r["month"]) == f"to {month}"]
    known = tuple(_clock(r) for r in [*months[-CLOCK_MONTHS:], *whole])
    drawn = [SpreadRow(c.name, c.ends, words.whole(c.trips)) for c in known if c.ends is not None]
    title = "Device clock minus charts, seconds, by month"
    shown = spread_rows(drawn, title, head="trips", width=690, zero="agrees") if drawn else ""
    return Clocks(known, _clocks_said(known[-1] if whole else None), shown)


def _clock(row: Row) -> ClockMonth:
    month = text(row["month"])
    found = [words.some(row[name]) for name in QUANTILES]
    known = [v for v in found if v is not None]
    ends = (known[0], known[1], known[2], known[3], known[4]) if len(known) == 5 else None
    name = "all months" if month.startswith("to ") else words.month_name(month)
    return ClockMonth(
        name, int(row["trips"] or 0), int(row["matched"] or 0), int(row["beyond_limit"] or 0),
        int(row["unmatched"] or 0), ends, words.some(row["mean_abs_s"]),
    )  # fmt: skip


def _clocks_said(whole: ClockMonth | None) -> str:
    if whole is None or not whole.trips:
        return "no trip has a device log"
    if whole.ends is None:
        return f"none of {words.many(whole.trips, 'trip')} has a start that could be matched"
    _, p25, _, p75, _ = whole.ends
    return f"half of the offsets within {words.signed(p25)} and {words.signed(p75)} s"
