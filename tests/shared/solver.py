"""What an outsider can work out: every number read back from the files as a linear system.

The unknowns are the counts behind the tables, by period, rule, base and month, whole numbers from
0; the equations are what is told and how tables add up. The least and the most each count can be is
found by integer programming (scipy's interface to HiGHS).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

CELLS = ("variance", "kept", "not_judged")
OTHERS = "other bases"
Name = tuple[str, ...]
Rows = list[dict[str, Any]]


class Unknowns:
    """A system of equations over named whole numbers from 0."""

    def __init__(self) -> None:
        self.places: dict[Name, int] = {}
        self.equations: list[tuple[dict[Name, float], float, float]] = []

    def say(self, parts: dict[Name, float], low: float, high: float | None = None) -> None:
        """The sum of the parts lies between `low` and `high`; equals `low` without `high`."""
        for name in parts:
            self.places.setdefault(name, len(self.places))
        self.equations.append((parts, low, low if high is None else high))

    def range(self, name: Name) -> tuple[float, float]:
        """The least and the most the count can be; infinite where nothing holds it."""
        matrix = np.zeros((len(self.equations), len(self.places)))
        for row, (parts, _, _) in enumerate(self.equations):
            for part, factor in parts.items():
                matrix[row, self.places[part]] = factor
        lows, highs = (np.array([e[i] for e in self.equations]) for i in (1, 2))
        found = []
        for sign in (1, -1):
            aim = np.zeros(len(self.places))
            aim[self.places[name]] = sign
            done = milp(
                aim,
                constraints=LinearConstraint(matrix, lows, highs),
                integrality=np.ones(len(aim)),
                bounds=Bounds(0, np.inf),
            )
            assert done.status in (0, 3, 4), done.message
            found.append(float(aim @ done.x) * sign if done.status == 0 else sign * -np.inf)
        return found[0], found[1]


def rules_system(
    rules: Rows, bases: Rows, period: str, rule: str, months: Iterable[str] = ()
) -> Unknowns:
    """Everything told of one rule in one period, by base and, untold, by month.

    Shares are turned back into counts: share times what it is of, where either is told.
    """
    system = Unknowns()
    (row,) = [r for r in rules if r["period"] == period and r["rule"] == rule]
    system.say(dict.fromkeys([(c,) for c in CELLS], 1), row["trips"])
    for cell in CELLS:
        if row[cell] is not None:
            system.say({(cell,): 1}, row[cell])
        if months:
            system.say({(cell,): -1, **{(cell, month): 1 for month in months}}, 0)
    if row["judged"] is not None:
        system.say({("variance",): 1, ("kept",): 1}, row["judged"])
    if row["share"] is not None:
        whole = row["judged"] if row["of"] == "judged" else row["trips"]
        system.say({("variance",): 1}, round(row["share"] * whole))
    if row["of"] == "trips":
        system.say({("not_judged",): 1}, 0, 10)
    _say_bases(system, bases, period, rule)
    return system


def _say_bases(system: Unknowns, bases: Rows, period: str, rule: str) -> None:
    """The rule's rows by base, and of the bases told together the trips told with other rules."""
    own = {r["base"]: r for r in bases if r["period"] == period and r["rule"] == rule}
    if not own:
        return
    volumes = {r["base"]: r["trips"] for r in bases
               if r["period"] == period and r["base"] != OTHERS}  # fmt: skip
    for cell in CELLS:
        system.say({(cell,): -1, **{(cell, "base", base): 1 for base in own}}, 0)
    for base, row in own.items():
        for cell in CELLS:
            system.say({(cell, "base", base): 1}, row[cell])
    apart = [base for base in volumes if base not in own]
    if OTHERS in own:
        within = [*apart, "all that are never named"]
        for cell in CELLS:
            parts = {(cell, "base", base): 1.0 for base in within}
            system.say({(cell, "base", OTHERS): -1, **parts}, 0)
        for base in apart:
            system.say({(cell, "base", base): 1 for cell in CELLS}, volumes[base])


def sizes_system(sizes: Rows, period: str) -> Unknowns:
    """Everything told of occlusions in one period: events, and rates times hours."""
    system = Unknowns()
    own = {r["cannula"]: r for r in sizes if r["period"] == period}
    system.say({("all",): -1, **{(size,): 1 for size in own if size != "all"}}, 0)
    for size, row in own.items():
        if row["events"] is not None:
            system.say({(size,): 1}, row["events"])
        if row["rate"] is not None and row["hours"] is not None:
            system.say({(size,): 1}, round(row["rate"] * row["hours"] / 100))
    return system
