"""The headline signals that stand, in few words: what, where, since when, and its counts to now."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.plain_rows import Row, text
from reports.text.signal_lines import RECORD, chart_months, standing
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

RATE = "occlusion-rate"
LATELY = 3
"""So many last months stand beside a level since, which may have fallen again."""
CHART = re.compile(r"(?:As of .*?: )?(.*?): \d")
"""A signal's sentence up to its counts; a revised one begins with when it was."""


@dataclass(frozen=True)
class Worse:
    """A headline signal. `chart` is what it is of, as its sentence says: 'Unheated time at damson'.

    `now` and `before` are (events, hours) or (variances, trips): from `since` to the month under
    review, and of the months before it; what the signal was said on is a part of `now`. `last`:
    'Apr–Jun' and the counts of the last three months alone, where `now` is longer.
    """

    measure: str
    by: str
    value: str
    chart: str
    since: str
    now: tuple[float, float]
    before: tuple[float, float]
    last: tuple[str, float, float] | None

    @property
    def of_rate(self) -> bool:
        """Whether it is of occlusions by hours, not of trips."""
        return self.measure == RATE

    @property
    def named(self) -> str:
        """'unheated time at damson', within a sentence; of the record 'elm's logs'."""
        if self.measure == RECORD:
            return f"{self.value}'s logs"
        return words.uncapital(self.chart)

    @property
    def title(self) -> str:
        """'Unheated time, whole service', 'Occlusions at prong 2'."""
        return f"{self.chart}, whole service" if self.by in {"service", "rule"} else self.chart

    @property
    def rule(self) -> str:
        """The rule that it is of, at all bases or at one; else empty."""
        return self.value.partition(" at ")[0] if self.by.startswith("rule") else ""

    @property
    def of_size(self) -> bool:
        """Whether it is of the occlusions of one cannula size."""
        return self.of_rate and self.by == "cannula"

    @property
    def counts(self) -> str:
        """'7 of 13', '28 in 40 h', of the months since."""
        return _of(self.now, self.of_rate)

    @property
    def counts_beside(self) -> str:
        """'7 of 13 since, 2 of 31 before'."""
        before = f", {_of(self.before, self.of_rate)} before" if self.before[1] else ""
        return f"{self.counts} since{before}"

    @property
    def in_cells(self) -> str:
        """'7/13 since March 2026, 2/31 before'; of a rate '32/59 h since ...'."""
        unit = f"{words.NBSP}h" if self.of_rate else ""
        earlier = f", {self._cell(self.before)} before" if self.before[1] else ""
        since = words.month_name(self.since)
        return f"{self._cell(self.now)}{unit} since {since}{earlier}"

    @property
    def lately(self) -> str:
        """'Apr–Jun 11/67'; empty where `now` is no longer than that."""
        return f"{self.last[0]} {self._cell(self.last[1:])}" if self.last else ""

    @property
    def beside_name(self) -> tuple[str, str]:
        """'10/56,' and 'since Oct 2025 32/59', for under the name of a row."""
        before = f"{self._cell(self.before)}," if self.before[1] else ""
        return before, f"since {words.month_short(self.since)} {self._cell(self.now)}"

    def _cell(self, counts: tuple[float, float]) -> str:
        below = words.hours if self.of_rate else words.whole
        return f"{words.whole(counts[0])}/{below(counts[1])}"

    def since_words(self, month: str) -> str:
        """'since March'; with the year where that would leave it open."""
        name = words.month_name(self.since)
        near = words.month_number(month) - words.month_number(self.since) < 12
        return f"since {name.partition(' ')[0] if near else name}"


@lru_cache(maxsize=1)
def worse(review: MonthReview) -> list[Worse]:
    """What stands towards worse, care before the record, newest first."""
    return [worse_of(review, row) for row in standing(review, "headline")]


def worse_of(review: MonthReview, row: Row) -> Worse:
    """A row of `standing`, a headline's or a watch's."""
    measure, by, value, since = (
        text(row[name]) for name in ("measure", "group_by", "group_value", "since")
    )
    sentence = text(row["sentence"])
    said = CHART.match(sentence)
    chart = said[1] if said else sentence.partition(":")[0]
    months = chart_months(review, (measure, by, value))
    begun = max((m["month"] for m in months if m["restart"] and m["month"] <= since), default="")
    now, before = (
        (sum(m["numerator"] for m in own), sum(m["denominator"] for m in own))
        for own in (
            [m for m in months if m["month"] >= since],
            [m for m in months if begun <= m["month"] < since],
        )
    )
    last = months[-LATELY:]
    alone = None
    if len(last) == LATELY and last[0]["month"] > since:
        span = words.span_of([text(m["month"]) for m in last])
        alone = (span, sum(m["numerator"] for m in last), sum(m["denominator"] for m in last))
    return Worse(measure, by, value, chart, since, now, before, alone)


def _of(counts: tuple[float, float], of_rate: bool) -> str:
    seen, of = counts
    if of_rate:
        return f"{words.whole(seen)} in {words.hours(of)}{words.NBSP}h"
    return f"{words.whole(seen)} of {words.whole(of)}"
