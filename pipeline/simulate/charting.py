"""The rows a crew charts: settings and observations, with gaps, nulls and repeats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.children import Children
from pipeline.simulate.draws import Bools, Columns, Draws, Floats, Ints
from pipeline.simulate.occlusions import Occlusions
from pipeline.simulate.pathways import NEVER
from pipeline.simulate.plants import LOW, Fit, Wall, Watch, Whole
from pipeline.simulate.support import (
    NOT_CHARTED,
    REASON,
    SOURCE,
    Scene,
    Series,
    Support,
    first_observation,
    low_readings,
)
from pipeline.simulate.times import Times
from pipeline.simulate.worsening import MORE_SUPPORT, Worsening
from schemas.contract import SUPPORTS

START, FULL, REASON_ROW, ROUTINE, OTHER_SUPPORT, RESEATED = 0, 6, 7, 8, 9, 10
RECOVERED = [Watch.LOW_ANSWERED, Watch.LOW_SUCTIONED]
SUCTION, REPOSITIONED, BAGGED = 1, 2, 3
FIELDS = ("source", "flow10", "fio2", "humidification", "cannula")
"""A row of kind k, 1 to 5, is there because the k-th of these changed."""
OFTEN = ("flow10", "fio2")
NONINVASIVE, INVASIVE = (SUPPORTS.index(name) + 1 for name in ("noninvasive", "invasive"))
CHART_GAP_AFTER = 3
LOST_AFTER = 8
"""Minutes from departure to a planted gap in the settings, and to a lost settings row."""


@dataclass
class _Rows:
    trip: Ints
    minute: Ints
    kind: Ints
    order: Ints


def _collected(parts: list[tuple[Ints, Ints, int, Ints]]) -> _Rows:
    """Join (trip, minute, kind, order) parts, in order of trip, minute and kind."""
    trip = np.concatenate([part[0] for part in parts])
    minute = np.concatenate([part[1] for part in parts])
    kind = np.concatenate([np.full(len(part[0]), part[2]) for part in parts])
    order = np.concatenate([part[3] for part in parts])
    by = np.argsort((trip * 4096 + minute) * 16 + kind, kind="stable")
    return _Rows(trip[by], minute[by], kind[by], order[by])


def _counted(count: Ints) -> tuple[Ints, Ints]:
    """Return (trip, 1 to count) for each trip's rows."""
    trip = np.repeat(np.arange(len(count)), count)
    first = np.cumsum(count) - count
    return trip, np.arange(len(trip)) - first[trip] + 1


