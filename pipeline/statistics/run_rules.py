"""What on a control chart is a signal: the four zone rules; longest run and crossings.

Points without z (a gap, an incomplete month) are passed over as if they were not there. No rule
looks across a change of phase.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import BoolArray, Chart, one_series
from pipeline.statistics.counts import binomial
from pipeline.statistics.intervals import FloatArray
from schemas.record import dataclass


@dataclass(frozen=True)
class ZoneRule:
    """``hits`` of the last ``window`` points, the last among them, beyond ``sigmas`` on a side."""

    name: str
    hits: int
    window: int
    sigmas: float
    words: str


ZONE_RULES = (
    ZoneRule("3-sigma", 1, 1, 3.0, "a point {side} the 3-sigma limit"),
    ZoneRule("2-of-3", 2, 3, 2.0, "2 of 3 points in a row more than 2 sigma {side} the centre"),
    ZoneRule("4-of-5", 4, 5, 1.0, "4 of 5 points in a row more than 1 sigma {side} the centre"),
    ZoneRule("8-on-a-side", 8, 8, 0.0, "8 points in a row {side} the centre"),
)
"""The four classic zone rules (Western Electric 1956), as studied by Champ and Woodall 1987."""


BOTH_SIDES = (True, False)
"""Of the centre: above is True."""


@dataclass(frozen=True)
class Signal:
    """The point at which a rule is met, on which side, the rule in words and the points it saw."""

    index: int
    rule: str
    side: str
    words: str
    points: tuple[int, ...]


@dataclass(frozen=True)
class RunsTest:
    """Longest run and number of crossings of a line, with the bounds for so many points.

    ``n`` counts the points off the line. ``signal`` if ``longest_run`` is above its limit or
    ``crossings`` below its own; ``words`` says which, or why there is nothing to say.
    """

    n: int
    longest_run: int
    longest_run_limit: int
    crossings: int
    crossings_limit: int
    signal: bool
    words: str


def zone_hits(z: ArrayLike, rule: ZoneRule) -> tuple[BoolArray, BoolArray]:
    """Where a rule is met above and below the centre.

    ``z`` in sigmas, points in order along the last axis (any leading axes: many series at once).
    A value exactly at the rule's line, or NaN, is not beyond it.
    """
    values = np.asarray(z, dtype=np.float64)
    return _met(values > rule.sigmas, rule), _met(values < -rule.sigmas, rule)


def any_signal(
    z: ArrayLike,
    rules: Sequence[ZoneRule] = ZONE_RULES,
    sides: Sequence[bool] = BOTH_SIDES,
) -> BoolArray:
    """Where any rule is met on one of the sides; shape of ``z``, points along the last axis."""
    values = np.asarray(z, dtype=np.float64)
    found = np.zeros_like(values, dtype=bool)
    for rule in rules:
        for above in sides:
            found |= _met(values > rule.sigmas if above else values < -rule.sigmas, rule)
    return found


def signals(chart: Chart, rules: Sequence[ZoneRule] = ZONE_RULES) -> tuple[Signal, ...]:
    """Every signal of a chart by the zone rules, in the order of points and then of rules.

    On a chart without zones (the g chart) only the 3-sigma rule and 8 on a side of its median
    apply. A provisional chart signals as any other: the caller says that it is provisional.
    """
    found = []
    for phase in chart.phases:
        at = np.flatnonzero(np.isfinite(chart.z[phase.start : phase.stop])) + phase.start
        for order, rule in enumerate(rules):
            z = chart.z[at]
            if not chart.zones and rule.window > 1:
                if rule.sigmas > 0:
                    continue
                z = chart.value[at] - chart.middle[at]
            for side, met in zip(("above", "below"), zone_hits(z, rule), strict=True):
                for i in np.flatnonzero(met):
                    seen = tuple(int(j) for j in at[max(0, i - rule.window + 1) : i + 1])
                    signal = Signal(int(at[i]), rule.name, side, rule.words.format(side=side), seen)
                    found.append((signal.index, order, signal))
    return tuple(signal for _, _, signal in sorted(found, key=lambda entry: entry[:2]))


def runs_test(values: ArrayLike, line: ArrayLike) -> RunsTest:
    """Longest run and crossings of a line, usually the baseline's median.

    Signal if the longest run is above round(log2(n) + 3), or the crossings are below the 5th
    percentile of Binomial(n - 1, 1/2). Points on the line, and missing ones, do not count; with
    fewer than 10 that do there is nothing to say.
    Source: Anhoej and Olesen 2014, PLoS ONE 9:e113825.
    """
    x, centre = one_series(values, line)
    off = x - centre
    side = np.sign(off[np.isfinite(off) & (off != 0)])
    n = len(side)
    if n == 0:
        return RunsTest(0, 0, 0, 0, 0, False, "No point off the line.")
    turns = np.flatnonzero(np.diff(side))
    longest = int(np.max(np.diff([0, *(turns + 1), n])))
    limit, fewest = runs_limits(n)
    if n < 10:
        words = f"Too few points to say: {n} off the line, 10 needed."
        return RunsTest(n, longest, limit, len(turns), fewest, False, words)
    long, few = longest > limit, len(turns) < fewest
    findings = []
    if long:
        findings.append(f"{longest} points in a row on one side, more than {limit}")
    if few:
        findings.append(f"the line is crossed {len(turns)} times, fewer than {fewest}")
    words = "; ".join(findings).capitalize() + "." if findings else "No unusual run."
    return RunsTest(n, longest, limit, len(turns), fewest, long or few, words)


def runs_limits(n: int) -> tuple[int, int]:
    """Longest run still ordinary, and fewest crossings still ordinary, for n points (1 or more)."""
    fewest = int(binomial(n - 1, 0.5).quantile(0.05)) if n > 1 else 0
    return round(float(np.log2(n)) + 3), fewest


def chart_runs(chart: Chart) -> tuple[RunsTest, ...]:
    """The test of longest run and crossings for each phase of a chart, about its ``middle``."""
    return tuple(
        runs_test(_usable(chart, p.start, p.stop), chart.middle[p.start : p.stop])
        for p in chart.phases
    )


def _usable(chart: Chart, start: int, stop: int) -> FloatArray:
    return np.where(np.isfinite(chart.z[start:stop]), chart.value[start:stop], np.nan)


def _met(beyond: BoolArray, rule: ZoneRule) -> BoolArray:
    """Whether a point is beyond the line, as are enough of the window that ends with it."""
    if rule.window == 1:
        return beyond
    counted = beyond.T.astype(np.uint8)
    total = counted.copy()
    for back in range(1, rule.window):
        total[back:] += counted[:-back]
    return beyond & (total >= rule.hits).T
