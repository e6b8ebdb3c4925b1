"""When a crew charts observations: bunched, late for good once late, with holes around moves."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Draws, Floats, Ints, counted
from pipeline.simulate.occlusions import Occlusions
from pipeline.simulate.pathways import NEVER
from pipeline.simulate.plants import GAPS, LOSES_MOVING, LOW, ON_THE_ROAD, Watch
from pipeline.simulate.support import Scene, first_observation, low_readings
from pipeline.simulate.times import Times
from schemas.record import dataclass

LEAST_STEP, MOST_STEP = 2, 10
"""Minutes between two observations where nothing keeps the crew."""
MOST_UNSEEN = 13
"""Minutes without a whole observation beyond which nothing unplanned goes: two below the limit."""
GAP_MIN = 18
"""A planted gap in the observations leaves out the minutes below this after departure."""
MOST_MINUTES = 4096
"""No trip is longer."""


@dataclass
class Seen:
    """Observations in order of trip and time, shape (rows,).

    `order` counts a trip's from 0; `before` and `after` are the minutes to the rows on either
    side, or to the crew's arrival and hand-over; `exact` is where a plant says when to look.
    """

    trip: Ints
    minute: Ints
    order: Ints
    before: Ints
    after: Ints
    own: Draws
    exact: Bools

    def drift(self, name: str, every: int) -> Floats:
        """Return what drifts from row to row: standard normal, forgotten after twice `every` min.

        Between knots that are drawn apart, so that no draw waits for the one before.
        """
        knot, into = np.divmod(self.minute, every)
        part = into / every
        here, there = (self.own.normal(name, knot + k) for k in (0, 1))
        return np.asarray(((1 - part) * here + part * there) / np.hypot(part, 1 - part))

    @property
    def may_lack(self) -> Bools:
        """Whether a row may lack a value and leave no gap that nobody planted."""
        return np.asarray(self.before + self.after <= MOST_UNSEEN)

    def previous(self, values: Floats, within: int) -> Floats:
        """Return the value of the trip's row before, 0 where that was longer ago."""
        found = np.concatenate([np.zeros(len(values[:1])), values[:-1]])
        return np.asarray(np.where((self.order > 0) & (self.before <= within), found, 0))


@dataclass
class _Fixed:
    """Minutes that stand, in order (NEVER where a trip has none), shape (n,) each: nothing else
    is charted between the first and last, or within the margin of either."""

    at: list[Ints]
    margin: int

    def blocks(self, trip: Ints, minute: Ints) -> Bools:
        """Whether each row falls there."""
        first, last = self.at[0][trip], self.at[-1][trip]
        held = (minute >= first - self.margin) & (minute <= last + self.margin)
        return np.asarray(held & (first < NEVER))


