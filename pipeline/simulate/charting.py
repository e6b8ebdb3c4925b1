"""The settings a crew charts, with gaps, nulls and repeats."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Columns, Draws, Ints, counted
from pipeline.simulate.pathways import NEVER
from pipeline.simulate.plants import Fit, Watch, Whole
from pipeline.simulate.support import (
    NOT_CHARTED,
    REASON,
    Scene,
    Series,
    Support,
)
from pipeline.simulate.times import Times
from pipeline.simulate.worsening import MORE_SUPPORT
from schemas.contract import SUPPORTS
from schemas.record import dataclass

START, FULL, REASON_ROW, ROUTINE, OTHER_SUPPORT, RESEATED = 0, 6, 7, 8, 9, 10
FIELDS = ("source", "flow10", "fio2", "humidification", "cannula")
"""A row of kind k, 1 to 5, is there because the k-th of these changed."""
OFTEN = ("flow10", "fio2")
BLANK = {field: -1 if field in OFTEN else NOT_CHARTED for field in FIELDS}
HIGH_FLOW, NONINVASIVE, INVASIVE = (
    SUPPORTS.index(name) + 1 for name in ("high_flow", "noninvasive", "invasive")
)
CHART_GAP_AFTER = 3
LOST_AFTER = 8
"""Minutes from departure to a planted gap in the settings, and to a lost settings row."""
LEAST_APART, MOST_APART, CAUGHT_UP = 6, 22, 6
"""Minutes between two rows that chart flow and oxygen, and from an event to the first of them: in
all two below the half hour after which neither is known."""


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


def _stretches(when: Times) -> tuple[Ints, Ints]:
    """Where a crew's charting begins anew, and for how long, in minutes: shape (n, events) each.

    Of events that follow one another closely, the last; NEVER and 0 for what there is not.
    """
    events = np.stack([when.start, when.moved, when.departed, when.failed, when.arrived], axis=1)
    end = when.window_end[:, None]

    def until_next(at: Ints) -> Ints:
        following = np.concatenate([at[:, 1:], np.full_like(end, NEVER)], axis=1)
        return np.asarray(np.minimum(following, end), dtype=np.int64)

    events = np.sort(np.where(events < end, events, NEVER), axis=1)
    events = np.where(until_next(events) - events > CAUGHT_UP, events, NEVER)
    events[:, 0] = when.start
    events = np.sort(events, axis=1)
    return events, np.maximum(until_next(events) - events, 0)


def _routine(draws: Draws, when: Times) -> tuple[Ints, Ints, Ints]:
    """Rows as each crew gets to it, beginning anew after every event: trip, minute and order.

    Every second row, and the first after an event, charts flow and oxygen: never more than
    `MOST_APART` minutes apart, and by `CAUGHT_UP` after the event, so that nothing lapses.
    """
    events, length = _stretches(when)
    stretch, pair = counted((length // LEAST_APART + 1).ravel())
    trip, part = np.divmod(stretch, events.shape[1])
    own, item = draws.rows(trip), pair + 1024 * part
    pace = of("charted_every") * np.exp(of("charted_pace") * draws.normal("charted pace"))
    apart = np.rint(pace[trip] * np.exp(of("charted_spread") * own.normal("charted", item)))
    most = own.whole("charted most", MOST_APART - 4, MOST_APART, item)
    apart = np.clip(apart, LEAST_APART, most).astype(np.int64)
    # the very first row has charted all
    first = np.where(
        part > 0, own.whole("caught up", 1, CAUGHT_UP, part), own.whole("settled in", 3, 14)
    )
    apart = np.where(pair == 1, first, apart)
    passed = np.cumsum(apart)
    whole = passed - passed[np.searchsorted(stretch, stretch)] + first
    following = np.append(apart[1:], LEAST_APART)
    between = whole + np.rint(following * (0.15 + 0.7 * own.uniform("charted between", item)))
    into = np.stack([whole, between.astype(np.int64)], axis=1).ravel()
    trip, stretch = np.repeat(trip, 2), np.repeat(stretch, 2)
    keep = into < length.ravel()[stretch]
    order = np.tile([0, 1], len(pair))
    return trip[keep], (events.ravel()[stretch] + into)[keep], order[keep]


def _skipped(scene: Scene, trip: Ints, minute: Ints, order: Ints) -> Bools:
    """Routine rows left out on the road: of those that need not chart flow and oxygen."""
    road = (minute > scene.when.departed[trip]) & (minute < scene.when.arrived[trip])
    left_out = scene.draws.rows(trip).chance("setting skipped", of("setting_skipped"), minute)
    return np.asarray(road & (order % 2 == 1) & left_out)


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
    keep = (minute < when.window_end[trip]) & ~_skipped(scene, trip, minute, order)
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
        charted = _charted(own, rows, field, series)
        found[field] = np.where(charted, series.in_force(rows.trip, rows.minute), BLANK[field])
    high_flow = (rows.kind == START) | own.chance("support", 0.1, rows.minute)
    other = np.where(outcome[rows.trip] == MORE_SUPPORT, NONINVASIVE, INVASIVE)
    found["support"] = np.where(rows.kind == OTHER_SUPPORT, other, high_flow * HIGH_FLOW)
    found["reason"] = _shown_reason(own, rows, what)
    # now and then a row is charted twice
    twice = (rows.kind == ROUTINE) & own.chance("charted twice", 0.003, rows.minute)
    found, first = _in_one_row(found, rows.kind)
    times = 1 + np.logical_or.reduceat(twice, first).astype(np.int64)
    nothing = found["reason"] == NOT_CHARTED
    for field in (*FIELDS, "support"):
        nothing &= found[field] == BLANK.get(field, NOT_CHARTED)
    found["reason"] = np.where(nothing, REASON["check"], found["reason"])
    found["support"] = np.where(nothing, HIGH_FLOW, found["support"])
    return {name: np.repeat(column, times) for name, column in found.items()}


def _in_one_row(found: Columns, kind: Ints) -> tuple[Columns, Ints]:
    """Join rows of one minute, but the first and those that stand alone; with where each began.

    Their values are those in force then or blank, and blank is the least.
    """
    alone = np.isin(kind, [START, OTHER_SUPPORT, RESEATED])
    same = (np.diff(found["trip"], prepend=-1) == 0) & (np.diff(found["minute"], prepend=-1) == 0)
    joined = same & ~alone & ~np.concatenate([[True], alone[:-1]])
    first = np.flatnonzero(~joined)
    rank = np.where(found["reason"] == NOT_CHARTED, 0, np.where(kind == REASON_ROW, 2, 1))
    ranked = np.maximum.reduceat(rank * 100 + found["reason"], first) % 100
    together = {name: np.maximum.reduceat(column, first) for name, column in found.items()}
    return together | {"reason": ranked}, first


def _shown_reason(own: Draws, rows: _Rows, what: Support) -> Ints:
    by_need = np.isin(rows.kind, [1 + FIELDS.index(field) for field in OFTEN])
    changed = by_need & own.chance("reason", 0.3, rows.minute)
    found = np.where(changed, REASON["clinical"], NOT_CHARTED)
    checked = (rows.kind == ROUTINE) & own.chance("reason", 0.1, rows.minute)
    found = np.where(checked, REASON["check"], found)
    found = np.where(rows.kind == OTHER_SUPPORT, REASON["clinical"], found)
    found = np.where(rows.kind == REASON_ROW, what.reason[rows.trip], found)
    found = np.where(rows.kind == RESEATED, REASON["repeated_occlusion"], found)
    return np.where(rows.kind == START, what.start_reason[rows.trip], found)