def _routine(draws: Draws, when: Times) -> tuple[Ints, Ints, Ints]:
    """Rows every eight to eleven minutes, some a minute late."""
    step = draws.whole("chart step", 8, 11)
    trip, order = _counted(np.maximum(when.window_end - 1 - when.start, 0) // step)
    minute = when.start[trip] + order * step[trip]
    return trip, minute + draws.rows(trip).whole("chart wobble", 0, 1, order), order


def _setting_rows(scene: Scene, trigger_s: Ints) -> _Rows:
    """All rows before the end of the window, and the one that ends it early."""
    codes, when, what = scene.codes, scene.when, scene.what

    def rows(minute: Ints, kind: int) -> tuple[Ints, Ints, int, Ints]:
        trip = np.flatnonzero(minute < when.window_end)
        return trip, minute[trip], kind, np.zeros_like(trip)

    parts = [rows(when.start, START), rows(what.reason_at, REASON_ROW)]
    parts.append(rows(_reseated(scene, trigger_s), RESEATED))
    for kind, field in enumerate(FIELDS, start=1):
        series: Series = getattr(what, field)
        late = np.where(series.charted_from > when.start, series.charted_from, NEVER)
        for k in range(1, series.at.shape[1]):
            # a new source and its oxygen are charted in one row
            beside = (what.source.at == series.at[:, k, None]).any(axis=1) & (field == "fio2")
            parts.append(rows(np.where(beside, NEVER, series.at[:, k]), kind))
        parts.append(rows(late, kind))
    after_gap = when.departed + CHART_GAP_AFTER + when.chart_gap
    parts.append(rows(np.where(when.chart_gap > 0, after_gap, NEVER), FULL))
    lost = codes.whole == Whole.SETTING_LOST
    parts.append(rows(np.where(lost, when.departed + LOST_AFTER + 2, NEVER), FULL))
    trip, minute, order = _routine(scene.draws, when)
    keep = minute < when.window_end[trip]
    from_gap = minute - when.departed[trip] - CHART_GAP_AFTER
    keep &= (from_gap <= 0) | (from_gap >= when.chart_gap[trip])
    parts.append((trip[keep], minute[keep], ROUTINE, order[keep]))
    ended = np.flatnonzero(when.other_support < when.end)
    parts.append((ended, when.other_support[ended], OTHER_SUPPORT, np.zeros_like(ended)))
    found = _collected(parts)
    charted = codes.whole[found.trip] != Whole.NO_SETTINGS
    return _Rows(
        found.trip[charted], found.minute[charted], found.kind[charted], found.order[charted]
    )


def _reseated(scene: Scene, trigger_s: Ints) -> Ints:
    """When the cannula is charted anew after repeated occlusions; NEVER where it is not."""
    draws, codes, when = scene.draws, scene.codes, scene.when
    minute = -(-trigger_s // 60) + draws.whole("reseated", 0, 2)
    done = (trigger_s >= 0) & (codes.whole == 0) & (minute < when.failed)
    done &= (codes.watch != Watch.CHART_GAP) & (codes.fit != Fit.CANNULA_NEVER_CHARTED)
    return np.where(done & draws.chance("reseated", of("reseated")), minute, NEVER)


def _charted(own: Draws, rows: _Rows, field: str, series: Series) -> Bools:
    """Whether a row charts a field: always where it changed, flow and FiO2 mostly."""
    kind = rows.kind
    found = (kind == START) | (kind == FULL) | (kind == FIELDS.index(field) + 1)
    if field in OFTEN:
        found |= (kind == 1) & (field == "fio2")
        # never two routine rows in a row without, so that nothing lapses unplanned
        found |= (kind == ROUTINE) & ((rows.order % 2 == 0) | own.chance(field, 0.6, rows.minute))
        found |= (kind < FULL) & own.chance(field + " beside", 0.5, rows.minute)
    else:
        found |= (kind == ROUTINE) & own.chance(field, 0.15, rows.minute)
    found &= rows.kind != OTHER_SUPPORT
    found = np.where(rows.kind == RESEATED, field == "cannula", found)
    return np.asarray(found & (rows.minute >= series.charted_from[rows.trip]))


def settings(scene: Scene, trigger_s: Ints, outcome: Ints) -> Columns:
    """Chart the settings of a chunk of trips, in order of trip and time.

    `trigger_s` is when occlusions had repeated (-1 never), `outcome` as in `outcomes`.
    """
    what = scene.what
    rows = _setting_rows(scene, trigger_s)
    own = scene.draws.rows(rows.trip)
    found: Columns = {"trip": rows.trip, "minute": rows.minute}
    for field in FIELDS:
        series: Series = getattr(what, field)
        blank = -1 if field in OFTEN else NOT_CHARTED
        charted = _charted(own, rows, field, series)
        found[field] = np.where(charted, series.in_force(rows.trip, rows.minute), blank)
    shown = (rows.kind == START) | own.chance("support", 0.1, rows.minute)
    high_flow = np.where(shown, SUPPORTS.index("high_flow") + 1, NOT_CHARTED)
    other = np.where(outcome[rows.trip] == MORE_SUPPORT, NONINVASIVE, INVASIVE)
    found["support"] = np.where(rows.kind == OTHER_SUPPORT, other, high_flow)
    reason = _shown_reason(own, rows, what)
    blank = (found["flow10"] < 0) & (found["fio2"] < 0) & (found["support"] == NOT_CHARTED)
    for field in ("source", "humidification", "cannula"):
        blank &= found[field] == NOT_CHARTED
    found["reason"] = np.where(blank & (reason == NOT_CHARTED), REASON["check"], reason)
    # now and then a row is charted twice
    twice = (rows.kind == ROUTINE) & own.chance("charted twice", 0.003, rows.minute)
    times = 1 + twice.astype(np.int64)
    return {name: np.repeat(column, times) for name, column in found.items()}


def _shown_reason(own: Draws, rows: _Rows, what: Support) -> Ints:
    changed = (rows.kind >= 1) & (rows.kind < FULL) & own.chance("reason", 0.3, rows.minute)
    found = np.where(changed, REASON["clinical"], NOT_CHARTED)
    checked = (rows.kind == ROUTINE) & own.chance("reason", 0.1, rows.minute)
    found = np.where(checked, REASON["check"], found)
    found = np.where(rows.kind == OTHER_SUPPORT, REASON["clinical"], found)
    found = np.where(rows.kind == REASON_ROW, what.reason[rows.trip], found)
    found = np.where(rows.kind == RESEATED, REASON["repeated_occlusion"], found)
    return np.where(rows.kind == START, what.start_reason[rows.trip], found)


@dataclass
class Upset:
    """How upset children are: each trip's own rate of occlusions, its events, and whether the
    change that raised the rate shows in crying; a child who cries more occludes more."""

    own_rate: Floats
    events: Occlusions
    crying: Bools


def observations(scene: Scene, upset: Upset, worse: Worsening) -> Columns:
    """Chart the observations."""
    draws, watch, when = scene.draws, scene.codes.watch, scene.when
    exact = np.isin(watch, [*LOW, Watch.RICH_AT_LIMIT, Watch.GAP_AT_LIMIT])
    step = np.where(exact, 5, 5 + draws.chance("observation step", 0.85))
    first = first_observation(draws)
    trip, order = _counted((when.end - 1 - first) // step + 1)
    order = order - 1
    own = draws.rows(trip)
    wobble = np.where(exact[trip], 0, own.whole("observation wobble", 0, 1, order))
    minute = first[trip] + order * step[trip] + wobble
    seen = _Seen(trip, minute, order, own, (first, minute - when.departed[trip]))
    loose = ~exact[trip] & (order % 2 == 1)
    spo2 = _spo2(scene, seen, worse)
    spo2 = np.where(loose & own.chance("spo2 missing", of("spo2_missing"), order), -1, spo2)
    found: Columns = {"trip": trip, "minute": minute, "spo2": spo2}
    found.update(_rates(scene.child, seen, loose, worse))
    found["behaviour"] = _behaviour(seen, upset, worse)
    found["care"] = _care(scene, seen, upset, worse)
    keep = (minute < when.end[trip]) & ~_missed(scene, seen)
    twice = own.chance("observed twice", 0.002, order) & ((spo2 < 0) | (spo2 >= 90)) & ~exact[trip]
    times = keep.astype(np.int64) * (1 + twice)
    return {name: np.repeat(column, times) for name, column in found.items()}


@dataclass
class _Seen:
    """Observations, shape (rows,); `grid` is each trip's first minute and each row's minutes
    since departure."""

    trip: Ints
    minute: Ints
    order: Ints
    own: Draws
    grid: tuple[Ints, Ints]

    def steps_to(self, minute: Ints) -> Ints:
        """Return the order of the first row at or after a minute of each trip, five apart."""
        return -(-(minute - self.grid[0]) // 5)


GAP_MIN = 18
"""A planted gap in the observations leaves out the minutes below this after departure."""


def _missed(scene: Scene, seen: _Seen) -> Bools:
    """Rows that a planted gap leaves out."""
    watch, after = scene.codes.watch[seen.trip], seen.grid[1]
    wide = (watch == Watch.GAP) & (after > 0) & (after < GAP_MIN)
    from_step = seen.order - seen.steps_to(scene.when.departed + 4)[seen.trip]
    two = (watch == Watch.GAP_AT_LIMIT) & (from_step >= 0) & (from_step <= 1)
    return np.asarray(wide | two)


def _spo2(scene: Scene, seen: _Seen, worse: Worsening) -> Ints:
    """Saturation in whole per cent: ordinary values, kept clear of what was not planted."""
    draws, when, what = scene.draws, scene.when, scene.what
    trip, minute, order, own = seen.trip, seen.minute, seen.order, seen.own
    watch = scene.codes.watch[trip]
    usual = of("spo2_typical") + 1.2 * draws.normal("spo2")
    value = np.rint(np.clip(usual[trip] + own.normal("spo2 now", order), 91, 99)).astype(np.int64)
    source = what.source.in_force(trip, minute)
    undiluted = np.isin(source, [SOURCE["wall"], SOURCE["cylinder"]])
    value = np.where(undiluted, np.minimum(value + 2, 100), value)
    dip = (order % 4 == 2) & own.chance("dip", of("spo2_dip"), order)
    value = np.where(dip, 88 + own.whole("dip depth", 0, 1, order), value)
    # never low twice: that would ask for an answer of its own
    falls = worse.shows(trip, minute) & (watch == 0)
    value = np.where(falls, 90 + own.whole("falling", 0, 3, order), value)
    value = np.where(falls & worse.collapses(trip, minute), 78, value)
    # on much blended oxygen no two high values follow each other by chance
    rich = ~undiluted & (what.fio2.in_force(trip, minute) > 40)
    rich |= scene.codes.wall[trip] == Wall.SOURCE_LATE
    held = rich & (order % 3 > 0)
    held |= np.isin(watch, [*LOW, Watch.RICH_AT_LIMIT]) | (scene.codes.whole[trip] > 0)
    value = np.where(held & ~falls, np.clip(value, 91, 97), value)
    high = np.isin(watch, [Watch.RICH_OXYGEN, Watch.RICH_UNKNOWN]) & (minute > when.moved[trip])
    from_step = order - seen.steps_to(when.moved + 3)[trip]
    high |= (watch == Watch.RICH_AT_LIMIT) & (from_step >= 0) & (from_step <= 3)
    value = np.where(high, 98 + own.whole("high", 0, 1, order), value)
    one, two = low_readings(draws, when)
    low = np.isin(watch, LOW) & ((minute == one[trip]) | (minute == two[trip]))
    # what nobody answers goes on for a while: a recovery would be an answer
    third = minute == two[trip] + 5
    low |= (np.isin(watch, LOW) & ~np.isin(watch, RECOVERED)) & third
    depth = np.where(own.chance("very low", 0.05), 78, own.whole("low", 84, 89, order))
    value = np.where(low, depth, value)
    lost = (watch == Watch.GAP_IN_SPO2) & (seen.grid[1] > 0) & (seen.grid[1] < GAP_MIN)
    return np.where(lost | (watch == Watch.NO_SPO2), -1, value)


def _rates(child: Children, seen: _Seen, loose: Bools, worse: Worsening) -> Columns:
    own, order = seen.own, seen.order
    shows = worse.shows(seen.trip, seen.minute)
    years = child.age[seen.trip] / 12
    breaths = 22 + 22 * np.exp(-years / 1.5) + 5 * own.normal("breaths", order)
    beats = 95 + 50 * np.exp(-years / 2.5) + 9 * own.normal("beats", order)
    breaths, beats = breaths + of("worse_breaths") * shows, beats + of("worse_beats") * shows
    beats = np.where(worse.collapses(seen.trip, seen.minute), 62, beats)
    resp = np.clip(np.rint(breaths), 12, 90).astype(np.int64)
    heart = np.clip(np.rint(beats), 60, 220).astype(np.int64)
    no_resp = loose & own.chance("breaths missing", 0.08, order)
    no_heart = own.chance("beats missing", 0.05, order)
    return {"resp": np.where(no_resp, -1, resp), "heart": np.where(no_heart, -1, heart)}


def _behaviour(seen: _Seen, upset: Upset, worse: Worsening) -> Ints:
    """Position in the contract's list plus one; 0 where not charted."""
    own, order = seen.own, seen.order
    near = upset.events.near(seen.trip, seen.minute * 60, NEAR_S)
    share = np.minimum(of("crying") * (0.6 + upset.own_rate[seen.trip]), 0.6)
    share = np.where(worse.shows(seen.trip, seen.minute), of("worse_upset"), share)
    beside = np.where(upset.crying[seen.trip], of("crying_raised"), of("crying_near"))
    cries = own.chance("upset", np.where(near, np.maximum(share, beside), share), order)
    how = np.array([3, 3, 4, 5])[own.whole("upset how", 0, 3, order)]
    rest = 1 + own.chance("awake", 0.55, order).astype(np.int64)
    charted = own.chance("behaviour charted", np.where(near, 0.9, 0.6), order)
    return np.where(charted, np.where(cries, how, rest), 0)


def _care(scene: Scene, seen: _Seen, upset: Upset, worse: Worsening) -> Ints:
    """Position in CARE plus one; 0 where none is charted. None where it would be an answer."""
    own, order, codes = seen.own, seen.order, scene.codes
    shares = (of("suctioned"), of("repositioned"), 0.0, of("sensor_moved"), 1.0)
    care = (own.pick("care", (*shares[:4], 1 - sum(shares[:4])), order) + 1) % 5
    blocked = upset.events.near(seen.trip, seen.minute * 60 - CARED_S, CARED_S)
    cared = blocked & own.chance("cared", of("care_after_occlusion"), order)
    how = np.where(own.chance("cared how", 0.5, order), SUCTION, REPOSITIONED)
    care = np.where(cared & (care == 0), how, care)
    bagged = own.chance("bagged", worse.bagged_share(seen.trip, seen.minute), order)
    bagged |= worse.collapses(seen.trip, seen.minute)
    care = np.where(bagged, BAGGED, care)
    low = np.isin(codes.watch, LOW)[seen.trip]
    second = low_readings(scene.draws, scene.when)[1][seen.trip] == seen.minute
    suctioned = (codes.watch[seen.trip] == Watch.LOW_SUCTIONED) & second
    return np.where(suctioned, SUCTION, np.where(low, 0, care))


NEAR_S, CARED_S = 120, 90
"""An occlusion within the first of an observation is charted with what the child did; the crew sees
to the child within twice the second of one."""
