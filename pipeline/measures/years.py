"""The twelve months to the one under review against the twelve before: what levels absorb."""

from __future__ import annotations

import numpy as np

from schemas.connection import Connection
from schemas.frame import Frame

MONTHS = 12
SHARES = (
    *("deviation-share", "all-rules-share", "trips-with-occlusion"),
    *("worse-outcome", "worse-outcome-day-after"),
)
KEY = ("measure", "group_by", "group_value")
CELLS = ("numerator", "denominator", "trips")
SUMMED = (*CELLS, "squares")


def years(con: Connection, measures: Frame, months: tuple[str, ...]) -> Frame:
    """Rows of `Years`: a measure and group that has a denominator in both years each.

    Call after the measures. Of fewer than 24 months the earlier year is what there is.
    """
    from schemas.signal_outputs import Years

    known = measures.rows(
        measures.isin("measure", ["occlusion-rate", *SHARES])
        & measures.isin("group_by", ["service", "cannula", "rule", "outcome"])
    )
    now, before = (
        _sums(known.rows(known.isin("month", span)))
        for span in (months[-MONTHS:], months[-2 * MONTHS : -MONTHS])
    )
    keys = [key for key in now if key in before]
    both = Frame({
        **{name: [key[i] for key in keys] for i, name in enumerate(KEY)},
        **{f"{side}_{cell}": [sums[key][i] for key in keys]
           for side, sums in (("now", now), ("before", before)) for i, cell in enumerate(SUMMED)},
    })  # fmt: skip
    both = both.rows((both["now_denominator"] > 0) & (both["before_denominator"] > 0))
    rows = both.assign(month=months[-1], **_figures(both, both["measure"] == "occlusion-rate"))
    ratios = {name: rows[name] for name in ("ratio", "ratio_low", "ratio_high")}
    finite = {name: np.where(np.isfinite(r), r, np.nan) for name, r in ratios.items()}
    return rows.assign(**finite).only(Years.to_schema().columns)


def _sums(own: Frame) -> dict[tuple[str, ...], list[float]]:
    """Of each measure and group, the sums over some months of SUMMED."""
    # k_eff of one month tells its sum of squares: those of a year add up
    squares = np.nan_to_num(own["denominator"] ** 2 / own["k_eff"])
    sums, groups = own.sums(KEY, CELLS), own.groups(*KEY)
    return {key: [*sums[key], _carried(squares[groups[key]].tolist())] for key in sums}


def _carried(values: list[float]) -> float:
    """Their sum, what each addition cuts off given to the next (Kahan)."""
    total = lost = 0.0
    for value in values:
        more = value - lost
        lost = (total + more) - total - more
        total += more
    return total


def _figures(both: Frame, rate: np.ndarray) -> dict[str, np.ndarray]:
    """Each side's figure with its interval, and their ratio."""
    from pipeline.statistics.clustered_intervals import (
        rate_intervals,
        rate_ratio,
        share_ratio_of_periods,
    )
    from pipeline.statistics.intervals import wilson

    made: dict[str, np.ndarray] = {}
    k_eff = {}
    for side in ("now", "before"):
        x, n, trips = (both[f"{side}_{cell}"].astype(float) for cell in CELLS)
        with np.errstate(divide="ignore", invalid="ignore"):
            k_eff[side] = np.where(rate, n**2 / both[f"{side}_squares"].astype(float), 1.0)
        clustered = rate_intervals(x, n, k_eff[side], trips)
        share = wilson(np.minimum(x, n), n)
        for name, first, other in (
            ("", clustered.estimate, share.estimate),
            ("_low", clustered.lower, share.lower),
            ("_high", clustered.upper, share.upper),
        ):
            made[f"{side}{name}"] = np.where(rate, first, other)
    x1, n1, x0, n0 = (
        both[f"{side}_{cell}"].astype(float)
        for side in ("now", "before") for cell in CELLS[:2]
    )  # fmt: skip
    rates = rate_ratio(x1, n1, k_eff["now"], x0, n0, k_eff["before"])
    shares = share_ratio_of_periods(np.minimum(x1, n1), n1, np.minimum(x0, n0), n0)
    for name, first, other in (
        ("ratio", rates.ratio, shares.ratio),
        ("ratio_low", rates.lower, shares.lower),
        ("ratio_high", rates.upper, shares.upper),
    ):
        made[name] = np.where(rate, first, other)
    return made
