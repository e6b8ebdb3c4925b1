"""How a change on request comes about: which plants it adds or takes away, and how often."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from pipeline.simulate.catalogue import Setup
from pipeline.simulate.changes import (
    FAILS,
    LOGS,
    OCCLUSIONS,
    ODDS,
    RETRAINED,
    Change,
    unit_of,
)
from pipeline.simulate.draws import Bools, Draws, Floats, Ints
from pipeline.simulate.plants import Codes, Heat, Wall
from pipeline.simulate.steering import CASES, STEERED
from schemas.record import dataclass


@dataclass(frozen=True)
class Dose:
    """A rule at a base (position): with this chance of `more` (or fewer) in each month."""

    rule: str
    base: int
    chance: tuple[float, ...]
    more: tuple[bool, ...]


def times_by_month(asked: tuple[Change, ...], rule: str, base: str, months: int) -> list[float]:
    """What all changes of one rule at one base make of its odds, month by month."""
    found = [1.0] * months
    for change in asked:
        if change.kind in (ODDS, RETRAINED) and (change.what, change.base) == (rule, base):
            first = change.first + (change.kind == RETRAINED)
            for month in range(first, change.last + 1):
                found[month] *= change.value
    return found


def needed_chance(times: float, plain: tuple[int, int], all_of_them: tuple[int, int]) -> float:
    """Return in how many of the trips a plant makes the odds `times` what they are.

    `plain` and `all_of_them` are deviations and met without it, and with it in every trip; both
    go up and down with its share in a straight line. Above 1 where it cannot be done.
    """
    (bad, good), (bad_all, good_all) = plain, all_of_them
    odds = times * bad / max(good, 1)
    slope = (bad_all - bad) - odds * (good_all - good)
    return 2.0 if slope == 0 else (odds * good - bad) / slope


def steered(draws: Draws, codes: Codes, base: Ints, month: Ints, doses: tuple[Dose, ...]) -> None:
    """Add and take away plants as the doses ask; what a trip is forced to leaves it no other."""
    for dose in doses:
        chance = np.array(dose.chance)[month]
        hit = (base == dose.base) & draws.chance(f"change {dose.rule}", chance)
        more = np.array(dose.more)[month]
        steer = STEERED[dose.rule]
        _forced(codes, steer.group, hit & more, steer.more)
        now = getattr(codes, steer.group)
        before = now.copy()
        free = hit & ~more & (codes.whole == 0)
        for code, becomes in steer.fewer.items():
            now[free & (before == code)] = becomes


def _forced(codes: Codes, group: str, where: Bools, code: int) -> None:
    free = where & (codes.whole < 10)
    for other in fields(codes):
        codes.clear(other.name, free)
    getattr(codes, group)[free] = code


def cased(codes: Codes, index: Ints, cases: tuple[tuple[int, str], ...]) -> None:
    """Make the cases asked for of their trips, given by number."""
    for trip, name in cases:
        case = CASES[name]
        _forced(codes, case.group, index == trip, case.code)


@dataclass(frozen=True)
class Asked:
    """All changes of a delivery, and the service they are asked of."""

    changes: tuple[Change, ...]
    setup: Setup

    def of(self, kind: str) -> list[Change]:
        """Return the changes of one kind."""
        return [change for change in self.changes if change.kind == kind]


@dataclass
class Units:
    """The number of each trip's ventilator and heater at its base, shape (n,)."""

    ventilator: Ints
    heater: Ints


def failing(
    draws: Draws, codes: Codes, where: tuple[Ints, Ints], units: Units, asked: Asked
) -> None:
    """Let units fail on trips that use them; `where` is each trip's base and month."""
    base, month = where
    for change in asked.of(FAILS):
        unit = unit_of(change.what, asked.setup)
        if unit is None:
            raise KeyError(change.what)
        kind, at, number = unit
        used = units.heater if kind == "H" else units.ventilator
        hit = (base == at) & (used == number) & _in_force(change, month)
        hit &= draws.chance(f"change {change.what}", change.value)
        group, code = ("heat", Heat.HEATER_FAILED) if kind == "H" else ("wall", Wall.FAILED)
        _forced(codes, group, hit, code)


def raised(asked: Asked, cannula: Ints, month: Ints) -> Floats:
    """What the changes make of each trip's rate of occlusions."""
    found = np.ones(len(month))
    for change in asked.of(OCCLUSIONS):
        hit = (cannula == asked.setup.place(change.what)) & _in_force(change, month)
        found = np.where(hit, found * change.value, found)
    return found


def stopped(asked: Asked, base: Ints, month: Ints) -> Bools:
    """Trips whose log was never downloaded because their base stopped."""
    found = np.zeros(len(month), dtype=bool)
    for change in asked.of(LOGS):
        found |= (base == asked.setup.bases.index(change.base)) & _in_force(change, month)
    return found


def _in_force(change: Change, month: Ints) -> Bools:
    return np.asarray((month >= change.first) & (month <= change.last))
