"""What missing trips leave open: each chart's signal is sure, ordinary, or depends on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.measures.signal_counts import LAST_MONTHS, Family, own_trips
from schemas.connection import Connection

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.measures.signal_months import Clustering, Worked

SEED = 4


class Completions:
    """W of the months with missing trips, filled in with the service's own trips many times."""

    def __init__(
        self, con: Connection, found: Family, done: Worked, clustering: Clustering
    ) -> None:
        self._found = found
        self._made: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
        short = [int(m) for m in np.flatnonzero(found.missing) if done.increments[m].any()]
        if not short:
            return
        first = max(0, short[0] - LAST_MONTHS + 1)
        pool = own_trips(con, found, found.months[first], found.months[short[-1]])
        until: NDArray[np.int64] = np.concatenate([[0], np.cumsum(found.trips[first:])]).astype(
            np.int64
        )
        for m in short:
            rows = slice(until[max(0, m - LAST_MONTHS + 1 - first)], until[m + 1 - first])
            self._made[m] = _completed(found, done, clustering, m, (pool[0][rows], pool[1][rows]))

    def certainty(
        self,
        increments: NDArray[np.float64],
        signal: NDArray[np.bool_],
        threshold: NDArray[np.float64],
    ) -> NDArray[np.str_]:
        """`sure`, `ordinary` or `depends` of each month and chart, at one height.

        A month without missing trips, and none before it that still counts, is never `depends`.
        """
        from pipeline.statistics.missing_trips import certainty, completed_sums

        said = np.where(signal, "sure", "ordinary").astype("<U8")
        if not self._made:
            return said
        charts = increments.shape[1]
        usual = worst = np.zeros((charts, 1))
        again = np.zeros(charts, dtype=bool)
        for m in range(len(increments)):
            again = again | self._found.restart[m]
            usual, worst = (np.where(again[:, None], 0.0, s) for s in (usual, worst))
            plain = increments[m][:, None]
            low, high = self._made.get(m, (plain, plain))
            usual, worst = completed_sums(usual, low), completed_sums(worst, high)
            if m >= min(self._made):
                found = certainty(usual, worst, threshold[m])
                said[m] = np.where(np.isnan(threshold[m]), "ordinary", np.array(found))
            again = signal[m]
        return said


def _completed(
    found: Family,
    done: Worked,
    clustering: Clustering,
    m: int,
    pool: tuple[NDArray[np.float64], NDArray[np.bool_]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """W with the missing trips as usual, and with the change watched for: (charts, completions)."""
    from pipeline.statistics.missing_trips import completed_rates, completed_shares

    hours, judged = pool
    month, missing, sizes = found.months[m], int(found.missing[m]), len(found.sizes)
    level = np.nan_to_num(done.level[m])
    if not len(hours):
        plain = done.increments[m][:, None]
        return plain, plain
    r, s = found.rates, found.shares
    rates = completed_rates(
        r.events[m], r.hours[m], r.hours_squared[m], level=level[1 : 1 + sizes],
        k=clustering.k(month), own_trips=hours, missing=missing, seed=SEED + m,
    )  # fmt: skip
    shares = completed_shares(
        s.deviations[m], s.judged[m], level=level[1 + sizes :],
        own_trips=judged, missing=missing, seed=SEED + m,
    )  # fmt: skip
    watched = (found.groups[m] != "")[:, None]
    usual, worst = (
        np.where(watched, np.vstack([getattr(rates, name), getattr(shares, name)]), 0.0)
        for name in ("usual", "worst")
    )
    return usual, worst
