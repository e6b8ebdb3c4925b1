"""Make one delivery of an invented service from a seed."""

from __future__ import annotations

from pathlib import Path

from pipeline.simulate.assumptions import of
from pipeline.simulate.deliver import checked, deliver
from pipeline.simulate.occlusions import Truth
from pipeline.simulate.trips import Options


def simulate(
    into: Path,
    trips: int,
    months: int,
    seed: int,
    dirt: bool = False,
    *,
    first_month: str = "2026-01",
    plants: float = 1.0,
    rate_ratio: float = 1.25,
    confounding: float = 0.06,
    occlusions_per_100h: float = of("occlusions_per_100h"),
    occlusion_shape: float = of("occlusion_shape"),
    all_rules: bool = True,
    late: bool = False,
    chunk: int = 50_000,
) -> None:
    """Write one delivery of an invented service into the new or empty directory `into`.

    `trips` trips in all over `months` months from `first_month` (YYYY-MM) on. The bytes depend
    on everything but `chunk`, the trips held in memory at once. Beside the tables: planted.csv
    (each trip's verdict on every rule) and planted_clock.csv (each device clock's true offset).

    - `dirt` adds rows that the contract sets aside, listed in planted_dirt.csv.
    - `plants` scales how often answers are planted; 0 leaves only ordinary trips.
    - `rate_ratio` is the true rate of occlusions of a prong size against the next larger one at
      the same place in the flow range; `confounding` is how much further up it the smaller runs.
    - `occlusions_per_100h`, `occlusion_shape` (of the trips' own rates) replace what is assumed.
    - `late` writes a tenth of the last month's trips as a second delivery beside it, `-late`.

    ValueError, with a sentence, for sizes that make no sense and where a delivery is already.
    """
    truth = Truth(rate_ratio, occlusions_per_100h, occlusion_shape)
    options = Options(trips, months, seed, first_month, plants, truth, confounding, all_rules)
    checked(options, chunk=chunk, dirt=dirt)
    deliver(options, Path(into), chunk=chunk, dirt=dirt, late=late)
