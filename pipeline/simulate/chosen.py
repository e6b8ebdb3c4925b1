"""Which trips are missing, which arrive late, and which become the cases asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.simulate.changes import CASE, LATE, MISSING, Change, Refused
from pipeline.simulate.dirt import Dirt
from pipeline.simulate.draws import Bools, Draws, Ints
from pipeline.simulate.options import Options
from pipeline.simulate.steering import CASES
from pipeline.simulate.trips import laid_out
from schemas.record import dataclass


def _late(options: Options, index: Ints, dirt: Dirt | None) -> Bools:
    """Return which trips of the last month are delivered late: a tenth, and the very last."""
    last_month = options.month_of(index) == options.months - 1
    found: Bools = last_month & Draws(options.seed, index).chance("late", 0.1)
    found |= index == options.trips - 1
    return np.asarray(found & ~dirt.touched(index)) if dirt else found


@dataclass
class MissingAndLate:
    """Numbers of the trips that are never delivered, and of those in the second delivery."""

    missing: Ints
    late: Ints


@dataclass
class Settled:
    """A delivery of which everything is chosen: nothing that is asked for can fail any more."""

    options: Options
    dirt: Dirt | None
    missing_and_late: MissingAndLate


def settled(options: Options, *, dirt: bool, late: bool) -> Settled:
    """Choose trips, bad rows where `dirt`, and a tenth of the last month to come `late`.

    Refused where a month has too few trips for what is asked.
    """
    bad = Dirt(options.trips) if dirt else None
    missing_and_late = choose_missing_and_late(options, bad, tenth_late=late)
    return Settled(with_cases(options, bad, missing_and_late), bad, missing_and_late)


def choose_missing_and_late(
    options: Options, dirt: Dirt | None, *, tenth_late: bool
) -> MissingAndLate:
    """Choose the trips that changes ask to be missing or late; Refused for more than there are.

    No trip that a bad row belongs to is chosen.
    """
    taken: dict[str, list[Ints]] = {MISSING: [], LATE: []}
    gone = np.zeros(0, dtype=np.int64)
    for change in options.changes:
        if change.kind in taken:
            chosen = _chosen(options, change, gone, dirt)
            taken[change.kind].append(chosen)
            gone = np.concatenate([gone, chosen])
    if tenth_late:
        index = options.trips_of(options.months - 1)
        late = index[_late(options, index, dirt)]
        taken[LATE].append(np.setdiff1d(late, gone))
    missing, late = (np.concatenate([gone[:0], *taken[kind]]) for kind in (MISSING, LATE))
    return MissingAndLate(missing, late)


def _chosen(options: Options, change: Change, gone: Ints, dirt: Dirt | None) -> Ints:
    free = np.setdiff1d(options.trips_of(change.first), gone)
    free = free[~dirt.touched(free)] if dirt else free
    wanted = int(change.value)
    if wanted >= len(free):
        raise Refused(f'"{change.text}": the month has only {len(free)} trips to choose from.')
    order = np.argsort(Draws(options.seed, free).uniform(change.kind))
    return np.asarray(free[order[:wanted]])


def with_cases(options: Options, dirt: Dirt | None, missing_and_late: MissingAndLate) -> Options:
    """Return the options with a trip for each case; Refused where the month has none for it."""
    taken: list[tuple[int, str]] = []
    for change in options.changes:
        if change.kind == CASE:
            free = _suited(options, change, missing_and_late)
            free = free[~dirt.touched(free)] if dirt else free
            free = np.setdiff1d(free, [trip for trip, _ in taken])
            if not len(free):
                raise Refused(f'"{change.text}": the month has no trip that it could be.')
            taken.append((int(free[0]), change.what))
    return replace(options, cases=tuple(taken))


def _suited(options: Options, change: Change, missing_and_late: MissingAndLate) -> Ints:
    """Numbers of the month's trips that travel as the case asks, delivered in time, or late."""
    index = options.trips_of(change.first)
    laid = laid_out(options, index, np.zeros_like(index))
    kind = CASES[change.what].kind
    good = np.ones(len(index), dtype=bool) if kind is None else laid.scene.when.kind == kind
    good &= laid.scene.codes.whole == 0
    if not change.base:
        return np.asarray(index[good & np.isin(index, missing_and_late.late)])
    good &= laid.place.base == options.setup.bases.index(change.base)
    good &= ~np.isin(index, [*missing_and_late.late, *missing_and_late.missing])
    return np.asarray(index[good])
