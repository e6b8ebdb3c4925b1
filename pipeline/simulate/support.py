"""What support each child was on: one series of changes a field, in whole minutes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.children import LEAST_FLOW, MOST_FLOW, Children
from pipeline.simulate.draws import Draws, Ints
from pipeline.simulate.plants import (
    CHANGED,
    LOW,
    ON_THE_ROAD,
    RANGE,
    RICH,
    Codes,
    Fit,
    Heat,
    Wall,
    Watch,
)
from pipeline.simulate.times import BLENDER, NEVER, VENTILATOR, WALL_TRANSIT, Times
from schemas.contract import HUMIDIFICATIONS, REASONS, SOURCES

NOT_CHARTED = 0
SOURCE = {name: number for number, name in enumerate(SOURCES, start=1)}
HUMIDIFICATION = {name: number for number, name in enumerate(HUMIDIFICATIONS, start=1)}
REASON = {name: number for number, name in enumerate(REASONS, start=1)}


@dataclass
class Series:
    """Values from minute `at[:, k]` on (NEVER: no such change), shape (n, changes), in order.

    `charted_from` is the minute from which the field is charted at all, shape (n,).
    """

    at: Ints
    value: Ints
    charted_from: Ints

    def in_force(self, trip: Ints, minute: Ints) -> Ints:
        """Return the true value for rows of the trips at these positions and minutes."""
        found: Ints = self.value[trip, 0]
        for k in range(1, self.at.shape[1]):
            found = np.where(self.at[trip, k] <= minute, self.value[trip, k], found)
        return found


def _series(start: Ints, first: Ints, *changes: tuple[Ints, Ints]) -> Series:
    """Build a series from its first value and (minute, value) changes in order of time."""
    at = np.stack([start, *(minute for minute, _ in changes)], axis=1)
    value = np.stack([first, *(value for _, value in changes)], axis=1)
    return Series(at, value, start.copy())


@dataclass
class Support:
    """The series of a chunk of trips, and the rows that chart a reason."""

    source: Series
    flow10: Series
    fio2: Series
    humidification: Series
    cannula: Series
    reason_at: Ints
    reason: Ints
    start_reason: Ints


def support(draws: Draws, codes: Codes, child: Children, when: Times) -> Support:
    """Write out the planned support, field by field."""
    undiluted = np.where(
        (when.kind == WALL_TRANSIT) & draws.chance("cylinder", 0.4),
        SOURCE["cylinder"],
        SOURCE["wall"],
    )
    reason_at, reason, start_reason = _reasons(codes, when)
    cannula = _series(when.start, child.cannula + 1)
    cannula.charted_from[codes.fit == Fit.CANNULA_NEVER_CHARTED] = NEVER
    return Support(
        source=_source(codes, when, undiluted),
        flow10=_flow(draws, codes, child, when),
        fio2=_fio2(draws, codes, child, when),
        humidification=_humidification(codes, when),
        cannula=cannula,
        reason_at=reason_at,
        reason=reason,
        start_reason=start_reason,
    )


@dataclass
class Scene:
    """Everything laid out about a chunk of trips before anything is charted."""

    draws: Draws
    codes: Codes
    child: Children
    when: Times
    what: Support


def _changed_source(when: Times) -> Ints:
    """When the source changes on leaving the bedside; a blender may simply go along."""
    same = (when.kind == BLENDER) & ~when.bedside_wall
    return np.where(same, NEVER, when.moved)


def _source(codes: Codes, when: Times, undiluted: Ints) -> Series:
    travel = np.where(when.kind == VENTILATOR, SOURCE["ventilator"], SOURCE["blender"])
    travel = np.where(when.kind == WALL_TRANSIT, undiluted, travel)
    moved = _changed_source(when)
    bedside = np.where(when.bedside_wall, SOURCE["wall"], SOURCE["blender"])
    bedside = np.where(when.bedside_wall & (when.moved == NEVER), undiluted, bedside)
    twice = codes.wall == Wall.TWICE
    back = np.where(twice, when.departed + 6, NEVER)
    again = np.where(twice, when.departed + 36, NEVER)
    wall = np.full_like(back, SOURCE["wall"])
    found = _series(when.start, bedside, (moved, travel), (back, wall), (again, travel))
    # of two stretches on the wall the second starts when the ventilator fails
    found.charted_from[codes.wall == Wall.SOURCE_LATE] += 25
    return found


def _humidification(codes: Codes, when: Times) -> Series:
    heat, start = codes.heat, when.start
    cold = np.full_like(start, HUMIDIFICATION["unheated"])
    warm = np.full_like(start, HUMIDIFICATION["heated"])
    at_start = [Heat.SHORT_START, Heat.SHORT_WALL_EXPLAINED, Heat.UNEXPLAINED]
    at_start += [Heat.EXPLAINED_LATE, Heat.ONE_UNEXPLAINED]
    leaving = np.isin(heat, [Heat.LONG_LEAVING, Heat.LONG_LEAVING_CALLED])
    first_cold = np.isin(heat, at_start) | leaving
    first_warm_at = np.where(leaving, when.departed + 6, start + when.unheated)
    first_warm_at = np.where(first_cold, first_warm_at, NEVER)
    second = np.where(heat == Heat.ONE_UNEXPLAINED, start + 10, NEVER)
    second = np.where(heat == Heat.CHANGED_LEAVING, when.departed - 8, second)
    second = np.where(np.isin(heat, ON_THE_ROAD), when.departed + 5, second)
    second_warm_at = np.where(second < NEVER, second + when.unheated, NEVER)
    found = _series(
        start,
        np.where(first_cold, cold, warm),
        (first_warm_at, warm),
        (second, cold),
        (second_warm_at, warm),
    )
    found.charted_from[heat == Heat.CHARTED_LATE] += 18
    found.charted_from[heat == Heat.NEVER_CHARTED] = NEVER
    return found


def _flow(draws: Draws, codes: Codes, child: Children, when: Times) -> Series:
    """The flow, a step of one litre on some trips, and the planted stretch out of range."""
    low, high = LEAST_FLOW[child.cannula] * 10, MOST_FLOW[child.cannula] * 10
    out = np.isin(codes.fit, RANGE)
    low_side = draws.chance("below range", 0.2)
    outside = np.where(low_side, low - 5, high + 20).astype(np.int64)
    plain = ~out & ~np.isin(codes.watch, LOW) & (codes.watch != Watch.CHART_GAP)
    plain &= ~np.isin(codes.escalation, CHANGED) & (codes.whole == 0)
    stepped = child.flow10 + np.where(draws.chance("flow up", 0.5), 10, -10)
    step = plain & (stepped >= low) & (stepped <= high) & draws.chance("flow step", 0.25)
    step_at = when.departed + draws.whole("flow step", 4, 12)
    at = np.where(out, when.departed + 5, np.where(step, step_at, NEVER))
    value = np.where(out, outside, stepped)
    back_at = np.where(out, at + when.range_length, NEVER)
    found = _series(when.start, child.flow10, (at, value), (back_at, child.flow10))
    found.charted_from[codes.fit == Fit.FLOW_CHARTED_LATE] += 8
    return found


def _fio2(draws: Draws, codes: Codes, child: Children, when: Times) -> Series:
    """Oxygen in hundredths: undiluted on the wall, then the child's own, titrated on some trips."""
    full = np.full_like(when.start, 100)
    rich = np.isin(codes.watch, RICH)
    own = np.where(rich, 45 + 5 * draws.whole("rich", 0, 3), child.fio2)
    own = np.where(np.isin(codes.watch, LOW), np.minimum(own, 45), own)
    bedside = np.where(when.bedside_wall, full, own)
    bedside = np.where(codes.wall == Wall.SOURCE_LATE, 35, bedside)
    source_late_at = np.where(codes.wall == Wall.SOURCE_LATE, when.start + 25, NEVER)
    travel = np.where(when.kind == WALL_TRANSIT, full, own)
    twice = codes.wall == Wall.TWICE
    plain = ~rich & ~np.isin(codes.watch, LOW) & ~np.isin(codes.escalation, CHANGED) & ~twice
    plain &= (codes.watch != Watch.CHART_GAP) & (when.kind != WALL_TRANSIT) & (codes.whole == 0)
    titrated = plain & (own >= 30) & draws.chance("titrated", 0.35)
    answered = np.isin(codes.watch, [Watch.LOW_ANSWERED, Watch.LOW_ANSWERED_AT_LIMIT])
    step_at = np.where(titrated, when.departed + draws.whole("titrated", 8, 15), NEVER)
    step_at = np.where(answered, low_readings(draws, when)[1] + 2, step_at)
    step_at += np.where(codes.watch == Watch.LOW_ANSWERED_AT_LIMIT, 3, 0)
    step_at = np.where(twice, when.departed + 6, step_at)
    step = np.where(titrated, own - 5, own + 10)
    step = np.where(twice, full, step)
    again = np.where(twice, when.departed + 36, NEVER)
    late = (source_late_at, full)
    left = (_changed_source(when), travel)
    found = _series(when.start, bedside, late, left, (step_at, step), (again, own))
    found.charted_from[codes.watch == Watch.RICH_UNKNOWN] = NEVER
    return found


