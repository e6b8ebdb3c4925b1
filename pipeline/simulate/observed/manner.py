"""What the child did, and what the crew did for it, at each observation."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Floats, Ints
from pipeline.simulate.observed.moments import Seen
from pipeline.simulate.occlusions import Occlusions
from pipeline.simulate.plants import LOW, Watch
from pipeline.simulate.support import Scene, low_readings
from pipeline.simulate.worsening import Worsening
from schemas.record import dataclass

ASLEEP, CALM, CRYING, COUGHING, AGITATED = 1, 2, 3, 4, 5
"""Positions in the contract's behaviours plus one; 0 where not charted."""
SUCTION, REPOSITIONED, BAGGED, SENSOR_MOVED = 1, 2, 3, 4
"""Positions in CARE plus one; 0 where none is charted."""
NEAR_S, CARED_S = 120, 90
"""An occlusion within the first of an observation is charted with what the child did; the crew sees
to the child within twice the second of one."""
SETTLING_MIN, SOOTHED_MIN = 8, 13
"""How long crying lingers in the rates, and care in the child."""


@dataclass
class Dips:
    """Rows that are low for once: `all` of them, and those where a sensor had slipped."""

    all: Bools
    slipped: Bools


@dataclass
class Upset:
    """How upset children are: each trip's own rate of occlusions, its events, and whether the
    change that raised the rate shows in crying; a child who cries more occludes more."""

    own_rate: Floats
    events: Occlusions
    crying: Bools


def manner(seen: Seen, upset: Upset, worse: Worsening, care: Ints | None = None) -> Ints:
    """Return what the child did: upset for a while, asleep for longer, settled by care before."""
    minute = seen.minute
    near = upset.events.near(seen.trip, minute * 60, NEAR_S)
    share = np.minimum(of("crying") * (0.6 + upset.own_rate[seen.trip]), of("crying_most"))
    share = np.maximum(share, of("worse_upset") * worse.grown(seen.trip, minute))
    given = np.zeros_like(minute) if care is None else care
    soothed = np.isin(given, [SUCTION, REPOSITIONED]).astype(float)
    share = np.where(seen.previous(soothed, SOOTHED_MIN) > 0, share * of("settled"), share)
    beside = np.where(upset.crying[seen.trip], of("crying_raised"), of("crying_near"))
    cries = _uniform(seen.drift("upset", 12)) < np.where(near, np.maximum(share, beside), share)
    kinds = (4 * _uniform(seen.drift("upset how", 15))).astype(np.int64)
    how = np.array([COUGHING, CRYING, CRYING, AGITATED])[kinds]
    sleeps = _uniform(seen.drift("asleep", 40)) < of("asleep")
    # nobody sleeps within minutes of crying, or through suction
    stirred = cries | (given > 0)
    woken = stirred | (seen.previous(stirred.astype(float), SETTLING_MIN) > 0)
    return np.where(cries, how, np.where(sleeps & ~woken, ASLEEP, CALM))


def shown(seen: Seen, upset: Upset, did: Ints) -> Ints:
    """Return what of it was charted: mostly where the child was upset."""
    near = upset.events.near(seen.trip, seen.minute * 60, NEAR_S)
    often = np.where(near | (did >= CRYING), 0.9, 0.5)
    return np.where(seen.own.chance("behaviour charted", often, seen.minute), did, 0)


def _uniform(normal: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(normal), dtype=np.float64)


def care_given(
    scene: Scene, seen: Seen, upset: Upset, worse: Worsening, *, dip: Dips, did: Ints
) -> Ints:
    """Return the care charted; none where it would be an answer."""
    own, minute, codes = seen.own, seen.minute, scene.codes
    shares = (of("suctioned"), of("repositioned"), 0.0, of("sensor_moved"), 1.0)
    care = (own.pick("care", (*shares[:4], 1 - sum(shares[:4])), minute) + 1) % 5
    # a child who does not stop crying is turned, one who coughs is suctioned
    goes_on = (did >= CRYING) & (seen.previous((did >= CRYING).astype(float), SETTLING_MIN) > 0)
    seen_to = goes_on & (care == 0) & own.chance("soothed", of("soothed"), minute)
    care = np.where(seen_to, np.where(did == COUGHING, SUCTION, REPOSITIONED), care)
    blocked = upset.events.near(seen.trip, minute * 60 - CARED_S, CARED_S)
    cared = blocked & own.chance("cared", of("care_after_occlusion"), minute)
    how = np.where(own.chance("cared how", 0.5, minute), SUCTION, REPOSITIONED)
    care = np.where(cared & (care == 0), how, care)
    care = np.where(dip.all, np.where(dip.slipped, SENSOR_MOVED, SUCTION), care)
    bagged = own.chance("bagged", worse.bagged_share(seen.trip, minute), minute)
    bagged |= worse.collapses(seen.trip, minute, seen.after)
    care = np.where(bagged, BAGGED, care)
    low = np.isin(codes.watch, LOW)[seen.trip]
    second = low_readings(scene.draws, scene.when)[1][seen.trip] == minute
    suctioned = (codes.watch[seen.trip] == Watch.LOW_SUCTIONED) & second
    return np.where(suctioned, SUCTION, np.where(low, 0, care))
