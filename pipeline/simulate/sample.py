"""The delivery of `sample_data/`: the seed and the changes that tell its story."""

from __future__ import annotations

from pathlib import Path

from pipeline.simulate.chosen import settled
from pipeline.simulate.deliver import deliver
from pipeline.simulate.simulator import CHUNK, options_of

LATE = "late"
"""The folder inside, for what came later."""
TRIPS, MONTHS, SEED, FIRST_MONTH = 1080, 18, 14841, "2025-01"
# one of several thousand seeds tried: in so few trips most hide by luck what the changes are to
# show, or show as much where nothing was changed
STORY = (
    # wards kept Cedar's crews waiting, until they were retrained to call ahead
    "wall-oxygen-time at cedar x 4 from 2025-01",
    "retraining of wall-oxygen-time at cedar x 0.2 in 2025-10",
    # one small prong, mostly in crying infants
    "occlusions of prong-2 x 1.8 from 2025-12",
    # not the crews of Damson but one heater
    "H-damson-2 fails 0.5 from 2026-04",
    # no occlusion is known of at Elm, because no log is
    "logs of elm stop from 2026-03",
    "occluded-unlogged case at elm in 2026-06",
    "overrun-authorised case at alder in 2026-06",
    "low-unanswered case at birch in 2026-06",
    # two of the last month are not there; a second delivery brings one
    "1 trip missing in 2026-06",
    "1 trip late in 2026-06",
    "intubated case in 2026-06",
    # answered by suction, which its care tells of
    "low-suctioned case at birch in 2026-06",
)


def sample(into: Path) -> None:
    """Write `sample_data/` into a new or empty folder, the late delivery into `late` inside it."""
    options = options_of(TRIPS, MONTHS, SEED, True, first_month=FIRST_MONTH, changes=STORY)
    chosen = settled(options, dirt=True, late=False)
    deliver(chosen, into, chunk=CHUNK, later=into / LATE)
