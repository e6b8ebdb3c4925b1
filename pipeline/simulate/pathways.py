"""What each trip travels on, as the protocol and the child's needs have it."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.children import Children
from pipeline.simulate.draws import Bools, Draws, Ints, two_sided
from pipeline.simulate.plants import (
    CHANGED,
    FAILS,
    LEAVES_ON_WALL,
    LONG_WAIT,
    LOW,
    RICH,
    Codes,
    Heat,
    Wall,
    Whole,
)
from schemas.record import dataclass

NEVER = 100_000
"""Stands for a minute that never comes."""

VENTILATOR, BLENDER, WALL, CYLINDER = 0, 1, 2, 3
"""What the trip travels on; at the bedside the child is on the sending hospital's blended gas."""

FLOW_LIMIT10, TRANSIT_LIMIT = 180, 40
"""The protocol's limits of what may travel on the wall: tenths of L/min, minutes planned."""
FAR, NEAR = 60, 30
"""Beyond the first planned transit nobody sets out on the wall; up to the second all may."""


@dataclass
class Pathway:
    """Shape (n,): `planned` transit in minutes, and whether it is charted; `kind` of travel.

    `needed` is where the protocol asks for the ventilator, known from flow and transit;
    `at_least` the minutes of transit that what is planted asks for, `fails` where the ventilator
    is to fail.
    """

    planned: Ints
    planned_shown: Bools
    kind: Ints
    needed: Bools
    at_least: Ints
    fails: Bools

    @property
    def on_wall(self) -> Bools:
        """Whether it travels on undiluted oxygen."""
        return np.asarray(np.isin(self.kind, [WALL, CYLINDER]))

    @property
    def stays(self) -> Bools:
        """Whether the bedside's blended gas simply goes along."""
        return np.asarray(self.kind == BLENDER)


def pathways(
    draws: Draws, codes: Codes, child: Children, ordered: Bools, against: float
) -> Pathway:
    """Draw the pathways; codes that no pathway of the trip allows are cleared.

    `ordered` is where an order bars undiluted oxygen, `against` how often that is not heeded.
    """
    quartiles = (of("transit_q1"), of("transit_median"), of("transit_q3"))
    planned = np.rint(np.clip(two_sided(draws.normal("planned"), quartiles), 6, 200))
    planned = planned.astype(np.int64)
    needed = (child.flow10 > FLOW_LIMIT10) | (planned > TRANSIT_LIMIT)
    may = ~needed & (~ordered | draws.chance("against order", against))
    u = draws.uniform("pathway")
    wall, cylinder, vehicle = of("wall_share"), of("cylinder_share"), of("blender_share")
    kind = np.where(u < vehicle, BLENDER, VENTILATOR)
    rides = np.where(u < cylinder, CYLINDER, np.where(u < wall, WALL, kind))
    kind = np.where(may, rides, kind)
    # a crew that minds its wall time takes the ventilator where there is little to spare
    kind = np.where((codes.wall == Wall.SHORT) & (planned > NEAR), VENTILATOR, kind)
    kind = _planted_kind(codes, kind, needed & ~ordered, planned <= FAR)
    shown = ~draws.chance("planned missing", of("planned_missing"))
    return Pathway(
        planned=planned,
        planned_shown=shown & (codes.wall != Wall.TRANSIT_UNKNOWN),
        kind=kind,
        needed=needed,
        at_least=np.zeros_like(planned),
        fails=np.isin(codes.wall, FAILS),
    )


def _planted_kind(codes: Codes, kind: Ints, needed: Bools, short: Bools) -> Ints:
    """Change the travel where a plant asks for another, and clear plants it cannot bear."""
    # what befalls a whole trip is told on the ventilator, but for the lost call
    lost = codes.whole == Whole.CONTACT_LOST
    device = np.isin(codes.whole, [Whole.SETTING_LOST, Whole.SETTING_UNTIMED, Whole.EVENT_LOST])
    kind = np.where((codes.whole > 0) & ((kind >= WALL) | device), VENTILATOR, kind)
    kind = np.where(lost, WALL, kind)
    near = needed & short
    leaves = np.isin(codes.wall, LEAVES_ON_WALL)
    codes.clear("wall", leaves & ~near)
    kind = np.where(leaves & near, WALL, kind)
    changed = codes.wall == Wall.CHANGED_LEAVING
    codes.clear("wall", changed & ~needed)
    kind = np.where(changed & needed, VENTILATOR, kind)
    rides = kind >= WALL
    needs = [*LONG_WAIT, Wall.SHORT, Wall.SOURCE_LATE]
    codes.clear("wall", np.isin(codes.wall, needs) & ~rides)
    codes.clear("wall", np.isin(codes.wall, FAILS) & (kind != VENTILATOR))
    codes.clear("watch", np.isin(codes.watch, LOW) & rides)
    codes.clear("watch", np.isin(codes.watch, RICH) & (kind != VENTILATOR))
    codes.clear("escalation", np.isin(codes.escalation, CHANGED) & (kind != VENTILATOR))
    codes.clear("heat", (codes.heat == Heat.CHANGED_LEAVING) & rides)
    return kind
