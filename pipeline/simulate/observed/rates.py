"""Breaths and beats a minute: the age's, the child's own, the state, and a slow drift."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Columns, Floats, Ints
from pipeline.simulate.observed.manner import (
    AGITATED,
    ASLEEP,
    COUGHING,
    CRYING,
    SENSOR_MOVED,
    SETTLING_MIN,
    SUCTION,
)
from pipeline.simulate.observed.moments import Seen
from pipeline.simulate.pathways import NEVER
from pipeline.simulate.support import Scene
from pipeline.simulate.worsening import WEANED, Worsening
from schemas.record import dataclass


@dataclass
class About:
    """What else is known of each row: what the child did, what was done, the saturation."""

    state: Ints
    care: Ints
    spo2: Ints


BEATS, BREATHS = "beats", "breaths"
AGES = {
    BEATS: ("birth", "1_month", "7_months", "15_months", "2_years", "5_years", "10_years"),
    BREATHS: ("birth", "7_months", "2_years", "5_years", "10_years"),
}
MONTHS = {
    "birth": 0, "1_month": 1, "7_months": 7.5, "15_months": 15,
    "2_years": 24, "5_years": 60, "10_years": 120,
}  # fmt: skip
STATES = {ASLEEP: "asleep", CRYING: "crying", COUGHING: "coughing", AGITATED: "agitated"}
LOW, DEEP = 90, 80
"""A saturation below the first quickens the heart, one below the second slows it."""
COLLAPSED_BEATS = 62
LEAST = {BEATS: 60, BREATHS: 12}
LOW_OF_USUAL, BELOW_IT = 0.8, 0.5
"""Of the usual rate: below the first only so much of what would lower it tells."""
MOST = {BEATS: 220, BREATHS: 90}
LINGERS = 0.4
"""Of what the state before did, at the next observation."""


def usual(name: str, months: Ints) -> Floats:
    """Return the rate of a child of this age who is ill enough to be moved, awake and calm."""
    at = [MONTHS[age] for age in AGES[name]]
    return np.interp(months, at, [of(f"{name}_at_{age}") for age in AGES[name]]) + of(f"{name}_ill")


def rates(scene: Scene, seen: Seen, worse: Worsening, about: About) -> Columns:
    """Return `resp` and `heart`, whole numbers a minute, -1 where not charted."""
    own, minute = seen.own, seen.minute
    resp = _rate(BREATHS, scene, seen, worse, about)
    # some crews count for half a minute and double, others read the monitor
    counts = scene.draws.chance("breaths counted", of("breaths_counted"))[seen.trip]
    resp += counts * of("breaths_miscounted") * own.normal("miscounted", minute)
    resp = np.where(counts, 2 * np.rint(resp / 2), np.rint(resp)).astype(np.int64)
    heart = np.rint(_rate(BEATS, scene, seen, worse, about)).astype(np.int64)
    heart = np.where(worse.collapses(seen.trip, minute, seen.after), COLLAPSED_BEATS, heart)
    no_resp = ~seen.exact & (seen.order % 2 == 1) & seen.may_lack
    no_resp &= own.chance("breaths missing", 0.08, minute)
    no_heart = own.chance("beats missing", 0.05, minute)
    return {"resp": np.where(no_resp, -1, resp), "heart": np.where(no_heart, -1, heart)}


def _rate(name: str, scene: Scene, seen: Seen, worse: Worsening, about: About) -> Floats:
    """The age's, the child's own, what the child does and is done to it, drift, and noise."""
    children = of(f"{name}_children") * np.clip(scene.draws.normal(name), -2, 2)
    found = (usual(name, scene.child.age) + children)[seen.trip]
    # heart and breath drift together for the most part
    drift = 0.7 * seen.drift(BEATS, 35) + (1 - 0.7**2) ** 0.5 * seen.drift("apart", 35)
    found = found + of(f"{name}_drift") * (seen.drift(BEATS, 35) if name == BEATS else drift)
    found += of(f"{name}_noise") * seen.own.normal(name, seen.minute)
    effect = np.zeros(len(found))
    for state, what in STATES.items():
        more = of(f"{name}_{what}") * np.exp(0.2 * seen.drift(f"{name} state", 20))
        effect = np.where(about.state == state, more, effect)
    before = LINGERS * seen.previous(effect, SETTLING_MIN)
    found += np.where(effect >= 0, np.maximum(effect, before), effect)
    found += of(f"{name}_suction") * (about.care == SUCTION)
    truly = (about.spo2 >= 0) & (about.care != SENSOR_MOVED)
    found += of(f"{name}_low") * (truly & (about.spo2 < LOW))
    found += of(f"{name}_deep") * (truly & (about.spo2 < DEEP))
    found += of(f"{name}_weaned") * (worse.outcome[seen.trip] == WEANED)
    found += of(f"{name}_short") * _short_of_flow(scene, seen)
    found += of(f"worse_{name}") * worse.grown(seen.trip, seen.minute)
    low = LOW_OF_USUAL * usual(name, scene.child.age)[seen.trip]
    found = np.where(found < low, low - BELOW_IT * (low - found), found)
    return np.clip(found, LEAST[name], MOST[name])


def _short_of_flow(scene: Scene, seen: Seen) -> Floats:
    """1 until the flow is turned up for good, and gone soon after; 0 where it is not."""
    flow = scene.what.flow10
    at = np.where(flow.at[:, -1] < NEVER, NEVER, flow.at[:, 1])[seen.trip]
    more = (at < NEVER) & (flow.value[:, 1] > flow.value[:, 0])[seen.trip]
    return np.where(more, np.exp(-np.maximum(seen.minute - at, 0) / SETTLING_MIN), 0.0)
