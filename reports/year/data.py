"""The twelve months to one against the twelve before: figures, signals, actions, trips received."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.estimates import Estimate, Ratio, ratio_of, year_estimate
from reports.text.plain_rows import text
from reports.text.sentences import two_years
from reports.text.signal_lines import signal_parts
from schemas.record import dataclass
from schemas.units import Unit, severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview

MONTHS = 12
RATE, RULES, KEPT = "occlusion-rate", "deviation-share", "all-rules-share"
OCCLUDED = "trips-with-occlusion"
FIRST = (KEPT, OCCLUDED, RATE)
NAMED_MOST = 3
BY_CHANCE = 0.05
ENDS = {
    "stands": "open",
    "closed": "closed",
    "ended": "ended: twelve months at the level before",
    "found no more": "withdrawn: not found in what came since",
}
"""How a signal stands, in words; those said again since are said once."""


@dataclass(frozen=True)
class YearFigure:
    """A measure of both years; `ratio` is now over before, `goal` a share the service aims at."""

    label: str
    group: str
    now: Estimate
    before: Estimate
    ratio: Ratio
    goal: float | None
    high: bool = False

    @property
    def moved(self) -> int:
        """1 where the whole interval of the ratio is above 1, -1 below, else 0."""
        _, low, high = self.ratio
        if low is None or high is None:
            return 0
        return int(low > 1) - int(high < 1)

    @property
    def above_goal(self) -> bool:
        """Whether the whole interval of the last twelve months lies above the goal."""
        return self.goal is not None and (self.now.low or 0.0) > self.goal


@dataclass(frozen=True)
class YearSignal:
    """A headline signal that was said within the twelve months, and how it stands."""

    month: str
    what: str
    counts: str
    standing: str
    worse: bool


@dataclass(frozen=True)
class YearAction:
    """An action asked for within the twelve months, and what became of it."""

    action: str
    about: str
    base: str
    state: str
    due: str


@dataclass(frozen=True)
class Received:
    """Trips of so many months, and how many were expected where that is known of all of them."""

    months: int
    trips: int
    expected: int | None

    def __str__(self) -> str:
        """'702 of 712 in 12 months'."""
        of = "" if self.expected is None else f" of {self.expected:,}"
        return f"{self.trips:,}{of} in {words.many(self.months, 'month')}"


@dataclass(frozen=True)
class YearData:
    """Everything the year shows."""

    finding: str
    figures: tuple[YearFigure, ...]
    signals: tuple[YearSignal, ...]
    actions: tuple[YearAction, ...]
    now: Received
    before: Received

    @property
    def actions_said(self) -> str:
        """'12 asked for: 7 closed, 3 open, 2 overdue'."""
        return action_words(self.actions)


def year_data(review: MonthReview, figures: MeasureFigures) -> YearData:
    """The year of a month under review; without figures of a year before they are empty."""
    found = year_figures(review, figures)
    signals, actions = year_signals(review, figures), year_actions(review)
    return YearData(year_words(found), found, signals, actions, *received(review))


def year_figures(review: MonthReview, figures: MeasureFigures) -> tuple[YearFigure, ...]:
    """The service's own, the sizes, the rules by severity, then outcomes."""
    labels = {text(c["id"]): text(c["label"]) for c in review.cannulas.records()}
    order = {key: i for i, key in enumerate(labels)}
    rules = {f.rule: f for f in review.rules}
    names = {f.id: f.name for f in figures.facts}
    found: list[tuple[tuple[int, int, str], YearFigure]] = []
    for row in figures.years.records():
        measure, by, value = (text(row[k]) for k in ("measure", "group_by", "group_value"))
        if by == "outcome":
            continue
        unit = Unit.RATE if measure == RATE else Unit.SHARE
        facts = rules.get(value) if by == "rule" else None
        rank = severity_rank(facts.severity if facts else None)
        place = {
            "service": (0 if measure in FIRST else 3, _first(measure), measure),
            "cannula": (1, order.get(value, 99), value),
            "rule": (2, rank, value),
        }[by]
        name = words.rule_title(value) if by == "rule" else names.get(measure, measure)
        figure = YearFigure(
            label=labels.get(value, value) if by == "cannula" else name,
            group=by,
            now=year_estimate(row, "now", unit),
            before=year_estimate(row, "before", unit),
            ratio=ratio_of(row),
            goal=facts.goal if facts else None,
            high=facts is not None and facts.severity == "high",
        )
        found.append((place, figure))
    return tuple(figure for _, figure in sorted(found, key=lambda both: both[0]))