def moments(scene: Scene, events: Occlusions) -> Seen:
    """Return every observation; `events` are occlusions, at which a crew looks at the child."""
    draws, when = scene.draws, scene.when
    trip, minute = _free(draws, when)
    alarm = draws.rows(events.trip).chance("looked", of("looked"), events.at_s)
    trip = np.concatenate([trip, events.trip[alarm]])
    minute = np.concatenate([minute, -(-events.at_s[alarm] // 60)])
    plan = _fixed(scene)
    free = (minute > 0) & (minute < when.end[trip])
    free &= ~np.any([fixed.blocks(trip, minute) for fixed in plan], axis=0)
    stand = np.concatenate([_keys(at, when.end) for fixed in plan for at in fixed.at])
    keys = np.union1d(stand, (trip * MOST_MINUTES + minute)[free])
    skipped = _skipped(scene, _rows(scene, keys)) & ~np.isin(keys, stand)
    return _rows(scene, keys[~skipped])


def _keys(at: Ints, end: Ints) -> Ints:
    """Trip and minute in one number, of the trips that have such a minute before hand-over."""
    trip = np.flatnonzero(at < end)
    return np.asarray(trip * MOST_MINUTES + at[trip])


def _rows(scene: Scene, keys: Ints) -> Seen:
    trip, minute = np.divmod(keys, MOST_MINUTES)
    order = np.arange(len(trip)) - np.searchsorted(trip, trip)
    before = np.where(order > 0, np.diff(minute, prepend=0), minute)
    last = np.diff(trip, append=-1) != 0
    after = np.where(last, scene.when.end[trip] - minute, np.diff(minute, append=0))
    watch = scene.codes.watch[trip]
    exact = np.isin(watch, [*LOW, Watch.RICH_AT_LIMIT, Watch.GAP_AT_LIMIT])
    return Seen(trip, minute, order, before, after, scene.draws.rows(trip), exact)


def _free(draws: Draws, when: Times) -> tuple[Ints, Ints]:
    """Rows that come as each crew gets to it: what is late stays late."""
    first = first_observation(draws)
    trip, order = counted((when.end - first) // LEAST_STEP + 1)
    own = draws.rows(trip)
    usual = of("observed_every") * np.exp(of("observed_pace") * draws.normal("pace"))
    step = np.rint(usual[trip] * np.exp(of("observed_spread") * own.normal("pause", order)))
    step = np.clip(step, LEAST_STEP, MOST_STEP).astype(np.int64)
    step[order == 1] = 0
    passed = np.cumsum(step)
    minute = first[trip] + passed - passed[np.searchsorted(trip, trip)]
    keep = minute < when.end[trip]
    return trip[keep], minute[keep]


def _skipped(scene: Scene, rows: Seen) -> Bools:
    """Rows left out on a quiet road, never two running."""
    when, trip, minute = scene.when, rows.trip, rows.minute
    quiet = (minute > when.departed[trip] + 20) & (minute < when.arrived[trip] - 12)
    quiet &= (rows.order % 2 == 1) & rows.may_lack
    return np.asarray(quiet & rows.own.chance("skipped", of("skipped"), minute))


def _fixed(scene: Scene) -> list[_Fixed]:
    """What plants ask to be seen when, and the holes around departure and arrival."""
    draws, watch, when = scene.draws, scene.codes.watch, scene.when
    one, two = low_readings(draws, when)
    low = np.isin(watch, LOW)
    limit = watch == Watch.GAP_AT_LIMIT
    gap = when.departed + draws.whole("gap at limit", 0, 4)
    planted = [
        _Fixed([np.where(low, at, NEVER) for at in (one, two, two + 5)], 2),
        _Fixed(rich_readings(scene), 2),
        _Fixed([np.where(limit, at, NEVER) for at in (gap, gap + 15)], 1),
        _leaving(scene),
    ]
    return [*planted, _arriving(scene, planted)]


def rich_readings(scene: Scene) -> list[Ints]:
    """Minutes of the four high readings that are a quarter of an hour in all; NEVER without."""
    first = scene.when.moved + scene.draws.whole("rich at limit", 3, 7)
    first = np.where(scene.codes.watch == Watch.RICH_AT_LIMIT, first, NEVER)
    return [first + 5 * k for k in range(4)]


def _leaving(scene: Scene) -> _Fixed:
    """The hole while the child is moved out, or while something fails."""
    draws, codes, when = scene.draws, scene.codes, scene.when
    fails = np.isin(codes.heat, [*ON_THE_ROAD, *LOSES_MOVING])
    trouble = np.minimum(when.failed, np.where(fails, when.cold[:, 0, 0], NEVER))
    since = np.where(
        trouble < NEVER,
        trouble - draws.whole("trouble unseen", 0, 2),
        when.departed - draws.whole("leaving unseen", 2, 7),
    )
    length = draws.whole("unseen", 9, MOST_UNSEEN)
    gap = codes.watch == Watch.GAP
    since = np.where(gap, when.departed - draws.whole("gap from", 0, 3), since)
    length = np.where(gap, draws.whole("gap length", GAP_MIN + 1, GAP_MIN + 4), length)
    made = draws.chance("leaving", of("leaving_unseen")) & ~np.isin(
        codes.watch, [*GAPS, Watch.RICH_AT_LIMIT]
    )
    since = np.where(made | gap, since, NEVER)
    return _Fixed([since, since + length], 1)


def _arriving(scene: Scene, others: list[_Fixed]) -> _Fixed:
    """The hole while the child is moved in, where nothing else has just been one."""
    draws, when = scene.draws, scene.when
    since = when.arrived - draws.whole("arriving unseen", 1, 4)
    made = draws.chance("arriving", of("arriving_unseen"))
    for other in others:
        made &= (other.at[0] >= NEVER) | (other.at[-1] + 3 <= since)
    since = np.where(made, since, NEVER)
    return _Fixed([since, since + draws.whole("arriving long", 9, MOST_UNSEEN)], 1)
