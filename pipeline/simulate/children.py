"""The children: age, weight, cannula and flow, as the sending hospital had them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.draws import Draws, Floats, Ints, two_sided
from pipeline.simulate.plants import SMALL, Codes, Fit
from pipeline.simulate.service import CATALOGUE, DIAGNOSES

# median weight for age, growth reference for boys, from memory and rounded
AGES = np.array([0, 1, 2, 3, 4, 6, 9, 12, 18, 24, 36, 48, 60, 84, 120, 150])
WEIGHTS = np.array(
    [3.3, 4.5, 5.6, 6.4, 7.0, 7.9, 8.9, 9.6, 10.9, 12.2, 14.3, 16.3, 18.3, 22.9, 31.5, 42.0]
)
LEAST_FLOW = np.array([size.flow[0] for size in CATALOGUE])
MOST_FLOW = np.array([size.flow[1] for size in CATALOGUE])
LEAST_WEIGHT = np.array([size.weight[0] for size in CATALOGUE])
MOST_WEIGHT = np.array([size.weight[1] for size in CATALOGUE])
CARRIED = np.array([size.carried for size in CATALOGUE])
PRONG = np.array([size.family == "prong" for size in CATALOGUE])
RANK = np.array([size.rank for size in CATALOGUE])
STRANGE = len(CATALOGUE)
"""A cannula that the catalogue does not have."""


@dataclass
class Children:
    """Shape (n,): months, tenths of kg, positions in the catalogue, tenths of L/min.

    -1 is not charted.
    """

    age: Ints
    weight10: Ints
    weight_shown10: Ints
    diagnosis: Ints
    cannula: Ints
    flow10: Ints
    sending_cannula: Ints
    sending_flow10: Ints
    fio2: Ints


def children(draws: Draws, codes: Codes, confounding: float) -> Children:
    """Draw the children; codes that cannot be planted on a child are cleared."""
    years = two_sided(draws.normal("age"), (of("age_q1"), of("age_median"), of("age_q3")))
    older = draws.chance("older", of("older_share"))
    span = np.exp(np.log(18) + draws.uniform("older age") * np.log(150 / 18))
    months = np.where(older, span, np.clip(years * 12, 0, 60))
    spread = np.clip(draws.normal("weight"), -2.2, 2.2) * of("weight_spread")
    weight10 = np.rint(np.interp(months, AGES, WEIGHTS) * np.exp(spread) * 10).astype(np.int64)
    cannula = _cannula(draws, codes, weight10)
    flow10 = _flow(draws, cannula, confounding)
    fio2 = np.array([25, 30, 35, 40, 45, 50, 60])[
        draws.pick("fio2", (0.08, 0.24, 0.24, 0.18, 0.12, 0.08, 0.06))
    ]
    found = Children(
        age=np.floor(months).astype(np.int64),
        weight10=weight10,
        weight_shown10=np.where(codes.fit == Fit.WEIGHT_MISSING, -1, weight10),
        diagnosis=draws.pick("diagnosis", (0.5, 0.14, 0.1, 0.08, 0.08, 0.1)) % len(DIAGNOSES),
        cannula=cannula,
        flow10=flow10,
        sending_cannula=_sending_cannula(draws, codes, cannula, weight10),
        sending_flow10=_sending_flow(draws, codes, flow10),
        fio2=fio2,
    )
    return found


def _cannula(draws: Draws, codes: Codes, weight10: Ints) -> Ints:
    """Pick a carried size meant for the weight, prongs mostly; one too small where planted."""
    weight = weight10[:, None] / 10
    fits = CARRIED & (weight >= LEAST_WEIGHT + 0.2) & (weight <= MOST_WEIGHT - 0.2)
    liking = np.where(fits, np.where(PRONG, 1.0, 0.3), 0.0)
    # between two sizes: none in the first fifth of a kilogram of a range
    liking[:, 0] += np.where(liking.sum(axis=1) == 0, 1e-9, 0)
    steps = np.cumsum(liking, axis=1)
    u = draws.uniform("cannula") * steps[:, -1]
    fitting: Ints = np.argmax(steps > u[:, None], axis=1)
    small = np.where(PRONG & (weight > MOST_WEIGHT + 0.3), RANK, 0).max(axis=1) - 1
    planted = np.isin(codes.fit, SMALL)
    codes.clear("fit", planted & (small < 0))
    return np.asarray(np.where(planted & (small >= 0), small, fitting))


def _flow(draws: Draws, cannula: Ints, confounding: float) -> Ints:
    """Flow in half litres, inside the range; `confounding` raises it in the smaller sizes."""
    middle = of("flow_share") + confounding * (3 - RANK[cannula])
    share = np.clip(middle + of("flow_share_spread") * draws.normal("share"), 0.08, 0.90)
    low, high = LEAST_FLOW[cannula], MOST_FLOW[cannula]
    halves: Ints = np.rint((low + share * (high - low)) * 2).astype(np.int64)
    return halves * 5


def flow_share(flow10: Ints, cannula: Ints) -> Floats:
    """Return the place of a flow in its cannula's range: 0 at the least, 1 at the most."""
    low, high = LEAST_FLOW[cannula], MOST_FLOW[cannula]
    return np.asarray((flow10 / 10 - low) / (high - low))


def _sending_cannula(draws: Draws, codes: Codes, cannula: Ints, weight10: Ints) -> Ints:
    """The family is kept, soft ones are converted to prongs; otherwise as planted."""
    soft = PRONG[cannula] & draws.chance("soft", 0.12) & (codes.fit != Fit.CANNULA_NEVER_CHARTED)
    found = np.where(soft, np.where(weight10 < 90, 8, 9), cannula)
    other = np.where(PRONG[cannula], 6, 2)
    changed = np.isin(codes.fit, [Fit.FAMILY_CHANGED, Fit.FAMILY_CALLED])
    found = np.where(changed, other, found)
    found = np.where(codes.fit == Fit.SENDING_CANNULA_STRANGE, STRANGE, found)
    return np.where(codes.fit == Fit.SENDING_CANNULA_MISSING, -1, found)


def _sending_flow(draws: Draws, codes: Codes, flow10: Ints) -> Ints:
    """The same flow, or half a litre off; otherwise as planted."""
    found = flow10 + draws.whole("sending flow", -1, 1) * 5
    far = np.maximum(30, flow10 // 20 * 5 + 5)
    changed = np.isin(codes.fit, [Fit.FLOW_CHANGED, Fit.FLOW_CLINICAL, Fit.FLOW_CALLED])
    found = np.where(changed, flow10 + far, found)
    found = np.where(codes.fit == Fit.FLOW_AT_TOLERANCE, flow10 + 10, found)
    return np.where(codes.fit == Fit.SENDING_FLOW_MISSING, -1, found)
