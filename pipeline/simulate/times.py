"""When things happen on each trip, in whole minutes from the crew's arrival at the bedside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.children import Children
from pipeline.simulate.draws import Bools, Draws, Ints, two_sided
from pipeline.simulate.plants import (
    CHANGED,
    LEAVES_ON_WALL,
    LONG_WALL,
    LOW,
    ON_THE_ROAD,
    RANGE,
    RICH,
    UNHEATED_ON_WALL,
    Codes,
    Fit,
    Heat,
    Wall,
    Watch,
    Whole,
)

NEVER = 100_000
"""Stands for a minute that never comes."""

VENTILATOR, BLENDER, WALL_TRANSIT = 0, 1, 2
"""What the trip travels on."""


@dataclass
class Times:
    """Shape (n,), minutes.

    `start` is the first setting, `moved` the change from the bedside's source to the vehicle's,
    `end` hand-over, `other_support` the change of support before it (or NEVER). `chart_gap` is
    how long no setting is charted after departure, `unheated` the length of the planted stretch.
    """

    kind: Ints
    bedside_wall: Bools
    start: Ints
    moved: Ints
    departed: Ints
    arrived: Ints
    end: Ints
    other_support: Ints
    planned: Ints
    unheated: Ints
    range_length: Ints
    chart_gap: Ints

    @property
    def window_end(self) -> Ints:
        """End of the review window where hand-over is charted."""
        return np.minimum(self.end, self.other_support)


def times(draws: Draws, codes: Codes, child: Children) -> Times:
    """Lay out each trip; codes that cannot be planted on it are cleared."""
    quartiles = (of("transport_q1"), of("transport_median"), of("transport_q3"))
    total = np.rint(np.clip(two_sided(draws.normal("transport"), quartiles), 45, 240))
    length = total.astype(np.int64)
    at_end = draws.whole("at the end", 8, 14)
    departed = np.clip(length * 3 // 10 + draws.whole("bedside", -4, 4), 18, 45)
    start = draws.whole("start", 1, 5)
    moved = np.maximum(start + 4, departed - draws.whole("moved", 5, 12))
    found = Times(
        kind=np.zeros_like(length),
        bedside_wall=np.zeros(len(length), dtype=bool),
        start=start,
        moved=moved,
        departed=departed,
        arrived=length - at_end,
        end=length,
        other_support=np.full_like(length, NEVER),
        planned=np.zeros_like(length),
        unheated=_unheated(draws, codes),
        range_length=_range_length(draws, codes),
        chart_gap=np.where(codes.watch == Watch.CHART_GAP, draws.whole("chart gap", 34, 45), 0),
    )
    _kinds(draws, codes, child, found)
    _bedside(draws, codes, found)
    _wall_transit(draws, codes, found)
    _extend(codes, found, at_end)
    _planned(draws, codes, child, found)
    _late_start(draws, codes, found)
    cut = np.isin(codes.escalation, CHANGED)
    found.other_support[cut] = (found.end - draws.whole("cut", 8, 12))[cut]
    return found


def _unheated(draws: Draws, codes: Codes) -> Ints:
    """Length of the planted unheated stretch (where departure or charting does not set it)."""
    heat = codes.heat
    long = np.isin(heat, [Heat.LONG, Heat.CALLED])
    found = np.where(heat == Heat.AT_LIMIT, draws.whole("heat limit", 15, 16), 0)
    found = np.where(long, draws.whole("heat long", 18, 36), found)
    found = np.where(heat == Heat.ONE_UNEXPLAINED, 4, found)
    found = np.where(heat == Heat.CHANGED_LEAVING, 8, found)
    short = [Heat.SHORT_START, Heat.SHORT_TRANSIT, *UNHEATED_ON_WALL[:3]]
    return np.where(np.isin(heat, short), draws.whole("heat short", 3, 8), found)


def _range_length(draws: Draws, codes: Codes) -> Ints:
    """Length of the planted stretch of flow out of range."""
    limit = codes.fit == Fit.OUT_OF_RANGE_AT_LIMIT
    found = np.where(limit, draws.whole("range limit", 5, 6), draws.whole("range long", 8, 20))
    return np.where(np.isin(codes.fit, RANGE), found, 0)


def _kinds(draws: Draws, codes: Codes, child: Children, found: Times) -> None:
    """What the trip travels on: a wall outlet or cylinder only if short and at low flow."""
    wall_only = np.isin(codes.wall, [Wall.TRANSIT_UNKNOWN, Wall.TRANSIT_AT_LIMIT])
    low_flow = child.flow10 <= 160
    codes.clear("wall", wall_only & ~low_flow)
    short = low_flow & (found.end - found.moved <= 44)
    on_wall = short & draws.chance("on the wall", 0.75)
    kind = np.where(draws.chance("ventilator", 0.40), VENTILATOR, BLENDER)
    kind = np.where(on_wall, WALL_TRANSIT, kind)
    no_wall = [h for h in Heat if h not in (Heat.NONE, Heat.SHORT_START, Heat.NEVER_CHARTED)]
    off = np.isin(codes.heat, no_wall) | np.isin(codes.watch, LOW) | (codes.whole > 0)
    off |= np.isin(codes.wall, LONG_WALL[1:]) | (codes.watch == Watch.CHART_GAP)
    off |= (codes.whole == Whole.CONTACT_LOST) | np.isin(codes.fit, RANGE)
    kind = np.where(off & (kind == WALL_TRANSIT), BLENDER, kind)
    device = [Whole.SETTING_LOST, Whole.SETTING_UNTIMED, Whole.EVENT_LOST]
    needs = [*LEAVES_ON_WALL, Wall.SOURCE_LATE, Wall.TWICE]
    on = np.isin(codes.wall, needs) | np.isin(codes.watch, RICH) | np.isin(codes.whole, device)
    codes.clear("wall", np.isin(codes.watch, RICH) & wall_only)
    codes.clear("wall", (np.isin(codes.watch, LOW) | np.isin(codes.fit, RANGE)) & wall_only)
    codes.clear("wall", (codes.watch == Watch.CHART_GAP) & wall_only)
    kind = np.where(on, VENTILATOR, kind)
    wall_only = np.isin(codes.wall, [Wall.TRANSIT_UNKNOWN, Wall.TRANSIT_AT_LIMIT])
    kind = np.where(wall_only & ~on, WALL_TRANSIT, kind)
    codes.clear("wall", wall_only & on)
    found.kind = kind
    # warm before the change to the wall
    brief = (codes.heat == Heat.SHORT_START) & (kind == WALL_TRANSIT)
    found.unheated = np.where(brief, 3, found.unheated)
    road = found.arrived - found.departed
    unneeded = np.isin(codes.wall, LEAVES_ON_WALL) & (road < 54) & (child.flow10 < 190)
    codes.clear("wall", unneeded)


def _bedside(draws: Draws, codes: Codes, found: Times) -> None:
    """The bedside's source, and when the trip leaves it."""
    wall, heat = codes.wall, codes.heat
    chance = np.where(found.kind == VENTILATOR, 0.65, 0.3)
    on_wall = draws.chance("bedside wall", chance) & (found.kind != WALL_TRANSIT)
    on_wall |= np.isin(wall, [*LONG_WALL, *LEAVES_ON_WALL, Wall.SOURCE_LATE, Wall.TWICE])
    on_wall |= np.isin(heat, UNHEATED_ON_WALL)
    on_wall &= ~np.isin(heat, [Heat.SHORT_START]) & (codes.whole != Whole.SETTING_LOST)
    found.bedside_wall = on_wall
    start, moved, departed = found.start, found.moved, found.departed
    stay = np.where(np.isin(wall, LONG_WALL[:3]), draws.whole("wall long", 53, 85), 0)
    stay = np.where(wall == Wall.AT_LIMIT, draws.whole("wall limit", 50, 51), stay)
    stay = np.where(wall == Wall.JUST_UNDER, 49, stay)
    stay = np.where(wall == Wall.SOURCE_LATE, 55, stay)
    stay = np.where(wall == Wall.TWICE, 30, stay)
    stay = np.where(found.kind == WALL_TRANSIT, 0, stay)
    moved = np.where(stay > 0, start + stay, moved)
    unheated_wall = np.isin(heat, UNHEATED_ON_WALL)
    moved = np.where(unheated_wall, np.maximum(moved, start + 17), moved)
    moved = np.where(heat == Heat.CHANGED_LEAVING, np.minimum(moved, departed - 9), moved)
    departed = np.where((stay > 0) | unheated_wall, np.maximum(departed, moved + 6), departed)
    departed = np.where(heat == Heat.CHARTED_LATE, np.maximum(departed, start + 24), departed)
    leaves = np.isin(wall, LEAVES_ON_WALL)
    departed = np.where(leaves, np.minimum(departed, 34), departed)
    moved = np.where(leaves, departed + 7, moved)
    moved = np.where(wall == Wall.CHANGED_LEAVING, departed, moved)
    later = np.maximum(departed - found.departed, 0)
    found.arrived, found.end = found.arrived + later, found.end + later
    found.moved, found.departed = moved, departed


