"""What the minutes of a stretch come to against a limit, its ends being charted to the minute."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.draws import Bools, Ints
from pipeline.simulate.pathways import NEVER

MET, DEVIATION, AUTHORISED, BORDERLINE, CANNOT_TELL, NOT_APPLICABLE = 1, 2, 3, 4, 5, 6
VERDICTS = ("met", "deviation", "authorised", "borderline", "cannot_tell", "not_applicable")
WALL_LIMIT, COLD_LIMIT, BLEND_LIMIT = 50, 15, 5
"""The protocol's limits, minutes."""


def lengths(stretches: Ints) -> Ints:
    """Minutes of each stretch, 0 where there is none; stretches (n, 2, 2), result (n, 2)."""
    present = stretches[:, :, 0] < NEVER
    return np.asarray(np.where(present, stretches[:, :, 1] - stretches[:, :, 0], 0))


def against(stretches: Ints, limit: int) -> Ints:
    """Return the verdict of all minutes together, shape (n,).

    A stretch charted as m minutes was m - 1 to m + 1.
    """
    minutes = lengths(stretches)
    present = minutes > 0
    low = np.where(present, minutes - 1, 0).sum(axis=1)
    high = np.where(present, minutes + 1, 0).sum(axis=1)
    found = np.where(high <= limit, MET, np.where(low > limit, DEVIATION, BORDERLINE))
    return np.where(present.any(axis=1), found, NOT_APPLICABLE)


def overlapping(some: Ints, others: Ints) -> Bools:
    """Whether any stretch of the one shares a minute with any of the others, shape (n,)."""
    found = np.zeros(len(some), dtype=bool)
    for i in range(2):
        for j in range(2):
            begin = np.maximum(some[:, i, 0], others[:, j, 0])
            until = np.minimum(some[:, i, 1], others[:, j, 1])
            found |= (begin < until) & (begin < NEVER)
    return found
