"""What a crew charts of the child: when, what the child did, what was measured."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.draws import Columns
from pipeline.simulate.observed.manner import (
    AGITATED,
    COUGHING,
    CRYING,
    Upset,
    care_given,
    manner,
    shown,
)
from pipeline.simulate.observed.moments import moments
from pipeline.simulate.observed.rates import About, rates
from pipeline.simulate.observed.saturation import dips, saturation
from pipeline.simulate.support import Scene
from pipeline.simulate.worsening import Worsening

__all__ = ["Upset", "observations"]


def observations(scene: Scene, upset: Upset, worse: Worsening) -> Columns:
    """Chart the observations of a chunk of trips, in order of trip and time."""
    seen = moments(scene, upset.events)
    low = dips(scene, seen, worse)
    care = care_given(scene, seen, upset, worse, dip=low, did=manner(seen, upset, worse))
    did = manner(seen, upset, worse, care)
    cries = np.isin(did, [CRYING, COUGHING, AGITATED])
    spo2 = saturation(scene, seen, worse, cries, low)
    found: Columns = {"trip": seen.trip, "minute": seen.minute, "spo2": spo2}
    found.update(rates(scene, seen, worse, About(did, care, spo2)))
    found |= {"behaviour": shown(seen, upset, did), "care": care}
    # now and then a row is charted twice
    twice = seen.own.chance("observed twice", 0.002, seen.minute) & ~seen.exact
    twice &= (spo2 < 0) | (spo2 >= 90)
    times = 1 + twice.astype(np.int64)
    return {name: np.repeat(column, times) for name, column in found.items()}