def _wall_transit(draws: Draws, codes: Codes, found: Times) -> None:
    """Trips on the wall or a cylinder are short; where planted long, from the first setting on."""
    on_wall = found.kind == WALL_TRANSIT
    long = on_wall & (codes.wall == Wall.LONG)
    end = np.where(long, found.start + draws.whole("transit long", 53, 70), found.end)
    short = on_wall & ~long
    end = np.where(short, np.minimum(end, found.moved + 44), end)
    at_end = np.minimum(found.end - found.arrived, 9)
    found.arrived = np.where(on_wall, end - at_end, found.arrived)
    found.end = end
    found.bedside_wall = found.bedside_wall | long
    found.moved = np.where(long, NEVER, found.moved)


def _extend(codes: Codes, found: Times, at_end: Ints) -> None:
    """Make the part after departure long enough for what is planted there."""
    need = np.zeros_like(found.end)
    road = np.isin(codes.heat, ON_THE_ROAD)
    need = np.where(road, found.unheated + 10, need)
    need = np.maximum(need, np.where(np.isin(codes.fit, RANGE), found.range_length + 10, 0))
    for watched, minutes in (
        (np.isin(codes.watch, LOW), 40),
        (np.isin(codes.watch, RICH), 50),
        (np.isin(codes.watch, [Watch.GAP, Watch.GAP_IN_SPO2, Watch.GAP_AT_LIMIT]), 28),
        (codes.watch == Watch.CHART_GAP, 66),
        (codes.wall == Wall.TWICE, 48),
        (codes.whole == Whole.SETTING_LOST, 36),
        (codes.whole == Whole.SETTING_UNTIMED, 66),
        (codes.whole == Whole.OPEN, 30),
    ):
        need = np.maximum(need, np.where(watched, minutes, 0))
    longer = (found.departed + need > found.end) & (found.kind != WALL_TRANSIT)
    found.end = np.where(longer, found.departed + need, found.end)
    found.arrived = np.where(longer, found.end - np.minimum(at_end, need // 2), found.arrived)
    # a trip on the wall cannot grow: what needs room there is not planted
    tight = (found.departed + need > found.end) & (found.kind == WALL_TRANSIT)
    codes.clear("watch", tight)


def _planned(draws: Draws, codes: Codes, child: Children, found: Times) -> None:
    """Planned transit, minutes; -1 is not charted."""
    road = found.arrived - found.departed
    planned = np.maximum(road + draws.whole("planned", -4, 4), 5)
    planned = np.where(draws.chance("planned missing", 0.04), -1, planned)
    on_wall = found.kind == WALL_TRANSIT
    planned = np.where(on_wall, np.clip(planned, 5, 46), planned)
    planned = np.where(codes.wall == Wall.TRANSIT_UNKNOWN, -1, planned)
    planned = np.where(codes.wall == Wall.TRANSIT_AT_LIMIT, 50, planned)
    leaves = np.isin(codes.wall, LEAVES_ON_WALL)
    by_flow = child.flow10 >= 190
    found.planned = np.where(leaves & ~by_flow, np.maximum(planned, 54), planned)


def _late_start(draws: Draws, codes: Codes, found: Times) -> None:
    """Move the whole trip where the first setting is planted late."""
    late = np.where(codes.watch == Watch.FIRST_SETTING_LATE, draws.whole("late", 33, 45), 0)
    late = np.where(codes.watch == Watch.FIRST_SETTING_AT_LIMIT, 30, late)
    shift = np.where(late > 0, late - found.start, 0)
    for name in ("start", "moved", "departed", "arrived", "end"):
        setattr(found, name, getattr(found, name) + shift)
