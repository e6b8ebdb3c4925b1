"""Make one delivery of an invented service from a seed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.simulate.assumptions import of
from pipeline.simulate.calibrate import dosed
from pipeline.simulate.catalogue import BASES, SIZES, Setup
from pipeline.simulate.changes import changes as read_changes
from pipeline.simulate.chosen import settled
from pipeline.simulate.deliver import checked, deliver
from pipeline.simulate.occlusions import Truth
from pipeline.simulate.options import Options

CHUNK = 50_000
"""Trips held in memory at once."""
USUAL = Truth(1.25, of("occlusions_per_100h"), of("occlusion_shape"))


def options_of(
    trips: int,
    months: int,
    seed: int,
    dirt: bool = False,
    *,
    first_month: str = "2026-01",
    plants: float = 1.0,
    truth: Truth = USUAL,
    confounding: float = 0.06,
    all_rules: bool = True,
    bases: int = BASES,
    sizes: int = SIZES,
    changes: tuple[str, ...] = (),
    chunk: int = CHUNK,
) -> Options:
    """Return what a delivery is made from; ValueError, with a sentence, for what makes no sense."""
    setup = Setup(bases, sizes)
    options = Options(
        trips, months, seed, first_month, plants, truth, confounding, all_rules, setup,
        troubled=not changes,
    )  # fmt: skip
    checked(options, chunk=chunk, dirt=dirt)
    return dosed(replace(options, changes=read_changes(changes, options.month_names, setup)))


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
    bases: int = BASES,
    sizes: int = SIZES,
    changes: tuple[str, ...] = (),
    chunk: int = CHUNK,
) -> None:
    # long: a line for each thing a test may choose
    """Write one delivery of an invented service into the new or empty directory `into`.

    `trips` trips in all over `months` months from `first_month` (YYYY-MM) on. The bytes depend
    on everything but `chunk`, the trips held in memory at once. Beside the tables: planted.csv
    (each trip's verdict on every rule) and planted_clock.csv (each device clock's true offset).

    - `dirt` adds rows that the contract sets aside, listed in planted_dirt.csv.
    - `plants` scales how often answers are planted; 0 leaves the variances that nobody plants:
      of wall time, where the road or the wait is long, and of pauses of the flow.
    - `rate_ratio` is the true rate of occlusions of a prong size against the next larger one at
      the same place in the flow range; `confounding` is how much further up it the smaller runs.
    - `occlusions_per_100h`, `occlusion_shape` (of the trips' own rates) replace what is assumed.
    - `bases` and `sizes` are how many bases and cannula sizes the service has.
    - `changes` are lines of the language in `pipeline/simulate/changes.py`. With any, what is
      planted changes as asked and in nothing else: no base has long wall times of its own, and
      no trip goes missing. They are then listed in planted_changes.csv.
    - `late` writes a tenth of the last month's trips as a second delivery beside it, `-late`.

    ValueError, with a sentence, for sizes that make no sense and where a delivery is already.
    """
    options = options_of(
        trips, months, seed, dirt, first_month=first_month, plants=plants,
        truth=Truth(rate_ratio, occlusions_per_100h, occlusion_shape), confounding=confounding,
        all_rules=all_rules, bases=bases, sizes=sizes, changes=changes, chunk=chunk,
    )  # fmt: skip
    deliver(settled(options, dirt=dirt, late=late), Path(into), chunk=chunk)