def first_observation(draws: Draws) -> Ints:
    """Return the minute of each trip's first observation."""
    return draws.whole("first observation", 1, 4)


def low_readings(draws: Draws, when: Times) -> tuple[Ints, Ints]:
    """Return the minutes of the two low readings, on a five-minute grid after departure."""
    first = first_observation(draws)
    steps = -(-(when.departed + 16 - first) // 5)
    return first + 5 * steps, first + 5 * steps + 5


def _reasons(codes: Codes, when: Times) -> tuple[Ints, Ints, Ints]:
    """A row that charts a reason of its own (minute, code), and the first row's reason."""
    heat, start = codes.heat, when.start
    leaving = np.isin(heat, [Heat.LONG_LEAVING, Heat.LONG_LEAVING_CALLED])
    failed = np.isin(heat, [Heat.SHORT_WALL_EXPLAINED, Heat.ONE_UNEXPLAINED]) | leaving
    first = np.where(failed, REASON["heater_failed"], REASON["start"])
    first = np.where(codes.fit == Fit.FLOW_CLINICAL, REASON["clinical"], first)
    at = np.where(heat == Heat.EXPLAINED_LATE, start + when.unheated + 2, NEVER)
    at = np.where(np.isin(heat, ON_THE_ROAD), when.departed + 4, at)
    # a failure charted one minute into the stretch explains it as well
    both = failed & (codes.fit == Fit.FLOW_CLINICAL)
    at = np.where(both, start + 1, at)
    code = np.full_like(at, REASON["heater_failed"])
    at = np.where(codes.wall == Wall.TWICE, when.departed + 6, at)
    code = np.where(codes.wall == Wall.TWICE, REASON["ventilator_failed"], code)
    return at, code, first
