"""When things happen on each trip, in whole minutes from the crew's arrival at the bedside."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Draws, Floats, Ints, two_sided
from pipeline.simulate.pathways import CYLINDER, NEVER, VENTILATOR, WALL, Pathway
from pipeline.simulate.plants import (
    CHANGED,
    FAILS,
    GAPS,
    LEAVES_COLD,
    LONG_WAIT,
    LOSES_MOVING,
    LOW,
    RANGE,
    RICH,
    Codes,
    Fit,
    Heat,
    Wall,
    Watch,
    Whole,
)
from schemas.record import dataclass


@dataclass
class Times:
    """Shape (n,), minutes; `wall` and `cold` are shape (n, 2, 2): two stretches, from and until.

    `start` is the first setting, `moved` the change from the bedside's source to the vehicle's,
    `failed` when the ventilator failed, `end` hand-over, `other_support` the change of support
    before it (NEVER where there is none, and likewise a stretch that is not). `wall` is undiluted
    oxygen, `cold` unheated gas. `planned` is -1 where not charted. `chart_gap` is how long no
    setting is charted after departure.
    """

    kind: Ints
    start: Ints
    moved: Ints
    departed: Ints
    arrived: Ints
    end: Ints
    other_support: Ints
    failed: Ints
    planned: Ints
    range_length: Ints
    chart_gap: Ints
    wall: Ints
    cold: Ints

    @property
    def window_end(self) -> Ints:
        """End of the review window where hand-over is charted."""
        return np.minimum(self.end, self.other_support)

    @property
    def on_wall(self) -> Bools:
        """Whether the trip travels on undiluted oxygen."""
        return np.asarray(np.isin(self.kind, [WALL, CYLINDER]))


def times(draws: Draws, codes: Codes, way: Pathway, winter: Floats) -> Times:
    """Lay out each trip; codes for which it has no room are cleared.

    `winter` is 1 in the busiest months, 0 in the quietest.
    """
    _lengthen(codes, way)
    departed, delay = _departures(draws, winter)
    start = draws.whole("start", 1, 5)
    leave = np.where(way.kind == VENTILATOR, draws.whole("to ventilator", 5, 12), 0)
    leave = np.where(way.on_wall, draws.whole("to wall", 3, 6), leave)
    # some departures are late when the child is already on what it travels on
    already = draws.chance("moved before the delay", of("delayed_after_move"))
    moved = departed - np.where(already, delay, 0) - leave
    departed, moved = _leaving(codes, start, departed, moved)
    road = _road(draws, way, winter)
    wait = _waits(draws, codes, winter, departed - moved + road)
    never = np.full_like(start, NEVER)
    found = Times(
        kind=way.kind,
        start=start,
        moved=np.where(way.stays, NEVER, moved),
        departed=departed,
        arrived=departed + road,
        end=departed + road + wait,
        other_support=never.copy(),
        failed=np.where(way.fails, departed + 6, NEVER),
        planned=np.where(way.planned_shown, way.planned, -1),
        range_length=_range_length(draws, codes),
        chart_gap=np.where(codes.watch == Watch.CHART_GAP, draws.whole("chart gap", 34, 45), 0),
        wall=np.zeros((len(start), 2, 2), dtype=np.int64),
        cold=np.zeros((len(start), 2, 2), dtype=np.int64),
    )
    _late_start(draws, codes, found)
    cut = np.isin(codes.escalation, CHANGED)
    found.other_support[cut] = (found.end - draws.whole("cut", 8, 12))[cut]
    found.wall = _undiluted(codes, found)
    found.cold = _unheated(draws, codes, found)
    return found


def _need(codes: Codes) -> Ints:
    """Minutes of transit that what is planted after departure asks for."""
    need = np.zeros_like(codes.wall)
    for planted, minutes in (
        (np.isin(codes.heat, [Heat.LONG, Heat.CALLED]), 28),
        (np.isin(codes.heat, [Heat.AT_LIMIT, Heat.SHORT_TRANSIT]), 26),
        (codes.heat == Heat.ONE_UNEXPLAINED, 18),
        (np.isin(codes.heat, LEAVES_COLD), 12),
        (np.isin(codes.fit, RANGE), 30),
        (np.isin(codes.watch, LOW), 40),
        (np.isin(codes.watch, RICH), 50),
        (np.isin(codes.watch, GAPS), 28),
        (codes.watch == Watch.CHART_GAP, 66),
        (np.isin(codes.escalation, CHANGED), 20),
        (np.isin(codes.wall, FAILS), 24),
        (codes.wall == Wall.FAILED_TWICE, 70),
        (codes.whole == Whole.SETTING_LOST, 36),
        (codes.whole == Whole.SETTING_UNTIMED, 66),
        (codes.whole == Whole.OPEN, 30),
    ):
        need = np.maximum(need, np.where(planted, minutes, 0))
    return need


def _lengthen(codes: Codes, way: Pathway) -> None:
    """A trip on the ventilator is as long as what is planted asks; one on the wall stays as it is.

    What has no room is not planted.
    """
    short = _need(codes) > way.planned
    for group in ("watch", "heat"):
        codes.clear(group, short & way.on_wall)
    codes.clear("fit", short & way.on_wall & np.isin(codes.fit, RANGE))
    need = _need(codes)
    way.planned = np.maximum(way.planned, need)
    way.at_least = need


def _departures(draws: Draws, winter: Floats) -> tuple[Ints, Ints]:
    """When each trip leaves the bedside, and by how much that was late."""
    quartiles = (of("bedside_q1"), of("bedside_median"), of("bedside_q3"))
    plain = np.rint(np.clip(two_sided(draws.normal("bedside"), quartiles), 24, 90))
    late = draws.chance("late departure", of("late_departure") * (1 + winter))
    delay = np.where(late, draws.whole("delay", 8, 25), 0)
    return plain.astype(np.int64) + delay, delay


def _leaving(codes: Codes, start: Ints, departed: Ints, moved: Ints) -> tuple[Ints, Ints]:
    """Departure and the change before it, where a plant sets them."""
    late = codes.heat == Heat.CHARTED_LATE
    moved = np.where(late, np.maximum(moved, start + 20), moved)
    moved = np.maximum(moved, start + 14)
    moved = np.where(codes.wall == Wall.SHORT, departed - 3, moved)
    moved = np.where(codes.wall == Wall.CHANGED_LEAVING, departed, moved)
    departed = np.where(
        codes.wall == Wall.CHANGED_LEAVING, departed, np.maximum(departed, moved + 3)
    )
    return departed, moved


def _road(draws: Draws, way: Pathway, winter: Floats) -> Ints:
    """Actual transit: right-skewed around the planned one, slower in winter."""
    z = draws.normal("transit")
    spread = np.where(z < 0, of("transit_spread_below"), of("transit_spread_above"))
    ratio = of("transit_ratio") * np.exp(spread * z + of("transit_winter") * (winter - 0.4))
    found = np.rint(way.planned * np.clip(ratio, 0.75, 2.5)).astype(np.int64)
    return np.maximum(found, np.maximum(way.at_least, 4))


def _waits(draws: Draws, codes: Codes, winter: Floats, before: Ints) -> Ints:
    """Minutes from arrival to hand-over; `before` is from the change of source to arrival."""
    quartiles = (of("handover_q1"), of("handover_median"), of("handover_q3"))
    plain = np.rint(np.clip(two_sided(draws.normal("wait"), quartiles), 3, 15)).astype(np.int64)
    long = draws.chance("kept waiting", of("kept_waiting") * (0.6 + winter))
    found = np.where(long, plain + draws.whole("kept waiting", 8, 30), plain)
    kept = np.isin(codes.wall, LONG_WAIT)
    more = np.maximum(found, 53 - before) + draws.whole("long wait", 0, 14)
    found = np.where(kept, more, found)
    return np.where(codes.wall == Wall.SHORT, 3, found)


def _range_length(draws: Draws, codes: Codes) -> Ints:
    """Length of the planted stretch of flow out of range."""
    limit = codes.fit == Fit.OUT_OF_RANGE_AT_LIMIT
    found = np.where(limit, draws.whole("range limit", 5, 6), draws.whole("range long", 8, 20))
    return np.where(np.isin(codes.fit, RANGE), found, 0)


def _late_start(draws: Draws, codes: Codes, found: Times) -> None:
    """Move the whole trip where the first setting is planted late."""
    late = np.where(codes.watch == Watch.FIRST_SETTING_LATE, draws.whole("late", 33, 45), 0)
    late = np.where(codes.watch == Watch.FIRST_SETTING_AT_LIMIT, 30, late)
    shift = np.where(late > 0, late - found.start, 0)
    for name in ("start", "moved", "departed", "arrived", "end", "failed"):
        setattr(found, name, getattr(found, name) + shift)


def _stretches(first: tuple[Ints, Ints], second: tuple[Ints, Ints]) -> Ints:
    pairs = [np.stack(pair, axis=1) for pair in (first, second)]
    return np.stack(pairs, axis=1)


def _undiluted(codes: Codes, found: Times) -> Ints:
    """Where oxygen is undiluted: the wall to hand-over, or from where a ventilator failed."""
    end, departed, failed = found.window_end, found.departed, found.failed
    wall = found.on_wall
    leaving = codes.wall == Wall.CHANGED_LEAVING
    twice = codes.wall == Wall.FAILED_TWICE
    begin = np.where(wall, found.moved, np.where(failed < NEVER, failed, NEVER))
    begin = np.where(leaving, departed - 6, begin)
    until = np.where(begin < NEVER, end, NEVER)
    until = np.where(leaving, departed, until)
    until = np.where(twice, failed + 30, until)
    again = np.where(twice, failed + 36, NEVER)
    return _stretches((begin, until), (again, np.where(twice, end, NEVER)))


def _unheated(draws: Draws, codes: Codes, found: Times) -> Ints:
    """Where gas is unheated."""
    heat, start, departed = codes.heat, found.start, found.departed
    short = draws.whole("heat short", 3, 8)
    long = draws.whole("heat long", 18, 36)
    until_failed = np.minimum(departed + 5 + draws.whole("heater failed", 10, 36), found.end)
    road_until = departed + 5 + long
    # a heater that is not back shortly before hand-over stays away
    back = road_until < found.window_end - 5
    road_until = np.where(back, road_until, found.window_end)
    begin = np.full_like(start, NEVER)
    until = begin.copy()
    change = np.where(found.moved < NEVER, found.moved, departed - 5)
    for where, since, to in (
        (heat == Heat.SHORT_START, start, start + short),
        (np.isin(heat, LOSES_MOVING), change, np.minimum(change + short, departed - 1)),
        (heat == Heat.SHORT_TRANSIT, departed + 5, departed + 5 + short),
        (np.isin(heat, [Heat.LONG, Heat.CALLED]), departed + 5, road_until),
        (heat == Heat.HEATER_FAILED, departed + 5, until_failed),
        (heat == Heat.AT_LIMIT, departed + 5, departed + 20 + draws.whole("heat limit", 0, 1)),
        (np.isin(heat, LEAVES_COLD), departed - 12, departed + 6),
        (heat == Heat.CHANGED_LEAVING, departed - 8, departed),
        (codes.wall == Wall.FAILED_COLD, found.failed, found.failed + short),
    ):
        begin, until = np.where(where, since, begin), np.where(where, to, until)
    second = np.where(heat == Heat.ONE_UNEXPLAINED, departed + 8, NEVER)
    second_until = np.where(second < NEVER, second + 4, NEVER)
    return _stretches((begin, until), (second, second_until))
