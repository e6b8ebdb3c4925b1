"""What a delivery is made from."""

from __future__ import annotations

from dataclasses import field

import numpy as np

from pipeline.simulate.answers import BLEND_REQUIRED, FIRST_RULES, RULES
from pipeline.simulate.assumptions import of
from pipeline.simulate.catalogue import Setup
from pipeline.simulate.changes import Change
from pipeline.simulate.draws import Floats, Ints
from pipeline.simulate.effects import Dose
from pipeline.simulate.occlusions import Truth
from schemas.months import later
from schemas.record import dataclass


@dataclass(frozen=True)
class Options:
    """What a delivery is made from; `only_base` 0 or above puts every trip at that base."""

    trips: int
    months: int
    seed: int
    first_month: str
    plants: float
    truth: Truth
    confounding: float
    all_rules: bool
    setup: Setup = field(default_factory=Setup)
    changes: tuple[Change, ...] = ()
    doses: tuple[Dose, ...] = ()
    cases: tuple[tuple[int, str], ...] = ()
    troubled: bool = True
    only_base: int = -1

    @property
    def month_names(self) -> list[str]:
        """The months, written YYYY-MM."""
        return [later(self.first_month, k) for k in range(self.months)]

    def long_wall(self, base: Ints, month: Ints) -> Floats:
        """Return each trip's extra chance of being kept waiting on the wall.

        High at one base until it is retrained, where no changes are asked for.
        """
        trained = month > self.training_month
        here = (base == self.setup.troubled) & self.troubled
        return np.where(here, np.where(trained, 0.04, 0.20), 0.0)

    @property
    def rules(self) -> tuple[str, ...]:
        """The rules judged and planted."""
        return (*RULES, BLEND_REQUIRED) if self.all_rules else FIRST_RULES

    def winter(self, month: Ints) -> Floats:
        """Return how wintry each month is: 1 in January, 0 in July."""
        number = (int(self.first_month[5:]) - 1 + month) % 12
        return np.asarray((1 + np.cos(2 * np.pi * number / 12)) / 2)

    def month_of(self, index: Ints) -> Ints:
        """Return the position of each trip's month."""
        return np.asarray(np.searchsorted(self._until(), index, side="right"))

    def trips_of(self, month: int) -> Ints:
        """Return the numbers of a month's trips."""
        until = self._until()
        return np.arange(until[month - 1] if month else 0, until[month])

    def _until(self) -> Ints:
        """The number after each month's last trip: winters are busier, every month has a trip."""
        share = 1 + of("winter_trips") * (self.winter(np.arange(self.months)) - 0.5)
        last = np.cumsum(share / share.sum()) * (self.trips - self.months)
        # at least one trip a month
        until = np.rint(last).astype(np.int64) + np.arange(1, self.months + 1)
        return np.asarray(until)

    @property
    def training_month(self) -> int:
        """Position of the month in which the troubled base was retrained."""
        return self.months * 2 // 3
