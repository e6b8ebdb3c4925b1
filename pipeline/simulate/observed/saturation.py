"""Saturation: each child's own, drifting; near 100 on undiluted oxygen; low where planted."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Floats, Ints
from pipeline.simulate.observed.manner import Dips
from pipeline.simulate.observed.moments import GAP_MIN, Seen, rich_readings
from pipeline.simulate.plants import LOW, Wall, Watch
from pipeline.simulate.service import DIAGNOSES
from pipeline.simulate.support import SOURCE, Scene, low_readings
from pipeline.simulate.worsening import ARREST, WEANED, Worsening

RECOVERED = [Watch.LOW_ANSWERED, Watch.LOW_SUCTIONED]
LEAST, MOST, MOST_RICH = 91, 98, 97
"""Of what is not planted: on blended gas, and where the oxygen is above the protocol's."""


def undiluted(scene: Scene, seen: Seen) -> Bools:
    """Whether each row is on wall or cylinder."""
    source = scene.what.source.in_force(seen.trip, seen.minute)
    return np.asarray(np.isin(source, [SOURCE["wall"], SOURCE["cylinder"]]))


def dips(scene: Scene, seen: Seen, worse: Worsening) -> Dips:
    """Where saturation is low for once, never twice running: a sensor slipped, or secretions."""
    own, minute = seen.own, seen.minute
    falls = worse.shows(seen.trip, minute)
    share = np.where(falls, of("worse_dip") * worse.grown(seen.trip, minute), of("spo2_dip"))
    found = (seen.order % 4 == 2) & own.chance("dip", share, minute)
    found &= ~seen.exact & (scene.codes.whole[seen.trip] == 0)
    # one who collapses has the one low reading that shows it
    found &= ~falls | ((worse.outcome < ARREST)[seen.trip] & ~undiluted(scene, seen))
    slipped = own.chance("slipped", of("dip_slipped"), minute) | undiluted(scene, seen)
    slipped &= ~falls
    return Dips(found, found & slipped)


def saturation(scene: Scene, seen: Seen, worse: Worsening, upset: Bools, dip: Dips) -> Ints:
    """Return whole per cent, -1 where not charted, kept clear of what was not planted."""
    trip, minute, own = seen.trip, seen.minute, seen.own
    watch = scene.codes.watch[trip]
    pure = undiluted(scene, seen)
    found = _breathing(scene, seen, worse, pure) - of("spo2_upset") * upset
    # a child who gets worse falls slowly, and never low twice: that would ask for an answer
    falls = worse.shows(trip, minute) & (watch == 0)
    worst = of("spo2_worse") + of("spo2_drift") * seen.drift("spo2 worse", 12)
    worst += of("spo2_noise") * own.normal("spo2 now", minute)
    found -= np.where(falls, worse.grown(trip, minute) * (found - worst), 0)
    held = scene.what.fio2.in_force(trip, minute) > 40
    held |= (scene.codes.wall[trip] == Wall.SOURCE_LATE) | (scene.codes.whole[trip] > 0)
    held |= np.isin(watch, [*LOW, Watch.RICH_AT_LIMIT])
    most = np.where(pure, 100, np.where(held, MOST_RICH, MOST))
    value = np.clip(np.rint(found), np.where(falls, 90, LEAST), most).astype(np.int64)
    value = np.where(dip.all, 88 + own.whole("dip depth", 0, 1, minute), value)
    value = np.where(falls & worse.collapses(trip, minute, seen.after), 78, value)
    value = _planted(scene, seen, value)
    missing = ~seen.exact & (seen.order % 2 == 1) & seen.may_lack
    missing &= own.chance("spo2 missing", of("spo2_missing"), minute)
    hidden = minute - scene.when.departed[trip]
    lost = (watch == Watch.GAP_IN_SPO2) & (hidden > 0) & (hidden < GAP_MIN)
    return np.where(missing | lost | (watch == Watch.NO_SPO2), -1, value)


def _breathing(scene: Scene, seen: Seen, worse: Worsening, pure: Bools) -> Floats:
    """Each child's own saturation on blended gas, and what undiluted oxygen makes of it."""
    draws, trip = scene.draws, seen.trip
    usual = of("spo2_typical") + of("spo2_children") * draws.normal("spo2")
    usual = np.clip(usual, np.where(worse.outcome == WEANED, 95, 93), 96.8)
    noise = of("spo2_noise") * seen.own.normal("spo2 now", seen.minute)
    found = usual[trip] + of("spo2_drift") * seen.drift("spo2", 20) + noise
    full = of("spo2_undiluted") + 0.4 * draws.normal("spo2 undiluted")
    cardiac = scene.child.diagnosis == DIAGNOSES.index("cardiac")
    shunted = cardiac & draws.chance("shunted", of("shunted"))
    full = np.where(shunted, usual + 1.5, np.maximum(full, usual))
    since = np.zeros(len(trip), dtype=np.int64)
    for k in range(scene.when.wall.shape[1]):
        begin, until = scene.when.wall[:, k, 0][trip], scene.when.wall[:, k, 1][trip]
        inside = (seen.minute >= begin) & (seen.minute < until)
        since = np.where(inside, seen.minute - begin, since)
    share = 1 - np.exp(-(since + 0.5) / of("spo2_rises"))
    on_full = found + share * (full[trip] - found) + share * noise
    return np.asarray(np.where(pure, on_full, found))


def _planted(scene: Scene, seen: Seen, value: Ints) -> Ints:
    """Readings that plants ask for: high on much oxygen, and low."""
    trip, minute, own = seen.trip, seen.minute, seen.own
    watch = scene.codes.watch[trip]
    high = np.isin(watch, [Watch.RICH_OXYGEN, Watch.RICH_UNKNOWN])
    high &= minute > scene.when.moved[trip]
    at = [minutes[trip] for minutes in rich_readings(scene)]
    around = (minute > at[0] - 12) & (minute < at[-1] + 12)
    value = np.where(around, np.clip(value, 96, MOST_RICH), value)
    high |= np.any([minute == minutes for minutes in at], axis=0)
    value = np.where(high, np.where(seen.drift("high", 20) > 0, 99, 98), value)
    one, two = (at[trip] for at in low_readings(scene.draws, scene.when))
    low = np.isin(watch, LOW)
    value = np.where(low & (minute > one - 8) & (minute < two + 15), np.minimum(value, 94), value)
    now = low & ((minute == one) | (minute == two))
    # what nobody answers goes on for a while: a recovery would be an answer
    now |= low & ~np.isin(watch, RECOVERED) & (minute == two + 5)
    depth = np.where(own.chance("very low", 0.05), 78, own.whole("low", 84, 89, minute))
    return np.where(now, depth, value)
