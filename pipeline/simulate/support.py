"""What support each child was on: one series of changes a field, in whole minutes."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.children import Children
from pipeline.simulate.draws import Bools, Draws, Ints
from pipeline.simulate.pathways import CYLINDER, NEVER
from pipeline.simulate.plants import (
    CHANGED,
    LEAVES_COLD,
    LOW,
    ON_THE_ROAD,
    RANGE,
    RICH,
    WORSENING,
    Codes,
    Fit,
    Heat,
    Wall,
    Watch,
)
from pipeline.simulate.times import Times
from pipeline.simulate.worsening import ANSWERED, turns
from schemas.contract import HUMIDIFICATIONS, REASONS, SOURCES
from schemas.record import dataclass

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
    reason_at, reason, start_reason = _reasons(draws, codes, when)
    cannula = _series(when.start, child.cannula + 1)
    cannula.charted_from[codes.fit == Fit.CANNULA_NEVER_CHARTED] = NEVER
    source = _source(codes, when)
    fio2, sick = _fio2(draws, codes, child, when, source)
    worse = np.isin(codes.escalation, [*WORSENING, *CHANGED])
    return Support(
        source=source,
        flow10=_flow(draws, codes, child, when, raised=worse & ~sick),
        fio2=fio2,
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


def _source(codes: Codes, when: Times) -> Series:
    """The sending hospital's blended gas, then what the trip travels on, and what replaces it."""
    full = np.where(when.kind == CYLINDER, SOURCE["cylinder"], SOURCE["wall"])
    travel = np.where(when.on_wall, full, SOURCE["ventilator"])
    blended = np.full_like(full, SOURCE["blender"])
    ventilator = np.full_like(full, SOURCE["ventilator"])
    leaving = codes.wall == Wall.CHANGED_LEAVING
    away = np.where(when.on_wall, NEVER, when.wall[:, 0, 0])
    back = np.where(when.wall[:, 1, 0] < NEVER, when.wall[:, 0, 1], NEVER)
    found = _series(
        when.start,
        blended,
        (np.where(leaving, away, NEVER), full),
        (when.moved, travel),
        (np.where(leaving, NEVER, away), full),
        (back, ventilator),
        (when.wall[:, 1, 0], full),
    )
    late = codes.wall == Wall.SOURCE_LATE
    found.charted_from[late] = when.moved[late]
    return found


def _humidification(codes: Codes, when: Times) -> Series:
    """Heated, but for the stretches that are not."""
    heat, start, cold_at = codes.heat, when.start, when.cold
    cold = np.full_like(start, HUMIDIFICATION["unheated"])
    warm = np.full_like(start, HUMIDIFICATION["heated"])
    from_start = cold_at[:, 0, 0] <= start
    found = _series(
        start,
        np.where(from_start, cold, warm),
        (np.where(from_start, NEVER, cold_at[:, 0, 0]), cold),
        (cold_at[:, 0, 1], warm),
        (cold_at[:, 1, 0], cold),
        (cold_at[:, 1, 1], warm),
    )
    found.charted_from[heat == Heat.CHARTED_LATE] += 18
    found.charted_from[heat == Heat.NEVER_CHARTED] = NEVER
    return found


def _flow(draws: Draws, codes: Codes, child: Children, when: Times, *, raised: Bools) -> Series:
    """The flow, a step of one litre on some trips, and the planted stretch out of range.

    It is `raised` for children who get worse and cannot be given more oxygen.
    """
    low, high = (limit[child.cannula] * 10 for limit in child.setup.flow)
    out = np.isin(codes.fit, RANGE)
    low_side = draws.chance("below range", 0.2)
    beyond_range = np.where(low_side, low - 5, high + 20).astype(np.int64)
    plain = ~out & ~np.isin(codes.watch, LOW) & (codes.watch != Watch.CHART_GAP)
    plain &= ~np.isin(codes.escalation, CHANGED) & (codes.whole == 0)
    stepped = child.flow10 + np.where(draws.chance("flow up", 0.5), 10, -10)
    step = plain & (stepped >= low) & (stepped <= high) & draws.chance("flow step", of("flow_step"))
    # nobody turns down the flow of a child who gets worse
    step &= ~np.isin(codes.escalation, WORSENING) | ((stepped > child.flow10) & ~raised)
    step_at = when.departed + draws.whole("flow step", 4, 12)
    at = np.where(out, when.departed + 5, np.where(step, step_at, NEVER))
    value = np.where(out, beyond_range, stepped)
    back_at = np.where(out, at + when.range_length, NEVER)
    room = (high - child.flow10).astype(np.int64) // 5 * 5
    more = child.flow10 + np.minimum(room, 10 * draws.whole("flow raised", 1, 2))
    more_at = np.where(raised & (room > 0), turns(draws, codes, when) + ANSWERED, NEVER)
    found = _series(when.start, child.flow10, (at, value), (back_at, child.flow10), (more_at, more))
    found.charted_from[codes.fit == Fit.FLOW_CHARTED_LATE] += 8
    return found


