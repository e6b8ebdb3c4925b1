"""Thresholds that keep false signals to a budget, and what each chart can notice with them."""

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.statistics.intervals import FloatArray
from pipeline.statistics.signal_futures import Float32

YEARLY_BUDGET: Mapping[str, float] = {
    "service": 0.15,
    "sizes": 0.35,
    "rules": 0.20,
    "bases": 0.30,
    "records": 0.25,
}
"""False signals a year of each group's charts together, at the height `headline`."""

WATCH_TIMES = 4.0
"""The height `watch` allows so many times as many."""

HALVINGS = 16
LEAST_HEIGHT = 0.05
VOLUME_STAYS = (0.67, 1.5)


def heights(
    unchanged: Float32,
    groups: Sequence[str],
    *,
    times: float = 1.0,
) -> dict[str, float]:
    """One threshold for each group of charts, by bisection over the same futures.

    ``unchanged`` is W (months, charts, futures); ``groups`` names each chart's group, "" for a
    column that is not watched. The budget of a group without charts is not spent. ``times`` 1 gives
    `headline`, 4 `watch`.
    """
    name = np.asarray(groups, dtype=str)
    known = [g for g in YEARLY_BUDGET if np.any(name == g)]
    if not known:
        return {}
    watched = np.isin(name, known)
    w = np.ascontiguousarray(unchanged[:, watched])
    member = np.stack([name[watched] == g for g in known])
    allowed = times * np.array([YEARLY_BUDGET[g] for g in known])
    low = np.full(len(known), LEAST_HEIGHT)
    high = np.maximum([float(_highest(w[:, own])) for own in member], 2 * LEAST_HEIGHT)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        over = member @ signals_a_year(w, middle @ member) > allowed
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return dict(zip(known, high.tolist(), strict=True))


def _highest(w: Float32) -> float:
    """The highest sum that any chart of any future reaches if it never begins again."""
    total = np.cumsum(w, axis=0, dtype=np.float32)
    least = np.minimum(np.minimum.accumulate(total, axis=0), 0)
    return float((total - least).max(initial=0.0))


def signals_a_year(w: Float32, threshold: FloatArray) -> FloatArray:
    """Signals a year of each chart (charts,), of W (months, charts, futures), S begun at 0."""
    s = np.zeros(w.shape[1:], dtype=np.float32)
    limit = np.asarray(threshold, dtype=np.float32)[:, None]
    count = np.zeros(w.shape[1])
    for month in w:
        s += month
        np.maximum(s, 0, out=s)
        over = s > limit
        count += np.count_nonzero(over, axis=1)
        s[over] = 0
    return np.asarray(count * 12 / (len(w) * w.shape[2]))


def noticed_in_100(changed: Float32, threshold: FloatArray) -> FloatArray:
    """Of 100 changed years, how many signal by their end (charts,).

    ``changed`` is W (12, charts, futures) of :class:`signal_futures.Futures`; ``threshold``
    (charts,). NaN without a threshold.
    """
    limit = np.asarray(threshold, dtype=np.float32)[:, None]
    s = np.zeros(changed.shape[1:], dtype=np.float32)
    seen = np.zeros(s.shape, dtype=bool)
    for month in changed:
        s = np.maximum(s + month, 0)
        seen |= s > limit
    return np.where(np.isnan(limit[:, 0]), np.nan, 100.0 * seen.mean(axis=1))


def by_chart(threshold: Mapping[str, float], groups: Sequence[str]) -> FloatArray:
    """Each chart's threshold; NaN for a column that is not watched."""
    return np.array([threshold.get(g, np.nan) for g in groups], dtype=np.float64)


def twelve_month_volume(volume_by_month: FloatArray) -> float:
    """Trips (or hours) of the last twelve months; fewer are scaled up to twelve."""
    last = np.asarray(volume_by_month, dtype=np.float64)[-12:]
    return float(last.mean() * 12) if len(last) else float("nan")


def volume_stays(now: float, when_set: float) -> bool:
    """Whether a threshold set at a twelve-month volume still holds at another, 0.67 to 1.5."""
    least, most = VOLUME_STAYS
    return bool(when_set > 0 and least <= now / when_set <= most)
