"""What this service could notice, measure by measure, at its own volume."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.statistics.power import Power

LAST_MONTHS = 12
HORIZON = 36
RUNS = 400
SEED = 20_26


def power(measures: pd.DataFrame, charts: pd.DataFrame, months: tuple[str, ...]) -> pd.DataFrame:
    """Months to notice a doubling and a halving, and false alarms a year; see `Power`.

    At the level and volume of the last twelve months, with the over-dispersion the chart found.
    A series without an event or without volume has no row.
    """
    import pandas as pd

    from schemas.measure_outputs import Power as PowerRows

    recent = measures[measures["month"].isin(months[-LAST_MONTHS:])]
    rows = []
    for key, own in recent.groupby(["measure", "group_by", "group_value"], sort=True):
        measure, by, value = map(str, key)
        counted = measure == "occlusion-rate" and by == "service"
        shared = measure == "deviation-share"
        if not (counted or shared):
            continue
        events, volume = own["numerator"].to_numpy(), own["denominator"].to_numpy()
        if events.sum() <= 0 or volume.sum() <= 0:
            continue
        level = float(events.sum() / volume.sum())
        spread = _dispersion(charts, measure, by, value)
        found = _simulated(level, volume, spread, counted=counted)
        rows.append(
            {
                "measure": measure, "group_by": by, "group_value": value,
                "level": level * (100 if counted else 1), "monthly": float(volume.mean()),
                **_noticed(found), "horizon": HORIZON,
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(PowerRows.to_schema().columns))


def _dispersion(charts: pd.DataFrame, measure: str, by: str, value: str) -> float:
    """The variance beyond chance that the chart's limits allow for."""
    own = charts[
        (charts["measure"] == measure)
        & (charts["group_by"] == by)
        & (charts["group_value"] == value)
    ]
    sigma_z = own["sigma_z"].dropna()
    return max(1.0, float(sigma_z.iloc[-1]) ** 2) if len(sigma_z) else 1.0


def _simulated(level: float, volume: np.ndarray, spread: float, *, counted: bool) -> Power:
    from pipeline.statistics.power import count_power, share_power

    plan: dict[str, Any] = {"dispersion": spread, "horizon": HORIZON, "runs": RUNS, "seed": SEED}
    if counted:
        return count_power(level, volume, **plan)
    return share_power(min(level, 1.0), np.round(volume), **plan)


def _noticed(found: Power) -> dict[str, float]:
    return {
        "doubling_months": found.doubling.median_months,
        "doubling_months_90": found.doubling.months_for_90,
        "halving_months": found.halving.median_months,
        "halving_months_90": found.halving.months_for_90,
        "false_alarms": found.false_alarms,
    }