def _fio2(
    draws: Draws, codes: Codes, child: Children, when: Times, source: Series
) -> tuple[Series, Bools]:
    """Oxygen in hundredths: undiluted where the source is, else the child's own.

    With where it is raised because the child gets worse.
    """
    rich, low = np.isin(codes.watch, RICH), np.isin(codes.watch, LOW)
    own = np.where(rich, 45 + 5 * draws.whole("rich", 0, 3), child.fio2)
    own = np.where(low, np.minimum(own, 45), own)
    plain = ~rich & ~low & ~np.isin(codes.escalation, CHANGED) & (when.failed >= NEVER)
    plain &= (codes.watch != Watch.CHART_GAP) & ~when.on_wall & (codes.whole == 0)
    # a child who comes to need more support is given more oxygen first
    cut = np.isin(codes.escalation, CHANGED) & (when.failed >= NEVER) & ~when.on_wall
    sick = (plain & np.isin(codes.escalation, WORSENING)) | cut
    titrated = plain & ~sick & (own >= 30) & draws.chance("titrated", of("titrated"))
    answered = np.isin(codes.watch, [Watch.LOW_ANSWERED, Watch.LOW_ANSWERED_AT_LIMIT])
    step_at = np.where(titrated, when.departed + draws.whole("titrated", 8, 15), NEVER)
    step_at = np.where(sick, turns(draws, codes, when) + ANSWERED, step_at)
    step_at = np.where(answered, low_readings(draws, when)[1] + 2, step_at)
    step_at += np.where(codes.watch == Watch.LOW_ANSWERED_AT_LIMIT, 3, 0)
    step = np.where(titrated, own - 5, own + 10)
    undiluted = np.isin(source.value, [SOURCE["wall"], SOURCE["cylinder"]])
    beside = [
        (source.at[:, k], np.where(undiluted[:, k], 100, own)) for k in range(1, len(source.at[0]))
    ]
    found = _series(when.start, own, *beside, (step_at, step))
    found.charted_from[codes.watch == Watch.RICH_UNKNOWN] = NEVER
    return found, sick


def first_observation(draws: Draws) -> Ints:
    """Return the minute of each trip's first observation."""
    return draws.whole("first observation", 1, 4)


def low_readings(draws: Draws, when: Times) -> tuple[Ints, Ints]:
    """Return the minutes of the two low readings, on a five-minute grid after departure."""
    first = first_observation(draws)
    steps = -(-(when.departed + 16 - first) // 5)
    return first + 5 * steps, first + 5 * steps + 5


def _reasons(draws: Draws, codes: Codes, when: Times) -> tuple[Ints, Ints, Ints]:
    """A row that charts a reason of its own (minute, code), and the first row's reason."""
    heat, wall, departed = codes.heat, codes.wall, when.departed
    first = np.full_like(departed, REASON["start"])
    first = np.where(codes.fit == Fit.FLOW_CLINICAL, REASON["clinical"], first)
    heater, power = REASON["heater_failed"], REASON["power_lost"]
    lost = np.where(draws.chance("power lost", of("lost_by_power")), power, heater)
    at = np.full_like(departed, NEVER)
    code = np.zeros_like(departed)
    for where, minute, reason in (
        (np.isin(heat, [Heat.LOST_MOVING, Heat.ONE_UNEXPLAINED]), when.cold[:, 0, 0], lost),
        (heat == Heat.EXPLAINED_LATE, when.cold[:, 0, 1] + 2, lost),
        (np.isin(heat, ON_THE_ROAD), departed + 4, heater),
        (np.isin(heat, LEAVES_COLD), departed - 3, heater),
        (np.isin(wall, [Wall.FAILED, Wall.FAILED_TWICE]), when.failed, REASON["ventilator_failed"]),
        (wall == Wall.FAILED_COLD, when.failed, power),
        (wall == Wall.OCCLUDED, when.failed, REASON["repeated_occlusion"]),
    ):
        at, code = np.where(where, minute, at), np.where(where, reason, code)
    return at, code, first
