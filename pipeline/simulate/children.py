"""The children: age, weight, cannula and flow, as the sending hospital had them."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.assumptions import of
from pipeline.simulate.catalogue import Setup
from pipeline.simulate.draws import Draws, Floats, Ints, two_sided
from pipeline.simulate.plants import SMALL, Codes, Fit
from pipeline.simulate.service import DIAGNOSES
from schemas.record import dataclass

# median weight for age, growth reference for boys, from memory and rounded
AGES = np.array([0, 1, 2, 3, 4, 6, 9, 12, 18, 24, 36, 48, 60, 84, 120, 150])
WEIGHTS = np.array(
    [3.3, 4.5, 5.6, 6.4, 7.0, 7.9, 8.9, 9.6, 10.9, 12.2, 14.3, 16.3, 18.3, 22.9, 31.5, 42.0]
)


@dataclass
class Children:
    """Shape (n,): months, tenths of kg, positions in the catalogue, tenths of L/min.

    -1 is not charted; a cannula past the catalogue's last is one it does not have.
    """

    setup: Setup
    age: Ints
    weight10: Ints
    weight_shown10: Ints
    diagnosis: Ints
    cannula: Ints
    flow10: Ints
    sending_cannula: Ints
    sending_flow10: Ints
    fio2: Ints


def children(draws: Draws, codes: Codes, setup: Setup, confounding: float) -> Children:
    """Draw the children; codes that cannot be planted on a child are cleared."""
    years = two_sided(draws.normal("age"), (of("age_q1"), of("age_median"), of("age_q3")))
    older = draws.chance("older", of("older_share"))
    span = np.exp(np.log(18) + draws.uniform("older age") * np.log(150 / 18))
    months = np.where(older, span, np.clip(years * 12, 0, 60))
    spread = np.clip(draws.normal("weight"), -2.2, 2.2) * of("weight_spread")
    weight10 = np.rint(np.interp(months, AGES, WEIGHTS) * np.exp(spread) * 10).astype(np.int64)
    cannula = _cannula(draws, codes, setup, weight10)
    flow10 = _flow(draws, setup, cannula, confounding)
    fio2 = np.array([25, 30, 35, 40, 45, 50, 60])[
        draws.pick("fio2", (0.08, 0.24, 0.24, 0.18, 0.12, 0.08, 0.06))
    ]
    found = Children(
        setup=setup,
        age=np.floor(months).astype(np.int64),
        weight10=weight10,
        weight_shown10=np.where(codes.fit == Fit.WEIGHT_MISSING, -1, weight10),
        diagnosis=draws.pick("diagnosis", (0.5, 0.14, 0.1, 0.08, 0.08, 0.1)) % len(DIAGNOSES),
        cannula=cannula,
        flow10=flow10,
        sending_cannula=_sending_cannula(draws, codes, setup, cannula, weight10),
        sending_flow10=_sending_flow(draws, codes, flow10),
        fio2=fio2,
    )
    return found


def _cannula(draws: Draws, codes: Codes, setup: Setup, weight10: Ints) -> Ints:
    """Pick a carried size meant for the weight, prongs mostly; one too small where planted."""
    weight = weight10[:, None] / 10
    least, most = setup.weight
    fits = setup.carried & (weight >= least + 0.2) & (weight <= most - 0.2)
    liking = np.where(fits, np.where(setup.prong, 1.0, 0.3), 0.0)
    # between two sizes: none in the first fifth of a kilogram of a range
    liking[:, 0] += np.where(liking.sum(axis=1) == 0, 1e-9, 0)
    steps = np.cumsum(liking, axis=1)
    u = draws.uniform("cannula") * steps[:, -1]
    fitting: Ints = np.argmax(steps > u[:, None], axis=1)
    small = np.where(setup.prong & (weight > most + 0.3), setup.rank, 0).max(axis=1) - 1
    planted = np.isin(codes.fit, SMALL)
    codes.clear("fit", planted & (small < 0))
    return np.asarray(np.where(planted & (small >= 0), small, fitting))


def _flow(draws: Draws, setup: Setup, cannula: Ints, confounding: float) -> Ints:
    """Flow in half litres, inside the range; `confounding` raises it in the smaller sizes."""
    down = np.where(setup.prong, setup.from_middle, 3 - setup.rank)[cannula]
    middle = of("flow_share") + confounding * down
    share = np.clip(middle + of("flow_share_spread") * draws.normal("share"), 0.08, 0.90)
    low, high = (limit[cannula] for limit in setup.flow)
    halves: Ints = np.rint((low + share * (high - low)) * 2).astype(np.int64)
    return halves * 5


def flow_share(setup: Setup, flow10: Ints, cannula: Ints) -> Floats:
    """Return the place of a flow in its cannula's range: 0 at the least, 1 at the most."""
    low, high = (limit[cannula] for limit in setup.flow)
    return np.asarray((flow10 / 10 - low) / (high - low))


def _sending_cannula(
    draws: Draws, codes: Codes, setup: Setup, cannula: Ints, weight10: Ints
) -> Ints:
    """The family is kept, soft ones are converted to prongs; otherwise as planted."""
    prong = setup.prong[cannula]
    soft = (
        prong & draws.chance("soft", of("not_carried")) & (codes.fit != Fit.CANNULA_NEVER_CHARTED)
    )
    found = np.where(
        soft, np.where(weight10 < 90, setup.place("soft-1"), setup.place("soft-2")), cannula
    )
    other = np.where(prong, setup.place("wide-2"), setup.place("prong-3"))
    changed = np.isin(codes.fit, [Fit.FAMILY_CHANGED, Fit.FAMILY_CALLED])
    found = np.where(changed, other, found)
    found = np.where(codes.fit == Fit.SENDING_CANNULA_STRANGE, len(setup.sizes), found)
    return np.where(codes.fit == Fit.SENDING_CANNULA_MISSING, -1, found)


def _sending_flow(draws: Draws, codes: Codes, flow10: Ints) -> Ints:
    """The same flow, seldom half a litre off; otherwise as planted."""
    off = draws.chance("sending flow off", of("sending_flow_off"))
    found = flow10 + np.where(off, 5 * (2 * draws.whole("sending flow", 0, 1) - 1), 0)
    far = np.maximum(30, flow10 // 20 * 5 + 5)
    changed = np.isin(codes.fit, [Fit.FLOW_CHANGED, Fit.FLOW_CLINICAL, Fit.FLOW_CALLED])
    found = np.where(changed, flow10 + far, found)
    found = np.where(codes.fit == Fit.FLOW_AT_TOLERANCE, flow10 + 10, found)
    return np.where(codes.fit == Fit.SENDING_FLOW_MISSING, -1, found)
