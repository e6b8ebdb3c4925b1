"""Children who come to need more support: when it shows, and how it ends."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Draws, Floats, Ints
from pipeline.simulate.plants import CHANGED, RANGE, Codes, Escalation
from pipeline.simulate.times import Times
from schemas.record import dataclass

WEANED, MORE_SUPPORT, INTUBATED, ARREST, DIED = 2, 3, 4, 5, 6
"""Positions in the outcomes plus one."""
LAST_MINUTES = 15
COLLAPSE = 6
"""Minutes before the end of high flow: the last observation before shows it."""
EASES, EASED = 15, 0.3
"""Time constant of what more support does, in minutes, and what is left where it was enough."""
ANSWERED = 2
"""Minutes from the turn to more support."""


@dataclass
class Worsening:
    """Outcome of each trip, and the minutes from `since` to `until` in which the child fares worse
    (the same twice where it does not), with the crew's `turn` between, shape (n,)."""

    outcome: Ints
    since: Ints
    turn: Ints
    until: Ints
    eases: Bools

    def shows(self, trip: Ints, minute: Ints) -> Bools:
        """Whether the child of each row fares worse then."""
        return np.asarray((minute > self.since[trip]) & (minute < self.until[trip]))

    def bagged_share(self, trip: Ints, minute: Ints) -> Floats:
        """How often each row's child is bagged: near the end, where it came to the gravest."""
        late = self.shows(trip, minute) & (self.until[trip] - minute <= LAST_MINUTES)
        return np.where(late & (self.outcome[trip] >= INTUBATED), of("bagged"), 0.0)

    def grown(self, trip: Ints, minute: Ints) -> Floats:
        """How far each row's child has got worse: 0 to 1 at the turn; less later where it eases."""
        worst = self.turn[trip] + ANSWERED
        grown = np.clip((minute - self.since[trip]) / (worst - self.since[trip]), 0, 1)
        left = EASED + (1 - EASED) * np.exp(-np.maximum(minute - worst, 0) / EASES)
        grown = grown * np.where(self.eases[trip], left, 1.0)
        return np.where(self.shows(trip, minute), grown, 0.0)

    def collapses(self, trip: Ints, minute: Ints, after: Ints) -> Bools:
        """Whether this is the one row that shows an arrest, or the end: the last before it.

        `after` is the minutes to the next row.
        """
        last = (minute <= self.until[trip] - COLLAPSE) & (
            minute + after > self.until[trip] - COLLAPSE
        )
        last &= minute > self.turn[trip]
        return np.asarray(last & (self.outcome[trip] >= ARREST))


def intubated(draws: Draws, codes: Codes) -> Bools:
    """Which children who need more support come to be intubated."""
    drawn = draws.chance("intubated", of("worse_intubated"))
    return np.asarray(drawn | (codes.escalation == Escalation.INTUBATED))


def _goes_on(draws: Draws, codes: Codes) -> Bools:
    """Where more of the same does not help: other support, or the gravest, soon follows."""
    found = np.isin(codes.escalation, CHANGED) | intubated(draws, codes)
    return np.asarray(found | draws.chance("gravest", of("worse_gravest")))


def turns(draws: Draws, codes: Codes, when: Times) -> Ints:
    """Return when each crew sees that the child needs more, and calls if it does."""
    found = when.departed + draws.whole("flow step", 4, 12)
    last = when.window_end - draws.whole("last turn", 14, 28)
    found = np.where(_goes_on(draws, codes), last, found)
    # clear of what is planted on the road
    out = np.isin(codes.fit, RANGE)
    found = np.where(out, np.maximum(found, when.departed + when.range_length + 8), found)
    gap = when.chart_gap > 0
    found = np.where(gap, np.maximum(found, when.departed + when.chart_gap + 7), found)
    found = np.where(when.failed < when.end, np.maximum(found, when.failed + 3), found)
    return np.asarray(np.clip(found, when.departed + 1, when.window_end - 5))


def worsening(draws: Draws, codes: Codes, when: Times, outcome: Ints) -> Worsening:
    """Say when each child fares worse; an outcome that is not charted has no course."""
    turn = turns(draws, codes, when)
    since = np.maximum(turn - draws.whole("worse since", 12, 25), 0)
    worse = (codes.escalation > 0) & (codes.escalation != Escalation.OUTCOME_MISSING)
    until = np.where(worse, when.window_end, since)
    return Worsening(outcome, since, turn, until, ~_goes_on(draws, codes))
