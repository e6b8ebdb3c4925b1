"""How often a plant must be added, or taken away, for the odds that a change asks for."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from pipeline.simulate.changes import ODDS, RETRAINED, Refused
from pipeline.simulate.effects import Dose, needed_chance, times_by_month
from pipeline.simulate.lengths import DEVIATION, MET
from pipeline.simulate.options import Options
from pipeline.simulate.trips import laid_out
from schemas.months import later

ASIDE, ASIDE_SEED, YEAR = 100_000, 982_451_653, 12
"""Trips of one base, over a year at most, on which the odds without the change are counted."""
CHUNK = 50_000


def dosed(options: Options) -> Options:
    """Return the options with what the asked odds need; Refused where they cannot be had."""
    asked = [c for c in options.changes if c.kind in (ODDS, RETRAINED)]
    pairs = dict.fromkeys((c.what, c.base) for c in asked)
    return replace(options, doses=tuple(_dose(options, rule, base) for rule, base in pairs))


def _dose(options: Options, rule: str, base: str) -> Dose:
    times = times_by_month(options.changes, rule, base, options.months)
    at = options.setup.bases.index(base)
    chances = {}
    for t in set(times) - {1.0}:
        # counted in the months it is asked for: wall times run over more often in winter
        first = times.index(t)
        last = options.months - 1 - times[::-1].index(t)
        season = replace(
            options,
            first_month=later(options.first_month, first),
            months=min(last - first + 1, YEAR),
        )
        chances[t] = _chance(season, rule, at, t)
    if too_much := [t for t, chance in chances.items() if chance > 1]:
        raise Refused(
            f"The odds of a variance from {rule} at {base} cannot be made {too_much[0]:g} times"
            " what they are: too few of its trips can be changed so. Ask for less."
        )
    return Dose(
        rule,
        at,
        tuple(chances.get(t, 0.0) for t in times),
        tuple(t > 1 for t in times),
    )


def _chance(options: Options, rule: str, base: int, times: float) -> float:
    plain = replace(
        options, trips=ASIDE, seed=ASIDE_SEED, changes=(), doses=(), troubled=False,
        only_base=base,
    )  # fmt: skip
    months = options.months
    always = Dose(rule, base, (1.0,) * months, (times > 1,) * months)
    return needed_chance(
        times, _counted(plain, rule), _counted(replace(plain, doses=(always,)), rule)
    )


@lru_cache(maxsize=64)
def _counted(options: Options, rule: str) -> tuple[int, int]:
    """Deviations and met of one rule."""
    bad = good = 0
    for first in range(0, options.trips, CHUNK):
        index = np.arange(first, min(first + CHUNK, options.trips))
        found = laid_out(options, index, np.zeros_like(index)).answers.by_rule[rule]
        bad, good = bad + int((found == DEVIATION).sum()), good + int((found == MET).sum())
    return bad, good
