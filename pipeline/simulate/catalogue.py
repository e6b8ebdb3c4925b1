"""The invented service's bases and cannulas, as many as are asked for."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from pipeline.simulate.draws import Bools, Floats, Ints
from schemas.record import dataclass

BASE_NAMES = (
    *("alder", "birch", "cedar", "damson", "elm", "fir"),
    *("gorse", "hazel", "ivy", "juniper", "larch", "maple"),
)
FIVE_SHARES = (0.28, 0.24, 0.20, 0.17, 0.11)
BASES, SIZES = 5, 10
LEAST_SIZES, MOST_SIZES = 8, 12
"""How many there are unless asked otherwise."""
OTHER_SIZES = 5
"""Sizes that are no prongs: three wide ones, and two soft ones that are not carried."""


@dataclass(frozen=True)
class Size:
    """One catalogue entry; flows in L/min, weights in kg."""

    id: str
    family: str
    rank: int
    od_mm: float
    flow: tuple[float, float]
    weight: tuple[float, float]
    carried: bool = True


PRONGS = (
    Size("prong-1", "prong", 1, 1.4, (1, 8), (1, 4)),
    Size("prong-2", "prong", 2, 1.8, (2, 12), (3, 8)),
    Size("prong-3", "prong", 3, 2.2, (3, 18), (5, 12)),
    Size("prong-4", "prong", 4, 2.6, (5, 25), (9, 20)),
    Size("prong-5", "prong", 5, 3.3, (8, 45), (16, 90)),
)
OTHERS = (
    Size("wide-1", "wide", 1, 2.1, (2, 14), (3, 8)),
    Size("wide-2", "wide", 2, 2.6, (4, 20), (6, 14)),
    Size("wide-3", "wide", 3, 3.2, (6, 40), (12, 60)),
    Size("soft-1", "soft", 1, 2.0, (2, 12), (2, 9), carried=False),
    Size("soft-2", "soft", 2, 2.8, (4, 25), (8, 30), carried=False),
)


def prongs(count: int) -> tuple[Size, ...]:
    """Return `count` prong sizes: the five, or sizes between them over the same span."""
    if count == len(PRONGS):
        return PRONGS
    at, known = np.linspace(1, len(PRONGS), count), np.arange(1, len(PRONGS) + 1)

    def between(values: list[float]) -> Floats:
        return np.exp(np.interp(at, known, np.log(values)))

    columns = [
        between([size.od_mm for size in PRONGS]),
        *(between([size.flow[k] for size in PRONGS]) for k in (0, 1)),
        *(between([size.weight[k] for size in PRONGS]) for k in (0, 1)),
    ]
    rows = np.stack([np.round(columns[0], 1), *(np.rint(c) for c in columns[1:])], axis=1)
    return tuple(
        Size(f"prong-{k}", "prong", k, float(r[0]), (int(r[1]), int(r[2])), (int(r[3]), int(r[4])))
        for k, r in enumerate(rows, start=1)
    )


@dataclass(frozen=True)
class Setup:
    """How many bases and cannula sizes the service has, and what follows from it."""

    base_count: int = BASES
    size_count: int = SIZES

    @property
    def bases(self) -> tuple[str, ...]:
        """Names of the bases, the busiest first."""
        return BASE_NAMES[: self.base_count]

    @property
    def shares(self) -> tuple[float, ...]:
        """Each base's share of the trips."""
        if self.base_count == BASES:
            return FIVE_SHARES
        return tuple(0.85**k for k in range(self.base_count))

    @property
    def troubled(self) -> int:
        """Position of the base whose wall-oxygen times are long unless changes are asked for."""
        return min(2, self.base_count - 1)

    @cached_property
    def sizes(self) -> tuple[Size, ...]:
        """The catalogue: prongs from the smallest, then the others."""
        return (*prongs(self.size_count - OTHER_SIZES), *OTHERS)

    @cached_property
    def flow(self) -> tuple[Floats, Floats]:
        """Least and most flow of each size, L/min."""
        low, high = zip(*(size.flow for size in self.sizes), strict=True)
        return np.array(low, dtype=float), np.array(high, dtype=float)

    @cached_property
    def weight(self) -> tuple[Floats, Floats]:
        """Least and most weight of each size, kg."""
        low, high = zip(*(size.weight for size in self.sizes), strict=True)
        return np.array(low, dtype=float), np.array(high, dtype=float)

    @cached_property
    def carried(self) -> Bools:
        """Which sizes the service carries."""
        return np.array([size.carried for size in self.sizes])

    @cached_property
    def prong(self) -> Bools:
        """Which sizes are prongs."""
        return np.array([size.family == "prong" for size in self.sizes])

    @cached_property
    def rank(self) -> Ints:
        """Each size's place in its family."""
        return np.array([size.rank for size in self.sizes])

    @cached_property
    def from_middle(self) -> Floats:
        """Sizes from the middle one of the family down: above 0 for the smaller ones."""
        middle = (self.prong.sum() + 1) / 2
        return np.asarray(np.where(self.prong, middle, 2) - self.rank, dtype=np.float64)

    def place(self, name: str) -> int:
        """Return the position of a size's id; ValueError if there is none."""
        return [size.id for size in self.sizes].index(name)


def catalogue_text(setup: Setup) -> str:
    """Return cannulas.toml; sizes that are not carried are known only from sending hospitals."""
    parts = ["# An invented catalogue: sizes are numbered from the smallest within a family.\n"]
    for size in setup.sizes:
        name = size.id.replace("-", " ")
        parts.append(
            f'[[cannula]]\nid = "{size.id}"\nfamily = "{size.family}"\nsize_rank = {size.rank}\n'
            f'label = "{name} ({size.od_mm} mm)"\nprong_od_mm = {size.od_mm}\n'
            f"flow_min_lpm = {size.flow[0]}\nflow_max_lpm = {size.flow[1]}\n"
            f"weight_min_kg = {size.weight[0]}\nweight_max_kg = {size.weight[1]}\n"
            f"carried = {str(size.carried).lower()}\n"
        )
    return "\n".join(parts)
