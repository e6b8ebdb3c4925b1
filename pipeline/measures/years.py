"""The twelve months to the one under review against the twelve before: what levels absorb."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import pandas as pd

MONTHS = 12
SHARES = (
    *("deviation-share", "all-rules-share", "trips-with-occlusion"),
    *("worse-outcome", "worse-outcome-day-after"),
)
CELLS = ("numerator", "denominator", "trips")


def years(
    con: duckdb.DuckDBPyConnection, measures: pd.DataFrame, months: tuple[str, ...]
) -> pd.DataFrame:
    """Rows of `Years`: a measure and group that has a denominator in both years each.

    Call after the measures. Of fewer than 24 months the earlier year is what there is.
    """
    import numpy as np
    import pandas as pd

    from schemas.signal_outputs import Years

    known = measures[measures["measure"].isin(["occlusion-rate", *SHARES])]
    known = known[known["group_by"].isin(["service", "cannula", "rule", "outcome"])]
    now, before = months[-MONTHS:], months[-2 * MONTHS : -MONTHS]
    sides = []
    for name, span in (("now", now), ("before", before)):
        own = known[known["month"].isin(span)]
        # k_eff of one month tells its sum of squares: those of a year add up
        own = own.assign(squares=own["denominator"] ** 2 / own["k_eff"])
        sums = own.groupby(["measure", "group_by", "group_value"], sort=True)
        sides.append(sums[[*CELLS, "squares"]].sum().add_prefix(f"{name}_"))
    both = pd.concat(sides, axis=1, join="inner").reset_index()
    both = both[(both["now_denominator"] > 0) & (both["before_denominator"] > 0)]
    rate = (both["measure"] == "occlusion-rate").to_numpy()
    figures = _figures(both, rate)
    rows = both.assign(month=months[-1], **figures)
    ratios = ["ratio", "ratio_low", "ratio_high"]
    rows[ratios] = rows[ratios].where(np.isfinite(rows[ratios]))
    return rows.reindex(columns=list(Years.to_schema().columns))


def _figures(both: pd.DataFrame, rate: np.ndarray) -> dict[str, np.ndarray]:
    """Each side's figure with its interval, and their ratio."""
    import numpy as np

    from pipeline.statistics.clustered_intervals import (
        rate_intervals,
        rate_ratio,
        share_ratio_of_periods,
    )
    from pipeline.statistics.intervals import wilson

    made: dict[str, np.ndarray] = {}
    k_eff = {}
    for side in ("now", "before"):
        x, n, trips = (both[f"{side}_{cell}"].to_numpy(dtype=float) for cell in CELLS)
        with np.errstate(divide="ignore", invalid="ignore"):
            k_eff[side] = np.where(rate, n**2 / both[f"{side}_squares"].to_numpy(), 1.0)
        clustered = rate_intervals(x, n, k_eff[side], trips)
        share = wilson(np.minimum(x, n), n)
        for name, first, other in (
            ("", clustered.estimate, share.estimate),
            ("_low", clustered.lower, share.lower),
            ("_high", clustered.upper, share.upper),
        ):
            made[f"{side}{name}"] = np.where(rate, first, other)
    x1, n1, x0, n0 = (
        both[f"{side}_{cell}"].to_numpy(dtype=float)
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
