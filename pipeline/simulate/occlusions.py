"""The ventilator's log: starts and occlusions on a clock of its own, and what they mean."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.children import flow_share
from pipeline.simulate.draws import Bools, Columns, Draws, Floats, Ints
from pipeline.simulate.pathways import VENTILATOR
from pipeline.simulate.plants import CHANGED, LOW, Codes, Whole
from pipeline.simulate.service import MAX_OFFSET_S
from pipeline.simulate.support import Scene
from pipeline.simulate.times import Times
from schemas.record import dataclass

COMPLETE, PARTIAL, NONE = 1, 2, 3
"""`device_log` as charted; 0 is null."""
OCCLUSION, RESTORED, STARTED, PAUSED = 1, 2, 3, 4
MATCH_WITHIN_S = 900
COUNT, WINDOW_S = 3, 600
"""The protocol's trigger for a call: this many occlusions within this time."""


@dataclass
class Logs:
    """What each trip's log says of itself, shape (n,)."""

    stated: Ints
    delivered: Bools
    complete: Bools


@dataclass
class Occlusions:
    """Occlusion events with the clock corrected as the protocol asks, in order of trip and time.

    `trigger_s` is when the count was reached (-1 never), shape (n,).
    """

    trip: Ints
    at_s: Ints
    cutoff_s: Ints
    in_window: Bools
    trigger_s: Ints

    def near(self, trip: Ints, at_s: Ints, within_s: int) -> Bools:
        """Whether an event of the trip lies so near each of these moments."""
        own = self.trip * 1_000_000 + self.at_s
        asked = trip * 1_000_000 + at_s
        later = np.searchsorted(own, asked - within_s, side="left")
        return np.asarray(np.searchsorted(own, asked + within_s, side="right") > later)


@dataclass
class Place:
    """Position of each trip's base and month, and what a planted change makes of the rate of
    occlusions and of the log; shape (n,)."""

    base: Ints
    month: Ints
    raised: Floats
    log_stopped: Bools


@dataclass(frozen=True)
class Truth:
    """The generator's own rate of occlusions; what an analysis should recover."""

    rate_ratio: float
    per_100h: float
    shape: float


def logs(draws: Draws, codes: Codes, when: Times, stopped: Bools) -> Logs:
    """Which logs were downloaded, and whether that was said."""
    stated_share = (
        1
        - sum(of(f"log_{k}") for k in ("partial", "none", "unsaid_missing"))
        - (of("log_unsaid_present"))
    )
    shares = (stated_share, of("log_partial"), of("log_none"), of("log_unsaid_missing"))
    log_kind = draws.pick("log", (*shares, of("log_unsaid_present")))
    gone = np.where(draws.chance("log said none", 0.5), 2, 3)
    log_kind = np.where(stopped, gone, log_kind)
    log_kind = np.where(codes.whole >= Whole.SETTING_LOST, 0, log_kind)
    stated = np.array([COMPLETE, PARTIAL, NONE, 0, 0])[log_kind]
    used = when.kind == VENTILATOR
    unused = np.where(draws.chance("log unused", 0.4), NONE, 0)
    return Logs(
        stated=np.where(used, stated, unused),
        delivered=used & np.isin(log_kind, [0, 1, 4]),
        complete=used & np.isin(log_kind, [0, 4]),
    )


def own_rate(draws: Draws, shape: float) -> Floats:
    """Return how much more than usual each trip occludes: gamma with mean 1."""
    return draws.gamma("own rate", shape)


def _rate_per_min(truth: Truth, scene: Scene, place: Place, k: int) -> Floats:
    """The true rate in the k-th stretch of flow, before the trip's own factor."""
    child, what = scene.child, scene.what
    setup = child.setup
    share = flow_share(setup, what.flow10.value[:, k], child.cannula)
    size = truth.rate_ratio ** setup.from_middle[child.cannula]
    family = np.where(setup.prong[child.cannula], 1.0, of("occlusion_wide"))
    where = of("occlusion_base_spread") * (place.base / max(len(setup.bases) - 1, 1) - 0.5)
    wave = of("occlusion_month_spread") * np.sin(2 * np.pi * place.month / 12)
    effect = np.exp(of("occlusion_flow_effect") * (share - 0.5) + where + wave)
    return np.asarray(truth.per_100h / 6000 * size * family * effect * place.raised)


