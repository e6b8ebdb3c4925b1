"""Random numbers keyed by seed, name and trip, so that no draw depends on how work is cut up."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import blake2b
from math import log

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Columns = dict[str, Ints]
"""A table as arrays of one length; -1 is null in numbers, 0 in codes."""

_STEP = np.uint64(0x9E3779B97F4A7C15)
_ITEM = np.uint64(0xD1B54A32D192ED03)


def _mixed(z: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Mix the bits (the finaliser of SplitMix64: Steele, Lea and Flood 2014, OOPSLA)."""
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


class Draws:
    """Draws for the trips `index` (their numbers in the whole delivery, shape (n,)).

    One (seed, name, trip, item) gives one number, whatever else is drawn.
    """

    def __init__(self, seed: int, index: Ints) -> None:
        self.seed = seed
        self.index = index

    def rows(self, trip: Ints) -> Draws:
        """Return draws for rows, each belonging to the trip at position `trip`, shape (rows,)."""
        return Draws(self.seed, self.index[trip])

    def uniform(self, name: str, item: Ints | int = 0) -> Floats:
        """Return one number in (0, 1) a trip."""
        digest = blake2b(f"{self.seed}:{name}".encode(), digest_size=8).digest()
        key = np.uint64(int.from_bytes(digest, "little"))
        items = np.asarray(item, dtype=np.int64).astype(np.uint64) * _ITEM
        z = _mixed(_mixed(self.index.astype(np.uint64) * _STEP + key) + items)
        return np.asarray(((z >> np.uint64(11)).astype(np.float64) + 0.5) * 2.0**-53)

    def chance(self, name: str, probability: Floats | float, item: Ints | int = 0) -> Bools:
        """Return True with the given probability, for each trip."""
        return np.asarray(self.uniform(name, item) < probability)

    def whole(self, name: str, low: int, high: int, item: Ints | int = 0) -> Ints:
        """Return a whole number from `low` to `high`, both included, for each trip."""
        u = self.uniform(name, item)
        return np.asarray(low + np.floor(u * (high - low + 1)), dtype=np.int64)

    def normal(self, name: str, item: Ints | int = 0) -> Floats:
        """Return a standard normal number, for each trip."""
        from scipy.special import ndtri

        return np.asarray(ndtri(self.uniform(name, item)), dtype=np.float64)

    def pick(self, name: str, weights: Sequence[float], item: Ints | int = 0) -> Ints:
        """Return a position in `weights` for each trip, drawn in their proportion."""
        steps = np.cumsum(np.asarray(weights, dtype=np.float64))
        u = self.uniform(name, item) * steps[-1]
        return np.asarray(np.searchsorted(steps, u, side="right"), dtype=np.int64)

    def plants(self, name: str, shares: dict[int, float], scale: Floats | float) -> Ints:
        """Return a plant's code for each trip, 0 where none; `shares` are scaled."""
        u = self.uniform(name) / np.maximum(scale, 1e-12)
        codes = np.array([*shares, 0], dtype=np.int64)
        return codes[np.searchsorted(np.cumsum(list(shares.values())), u, side="right")]

    def poisson(self, name: str, mean: Floats, item: Ints | int = 0) -> Ints:
        """Return Poisson counts with the given means, at most 60."""
        u = self.uniform(name, item)
        count = np.zeros(len(u), dtype=np.int64)
        term = np.exp(-mean)
        below = term.copy()
        for k in range(1, 61):
            more = u > below
            if not more.any():
                break
            count[more] = k
            term = term * mean / k
            below = below + term
        return count

    def gamma(self, name: str, shape: float) -> Floats:
        """Return gamma numbers of mean 1 and the given shape."""
        from scipy.special import gammaincinv

        return np.asarray(gammaincinv(shape, self.uniform(name)) / shape, dtype=np.float64)


def counted(count: Ints) -> tuple[Ints, Ints]:
    """Return (trip, 1 to count) for each trip's rows."""
    trip = np.repeat(np.arange(len(count)), count)
    first = np.cumsum(count) - count
    return trip, np.arange(len(trip)) - first[trip] + 1


def two_sided(z: Floats, quartiles: tuple[float, float, float]) -> Floats:
    """Return a skewed positive quantity with these quartiles: log-normal on either side."""
    low, middle, high = quartiles
    z75 = 0.6744897501960817
    spread = np.where(z < 0, log(middle / low), log(high / middle)) / z75
    return np.asarray(middle * np.exp(spread * z), dtype=np.float64)