def _first(measure: str) -> int:
    return FIRST.index(measure) if measure in FIRST else len(FIRST)


def year_words(figures: Sequence[YearFigure]) -> str:
    """What moved, as far as its interval says so; how many would by chance; what is above its goal.

    Of intervals of 95 % one in twenty leaves out 1 with nothing changed.
    """
    if not figures:
        return "No months before the last twelve to compare with."
    compared = sum(None not in f.ratio[1:] for f in figures)
    moved = {
        word: [_said(f) for f in figures if f.moved == way]
        for word, way in (("Up", 1), ("Down", -1))
    }
    parts = [f"{word}: {_named(labels)}." for word, labels in moved.items() if labels]
    if not parts:
        parts = [f"None of {words.many(compared, 'ratio')} moved."]
    elif compared * BY_CHANCE >= 0.5:
        parts.append(f"By chance alone: about {compared * BY_CHANCE:.0f} of {compared}.")
    above = [_said(f) for f in figures if f.above_goal and f.moved != -1]
    parts.append(f"Above goal: {_named(above)}." if above else "")
    return " ".join(filter(None, parts))


def _said(figure: YearFigure) -> str:
    """'occlusions at prong 3', 'wall oxygen time (still above goal)' of one that came down."""
    own = figure.label if figure.group == "cannula" else figure.label.lower()
    at = "occlusions at " if figure.group == "cannula" else ""
    still = " (still above goal)" if figure.moved == -1 and figure.above_goal else ""
    return f"{at}{own}{still}"


def _named(labels: list[str]) -> str:
    more = len(labels) - NAMED_MOST
    if more > 0:
        return f"{', '.join(labels[:NAMED_MOST])} and {more} more"
    return words.listed(labels)


def year_signals(review: MonthReview, figures: MeasureFigures) -> tuple[YearSignal, ...]:
    """Headline signals said within the twelve months, the latest first."""
    first = words.month_number(review.month) - MONTHS
    found: dict[tuple[str, bool, str], list[YearSignal]] = {}
    for row in figures.signals.records():
        standing, month = text(row["standing"]), text(row["month"])
        if text(row["kind"]) != "headline" or standing not in ENDS:
            continue
        if words.month_number(month) > first:
            what, counts = signal_parts(text(row["sentence"]))
            worse = text(row["side"]) == "worse"
            ends = ": ".join(filter(None, (ENDS[standing], text(row["conclusion"]))))
            change = (what, worse, text(row["since"]))
            # said again it is one change: of the month it was first said in, as it stands now
            found.setdefault(change, []).append(YearSignal(month, what, counts, ends, worse))
    once = [replace(said[-1], month=said[0].month) for said in found.values()]
    return tuple(sorted(once, key=lambda s: (s.month, s.what), reverse=True))


def year_actions(review: MonthReview) -> tuple[YearAction, ...]:
    """Actions asked for within the twelve months: overdue, then open, then closed."""
    rows = [] if review.followup is None else review.followup.year_actions.records()
    order = ("overdue", "open", "closed")
    rows.sort(key=lambda r: (order.index(text(r["state"])), text(r["due_month"]) or "9"))
    return tuple(
        YearAction(
            action=text(r["action"]),
            about=words.listed([words.rule_title(x).lower() for x in text(r["rules"]).split()]),
            base=text(r["base"]),
            state=text(r["state"]),
            due=words.month_name(text(r["due_month"])) if r["due_month"] else "",
        )
        for r in rows
    )


def action_words(actions: Sequence[YearAction]) -> str:
    """'12 asked for: 7 closed, 3 open, 2 overdue'."""
    if not actions:
        return "none asked for"
    counts = {s: sum(a.state == s for a in actions) for s in ("closed", "open", "overdue")}
    parts = [f"{n} {state}" for state, n in counts.items() if n]
    return f"{len(actions)} asked for: {', '.join(parts)}"


def received(review: MonthReview) -> tuple[Received, Received]:
    """Trips of the last twelve months, and of the twelve before."""
    now, before = (_received(side) for side in two_years(review))
    return now, before


def _received(months: list[tuple[int, int | None]]) -> Received:
    due = [expected for _, expected in months]
    expected = None if None in due or not due else sum(d for d in due if d is not None)
    return Received(len(months), sum(got for got, _ in months), expected)