def _occlusion_times(scene: Scene, rates: list[Floats]) -> tuple[Ints, Floats]:
    """Draw (trip, true second) of the events, stretch of flow by stretch of flow."""
    draws, when, what = scene.draws, scene.when, scene.what
    stop = np.minimum(when.window_end, when.failed)
    trips, seconds = [], []
    for k, rate in enumerate(rates):
        at = what.flow10.at
        last = k + 1 == at.shape[1]
        begin = np.maximum(at[:, k], when.moved)
        ends = stop if last else np.minimum(stop, at[:, k + 1 :].min(axis=1))
        minutes = np.maximum(ends - begin, 0)
        count = draws.poisson("occlusions", rate * minutes, k)
        trip = np.repeat(np.arange(len(count)), count)
        order = np.arange(len(trip)) - (np.cumsum(count) - count)[trip] + 64 * k
        u = draws.rows(trip).uniform("occlusion time", order)
        together = (count >= 3) & (minutes >= 10) & draws.chance("burst", of("burst_share"), k)
        span = np.where(together, 8.5, minutes)
        begin_s = begin * 60 + draws.uniform("burst time", k) * (minutes - span) * 60
        trips.append(trip)
        seconds.append(begin_s[trip] + u * span[trip] * 60)
    return np.concatenate(trips), np.concatenate(seconds)


def clock_offset(draws: Draws) -> Ints:
    """Return each device clock's offset in seconds: a plain part and a far worse tail."""
    u = draws.uniform("clock tail size")
    tail = -np.sign(u - 0.5) * np.log(1 - 2 * np.abs(u - 0.5)) * of("clock_tail_scale")
    plain = draws.normal("clock") * of("clock_spread")
    found = np.where(draws.chance("clock tail", of("clock_tail_share")), tail, plain)
    return np.asarray(np.rint(np.clip(found, -1200, 1200)), dtype=np.int64)


class Clock:
    """The device's clock: offset, drift from the start on, and jitter; whole seconds."""

    def __init__(self, draws: Draws, when: Times) -> None:
        self.draws = draws
        self.offset = clock_offset(draws)
        self.start = when.moved * 60 + draws.whole("start second", 0, 59)
        self.drift = (draws.uniform("drift") * 2 - 1) * of("clock_drift") / 3600
        started = self.shown(np.arange(len(self.start)), self.start, 0)
        difference = started - when.moved * 60
        matched = np.abs(difference) <= MATCH_WITHIN_S
        self.corrected_by = np.where(matched & (np.abs(difference) <= MAX_OFFSET_S), difference, 0)

    def shown(self, trip: Ints, true_s: Ints | Floats, item: Ints | int) -> Ints:
        """Return what the device writes for a true second."""
        drifted = self.drift[trip] * (true_s - self.start[trip])
        most = int(of("clock_jitter"))
        jitter = self.draws.rows(trip).whole("jitter", -most, most, item)
        return np.asarray(np.floor(true_s + drifted).astype(np.int64) + self.offset[trip] + jitter)


