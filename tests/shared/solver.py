"""What an outsider can work out: every number that was told, read back as one linear system.

The unknowns are what lies behind the tables of a period: trips by rule and answer, and those by
base and by month; events, trips and hours by cannula size. Whole numbers from 0, but for hours. The
equations are what is told (counts, hours, shares, rates and limits of intervals turned back into
what they are made of) and what follows from what the words mean. The least and the most each can be
is found by integer programming (scipy's interface to HiGHS).

It does not know what other rules have to do with each other than the two in NESTED, nor anything
that is not in the files, such as how many trips a crew remembers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, brentq, milp
from scipy.sparse import coo_array
from statsmodels.stats.proportion import proportion_confint

CELLS = ("variance", "kept", "not_judged")
OTHERS = "other bases"
ALL = "all-rules"
NESTED = ("repeated-occlusion-call", "flow-interruption")
Name = tuple[str, ...]
Rows = list[dict[str, Any]]


class Unknowns:
    """A system of equations over named numbers from 0, whole but for those in `fractions`."""

    def __init__(self) -> None:
        self.places: dict[Name, int] = {}
        self.equations: list[tuple[dict[Name, float], float, float]] = []
        self.fractions: set[Name] = set()
        self._kept: tuple[int, LinearConstraint, np.ndarray] | None = None

    def say(self, parts: dict[Name, float], low: float, high: float | None = None) -> None:
        """The sum of the parts lies between `low` and `high`; equals `low` without `high`."""
        for name in parts:
            self.places.setdefault(name, len(self.places))
        self.equations.append((parts, low, low if high is None else high))

    def most(self, parts: dict[Name, float]) -> None:
        """The sum of the parts is at most 0."""
        self.say(parts, -np.inf, 0)

    def range(self, name: Name) -> tuple[float, float]:
        """The least and the most it can be; infinite where nothing holds it."""
        constraint, whole = self._built()
        found = []
        for sign in (1, -1):
            aim = np.zeros(len(self.places))
            aim[self.places[name]] = sign
            done = milp(
                aim,
                constraints=constraint,
                integrality=whole,
                bounds=Bounds(0, np.inf),
            )
            assert done.status in (0, 3, 4), done.message
            found.append(float(aim @ done.x) * sign if done.status == 0 else sign * -np.inf)
        return found[0], found[1]

    def _built(self) -> tuple[LinearConstraint, np.ndarray]:
        """The equations as a matrix, and which unknowns are whole; once until more is said."""
        said = len(self.equations)
        if self._kept is None or self._kept[0] != said:
            entries = [
                (row, self.places[part], factor)
                for row, (parts, _, _) in enumerate(self.equations)
                for part, factor in parts.items()
            ]
            rows, columns, factors = zip(*entries, strict=True)
            shape = (said, len(self.places))
            matrix = coo_array((factors, (rows, columns)), shape=shape).tocsr()
            lows, highs = (np.array([e[i] for e in self.equations]) for i in (1, 2))
            whole = np.array([part not in self.fractions for part in self.places], dtype=int)
            self._kept = said, LinearConstraint(matrix, lows, highs), whole
        return self._kept[1:]


def rules_system(rules: Rows, bases: Rows, period: str, months: Iterable[str] = ()) -> Unknowns:
    """Everything told of every rule in one period, by base and, untold, by month.

    Names: (rule, cell), (rule, cell, "base", base), (rule, cell, "month", month).
    """
    system = Unknowns()
    own = [row for row in rules if row["period"] == period]
    by_base = [row for row in bases if row["period"] == period]
    for row in own:
        _say_rule(system, row)
        if months:
            for cell in CELLS:
                parts: dict[Name, float] = {(row["rule"], cell, "month", m): 1 for m in months}
                system.say({(row["rule"], cell): -1, **parts}, 0)
    names = sorted({r["base"] for r in by_base if r["base"] != OTHERS})
    volumes = {r["base"]: r["trips"] for r in by_base}
    for rule in (row["rule"] for row in own):
        rows = {r["base"]: r for r in by_base if r["rule"] == rule}
        _say_bases(system, rule, rows, names, volumes)
    _say_meanings(system, [row["rule"] for row in own], names)
    return system


def _say_rule(system: Unknowns, row: dict[str, Any]) -> None:
    rule = row["rule"]
    system.say({(rule, c): 1.0 for c in CELLS}, row["trips"])
    for cell in CELLS:
        if row[cell] is not None:
            system.say({(rule, cell): 1}, row[cell])
    if row["judged"] is not None:
        system.say({(rule, "variance"): 1, (rule, "kept"): 1}, row["judged"])
    whole = row["judged"] if row["of"] == "judged" else row["trips"]
    if row["share"] is not None:
        system.say({(rule, "variance"): 1}, round(row["share"] * whole))
    if row["low"] is not None:
        system.say({(rule, "variance"): 1}, _behind_wilson(row["low"], row["high"], whole))
    if row["of"] == "trips":
        system.say({(rule, "not_judged"): 1}, 0, 10)


def _behind_wilson(low: float, high: float, whole: float) -> int:
    """The count whose Wilson interval is the one told."""
    whole = int(whole)
    counts = np.arange(whole + 1)
    lows, highs = proportion_confint(counts, whole, method="wilson")
    return int(np.argmin(np.abs(lows - low) + np.abs(highs - high)))


def _say_bases(
    system: Unknowns, rule: str, rows: dict[str, dict[str, Any]], names: list[str],
    volumes: dict[str, int],
) -> None:  # fmt: skip
    """Every named base's answers to the rule, told or not, and all others together."""
    for cell in CELLS:
        parts: dict[Name, float] = {(rule, cell, "base", base): 1 for base in [*names, OTHERS]}
        system.say({(rule, cell): -1, **parts}, 0)
    for base in names:
        # a base has as many trips for one rule as for another
        system.say({(rule, cell, "base", base): 1.0 for cell in CELLS}, volumes[base])
    apart = [base for base in names if base not in rows]
    for base, row in rows.items():
        for cell in CELLS:
            within = [OTHERS, *apart] if base == OTHERS else [base]
            system.say({(rule, cell, "base", b): 1.0 for b in within}, row[cell])
        judged = row["variance"] + row["kept"]
        if row["low"] is not None:
            assert _behind_wilson(row["low"], row["high"], judged) == row["variance"]
    if rows and OTHERS not in rows:
        assert not apart
        system.say({(rule, cell, "base", OTHERS): 1.0 for cell in CELLS}, 0)


