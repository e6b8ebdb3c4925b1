"""Made-up periods, trip by trip, so that everything a shared edition withholds is known.

Bases and sizes from common to rare, rules from seldom broken to often, some of them asked of few
trips: small numbers of every kind come about. All probabilities are assumed; nothing is modelled on
a service.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.sharing.counts import SharedCounts
from schemas.shared_outputs import ALL_RULES

PLAIN = ("wall-oxygen-time", "escalation-call", "observation-gap", "flow-for-weight")
OCCLUSION = ("flow-interruption", "repeated-occlusion-call")
VERDICTS = ("met", "authorised", "borderline", "deviation", "cannot_tell", "not_applicable")
SIZES = ("prong-1", "prong-2", "prong-3", "wide-1", "wide-2")
KEPT = ("met", "authorised", "borderline")
Random = np.random.Generator


@dataclass(frozen=True)
class Service:
    """What of a made-up service stays the same: how often what happens, where, with which size."""

    bases: np.ndarray
    verdicts: dict[str, np.ndarray]
    sizes: np.ndarray
    second_size: float
    event: float
    repeat: float
    hours: float


@dataclass(frozen=True)
class Trips:
    """Trips of some months: one row a trip with its verdicts, one row a trip and size."""

    verdicts: pd.DataFrame
    ventilator: pd.DataFrame

    def and_late(self, more: Trips) -> Trips:
        """The same with trips that came later."""
        return Trips(
            pd.concat([self.verdicts, more.verdicts], ignore_index=True),
            pd.concat([self.ventilator, more.ventilator], ignore_index=True),
        )

    def counts(self) -> SharedCounts:
        """As the store counts them (`pipeline.sharing.counts`), written once more."""
        rules = [str(c) for c in self.verdicts if c not in ("month", "base", "trip")]
        disclosed = self.verdicts[rules]
        judged = (disclosed != "cannot_tell").all(axis=1) & (disclosed != "not_applicable").any(
            axis=1
        )
        kept = disclosed.isin(("met", "authorised", "not_applicable")).all(axis=1)
        parts = [self._by_base(ALL_RULES, judged & ~kept, judged & kept)]
        parts += [
            self._by_base(rule, disclosed[rule] == "deviation", disclosed[rule].isin(KEPT))
            for rule in rules
        ]
        return SharedCounts(pd.concat(parts, ignore_index=True), self.ventilator)

    def _by_base(self, rule: str, variance: pd.Series, kept: pd.Series) -> pd.DataFrame:
        rows = self.verdicts[["month", "base"]].assign(
            rule=rule, trips=1, variance=variance.astype(int), kept=kept.astype(int)
        )
        return rows.groupby(["month", "base", "rule"], as_index=False).sum()


def service(random: Random) -> Service:
    """A service with two to six bases, one or two of them small, and rules of every kind."""
    bases = random.dirichlet(random.choice([0.4, 1.0, 4.0], size=random.integers(2, 7)))
    mixes = [
        (0.93, 0.01, 0.01, 0.02, 0.02, 0.01), (0.5, 0.1, 0.1, 0.2, 0.05, 0.05),
        (0.3, 0.0, 0.02, 0.03, 0.05, 0.6), (0.05, 0.0, 0.0, 0.02, 0.03, 0.9),
        (0.6, 0.0, 0.0, 0.35, 0.0, 0.05), (0.97, 0.0, 0.0, 0.01, 0.0, 0.02),
        (1.0, 0.0, 0.0, 0.0, 0.0, 0.0),
    ]  # fmt: skip
    chosen = random.choice(len(mixes), size=len(PLAIN))
    verdicts = {
        rule: random.dirichlet(np.array(mixes[mix]) * 60 + 1e-3)
        for rule, mix in zip(PLAIN, chosen, strict=True)
    }
    return Service(
        bases=bases,
        verdicts=verdicts,
        sizes=random.dirichlet(random.choice([0.3, 0.8, 3.0], size=len(SIZES))),
        second_size=float(random.choice([0.0, 0.02, 0.2])),
        event=float(random.choice([0.0, 0.01, 0.05, 0.2, 0.5])),
        repeat=float(random.choice([0.1, 0.5, 0.8])),
        hours=float(random.choice([0.1, 0.6, 1.3, 3.0])),
    )


def trips(made: Service, months: dict[str, int], random: Random, first: int = 0) -> Trips:
    """So many trips a month of the service; keys from `first` on."""
    n = sum(months.values())
    places = np.array(["alder", "birch", "cedar", "damson", "elm", "fir"][: len(made.bases)])
    frame = pd.DataFrame({
        "month": np.repeat(list(months), list(months.values())),
        "base": random.choice(places, size=n, p=made.bases),
        "trip": np.arange(first, first + n),
    })  # fmt: skip
    for rule, odds in made.verdicts.items():
        frame[rule] = random.choice(VERDICTS, size=n, p=odds)
    flown = frame[random.random(n) < 0.8]
    used = _ventilator(made, flown, random)
    events = used.groupby("trip")["events"].sum().reindex(frame["trip"], fill_value=0).to_numpy()
    cut, called = random.random(n) < 0.4, random.random(n) < 0.5
    frame["flow-interruption"] = np.select(
        [events == 0, cut], ["not_applicable", "deviation"], default="met"
    )
    frame["repeated-occlusion-call"] = np.select(
        [events < 2, called], ["not_applicable", "met"], default="deviation"
    )
    return Trips(frame, used)


def _ventilator(made: Service, flown: pd.DataFrame, random: Random) -> pd.DataFrame:
    """One row a trip and size, some trips with two; occlusions come in runs."""
    again = flown[random.random(len(flown)) < made.second_size]
    used = pd.concat([flown, again])[["month", "trip"]]
    n = len(used)
    runs = random.geometric(1 - made.repeat, size=n)
    used = used.assign(
        cannula=random.choice(SIZES, size=n, p=made.sizes),
        events=np.where(random.random(n) < made.event, runs, 0),
        hours=random.gamma(4.0, made.hours / 4.0, size=n),
    )
    return used.groupby(["month", "cannula", "trip"], as_index=False).sum()
