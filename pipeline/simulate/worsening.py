"""Children who come to need more support: when it shows, and how it ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Bools, Floats, Ints
from pipeline.simulate.plants import Codes, Escalation
from pipeline.simulate.times import Times

WEANED, MORE_SUPPORT, INTUBATED, ARREST, DIED = 2, 3, 4, 5, 6
"""Positions in the outcomes plus one."""
AFTER_DEPARTURE = 3
LAST_MINUTES = 15
COLLAPSE = 6
"""Minutes before the end of high flow: the last observation before shows it."""
GROWS = 30


@dataclass
class Worsening:
    """Outcome of each trip, and the minutes from `since` to `until` in which the child fares worse
    (the same twice where it does not), shape (n,)."""

    outcome: Ints
    since: Ints
    until: Ints

    def shows(self, trip: Ints, minute: Ints) -> Bools:
        """Whether the child of each row fares worse then."""
        return np.asarray((minute > self.since[trip]) & (minute < self.until[trip]))

    def bagged_share(self, trip: Ints, minute: Ints) -> Floats:
        """How often each row's child is bagged: near the end, where it came to the gravest."""
        late = self.shows(trip, minute) & (self.until[trip] - minute <= LAST_MINUTES)
        return np.where(late & (self.outcome[trip] >= INTUBATED), of("bagged"), 0.0)

    def grown(self, trip: Ints, minute: Ints) -> Floats:
        """How far each row's child has got worse: 0 to 1, all of it after `GROWS` minutes."""
        grown = np.clip((minute - self.since[trip]) / GROWS, 0, 1)
        return np.where(self.shows(trip, minute), grown, 0.0)

    def collapses(self, trip: Ints, minute: Ints, after: Ints) -> Bools:
        """Whether this is the one row that shows an arrest, or the end: the last before it.

        `after` is the minutes to the next row.
        """
        last = (minute <= self.until[trip] - COLLAPSE) & (
            minute + after > self.until[trip] - COLLAPSE
        )
        last &= minute > self.since[trip] + 20
        return np.asarray(last & (self.outcome[trip] >= ARREST))


def worsening(codes: Codes, when: Times, outcome: Ints) -> Worsening:
    """Say when each child fares worse; an outcome that is not charted has no course."""
    since = when.departed + AFTER_DEPARTURE
    worse = (codes.escalation > 0) & (codes.escalation != Escalation.OUTCOME_MISSING)
    return Worsening(outcome, since, np.where(worse, when.window_end, since))