def _say_meanings(system: Unknowns, rules: list[str], bases: list[str]) -> None:
    """What follows from what the words mean, for the service and for each base.

    A trip at variance with one rule did not keep all of them, or is not judged by all; one with two
    occlusions has one.
    """
    places: list[Name] = [(), *(("base", base) for base in [*bases, OTHERS])]
    for place in places:
        for rule in set(rules) - {ALL}:
            if ALL in rules:
                system.most({
                    (rule, "variance", *place): 1,
                    (ALL, "variance", *place): -1, (ALL, "not_judged", *place): -1,
                })  # fmt: skip
        if set(NESTED) <= set(rules):
            inner, outer = NESTED
            system.most({
                (inner, "variance", *place): 1, (inner, "kept", *place): 1,
                (outer, "variance", *place): -1, (outer, "kept", *place): -1,
            })  # fmt: skip


def sizes_system(sizes: Rows, period: str) -> Unknowns:
    """Everything told of occlusions in one period. Names: (what, size), `what` as in WHATS."""
    system = Unknowns()
    own = {r["cannula"]: r for r in sizes if r["period"] == period}
    for what in WHATS:
        system.say({(what, "all"): -1, **{(what, size): 1 for size in own if size != "all"}}, 0)
    system.fractions = {("hours", size) for size in own}
    for size, row in own.items():
        for what in WHATS:
            if row[what] is not None:
                room = 0.05 if what == "hours" else 0
                system.say({(what, size): 1}, row[what] - room, row[what] + room)
        if row["rate"]:
            hours = row["events"] / row["rate"] * 100
            system.say({("hours", size): 1}, hours - 0.05, hours + 0.05)
        if row["low"] is not None:
            what, low, high = _behind_limits(row)
            system.say({(what, size): 1}, low, high)
    return system


WHATS = ("events", "trips", "hours")


def _behind_limits(row: dict[str, Any]) -> tuple[str, float, float]:
    """What a rate's limits are made of beside what stands in its row."""
    if not row["events"]:
        hours = -math.log(0.025) / row["high"] * 100
        return "hours", hours - 0.05, hours + 0.05
    spread = (math.log(row["high"] / row["low"]) / (2 * 1.959964)) ** 2
    extra = spread - 1 / row["events"]
    trips = brentq(lambda n: 2 / n - extra, 1e-3, 1e9)
    return "trips", trips - 0.01 * max(1, trips / 100), trips + 0.01 * max(1, trips / 100)