def device_events(
    scene: Scene, log: Logs, truth: Truth, place: Place
) -> tuple[Columns, Occlusions, Clock]:
    """Write the log of each ventilator trip that was downloaded."""
    draws, codes, when, what = scene.draws, scene.codes, scene.when, scene.what
    own = own_rate(draws, truth.shape)
    silent = ~log.delivered | (codes.whole > 0) | np.isin(codes.watch, LOW)
    silent |= np.isin(codes.escalation, CHANGED)
    factor = np.where(silent, 0.0, own)
    steps = range(what.flow10.at.shape[1])
    rates = [factor * _rate_per_min(truth, scene, place, k) for k in steps]
    trip, true_s = _occlusion_times(scene, rates)
    by = np.lexsort((true_s, trip))
    trip, true_s = trip[by], true_s[by]
    clock = Clock(draws, when)
    item = 1 + np.arange(len(trip)) - np.searchsorted(trip, trip)
    shown = clock.shown(trip, true_s, item)
    cutoff = _cutoffs(draws, trip, item)
    found = _log_rows(scene, log, clock, _Events(trip, item, shown, cutoff))
    by = np.lexsort((shown, trip))
    trip, shown, cutoff = trip[by], shown[by], cutoff[by]
    corrected = shown - clock.corrected_by[trip]
    inside = (corrected >= when.start[trip] * 60) & (corrected < when.window_end[trip] * 60)
    trigger = _trigger(len(when.start), trip[inside], corrected[inside])
    return found, Occlusions(trip, corrected, cutoff, inside, trigger), clock


def _trigger(n: int, trip: Ints, corrected: Ints) -> Ints:
    """The first event that is the third within ten minutes, each trip's; -1 without."""
    found = np.full(n, -1, dtype=np.int64)
    before = COUNT - 1
    if len(trip) <= before:
        return found
    near = (trip[before:] == trip[:-before]) & (
        corrected[before:] - corrected[:-before] <= WINDOW_S
    )
    hits = np.flatnonzero(near) + before
    which, first = np.unique(trip[hits], return_index=True)
    found[which] = corrected[hits[first]]
    return found


def _cutoffs(draws: Draws, trip: Ints, item: Ints) -> Ints:
    """Seconds without flow; -1 is not logged."""
    own = draws.rows(trip)
    usual = np.clip(np.rint(of("cutoff_median") * np.exp(0.2 * own.normal("cutoff", item))), 3, 14)
    long = own.chance("long cutoff", of("cutoff_long_share"), item)
    found = np.where(long, own.whole("long", 17, 40, item), usual).astype(np.int64)
    return np.where(own.chance("cutoff missing", of("cutoff_missing"), item), -1, found)


@dataclass
class _Events:
    """Occlusions in order of trip and true time; `item` counts a trip's from 1."""

    trip: Ints
    item: Ints
    shown: Ints
    cutoff: Ints


def _log_rows(scene: Scene, log: Logs, clock: Clock, events: _Events) -> Columns:
    """Join starts, occlusions, restorations and pauses, in order of trip and device time."""
    draws, when = scene.draws, scene.when
    trip, shown, cutoff = events.trip, events.shown, events.cutoff
    own = draws.rows(trip)
    pressure = int(of("ceiling")) + 1 + own.whole("pressure", 0, 8, events.item)
    with_log = np.flatnonzero(log.delivered)
    bench = with_log[draws.chance("bench start", 0.02)[with_log]]
    paused = with_log[draws.chance("paused", 0.02)[with_log]]
    restored = (cutoff >= 0) & own.chance("restored", 0.85, events.item)
    parts: list[tuple[Ints | int, ...]] = [
        (with_log, clock.shown(with_log, clock.start[with_log], 0), STARTED, -1, -1),
        (bench, clock.shown(bench, clock.start[bench] - 2700, 0), STARTED, -1, -1),
        (paused, clock.shown(paused, when.arrived[paused] * 60, 0), PAUSED, -1, -1),
        (trip, shown, OCCLUSION, pressure, cutoff),
        (trip[restored], shown[restored] + cutoff[restored], RESTORED, -1, -1),
    ]
    columns = np.concatenate(
        [np.stack(np.broadcast_arrays(*part), dtype=np.int64) for part in parts], axis=1
    )
    by = np.lexsort((columns[2], columns[1], columns[0]))
    names = ("trip", "at_s", "event", "pressure", "cutoff")
    return {name: column[by] for name, column in zip(names, columns, strict=True)}
