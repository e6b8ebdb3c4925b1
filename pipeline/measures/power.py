"""What this service could notice, measure by measure, at its own volume."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.series import GAPS, P_MEASURES, RARE_FROM, U_MEASURES, X_MEASURES

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.statistics.power import Power

LAST_MONTHS = 12
HORIZON = 36
RUNS = 300
SEED = 20_26


def power(measures: pd.DataFrame, charts: pd.DataFrame, months: tuple[str, ...]) -> pd.DataFrame:
    """Months to notice a doubling and a halving, and false alarms a year; see `Power`.

    At the level and volume of the last twelve months, with the over-dispersion the chart found.
    A series without an event or without volume has no row.
    """
    import pandas as pd

    from schemas.measure_outputs import Power as PowerRows

    recent = measures[measures["month"].isin(months[-LAST_MONTHS:])]
    history = measures[measures["month"].isin(months)]
    rare = set(charts.loc[charts["chart"] == "g", "group_value"])
    sigma_z = charts.groupby(["measure", "group_by", "group_value"])["sigma_z"].last().to_dict()
    rows: list[dict[str, Any]] = []
    for key, own in history.groupby(["measure", "group_by", "group_value"], sort=True):
        measure, by, value = map(str, key)
        if by not in ("service", "rule"):
            continue
        last = own[own.index.isin(recent.index)]
        if measure in X_MEASURES:
            rows += _of_values(key, own, last)
        elif measure in (*U_MEASURES, *P_MEASURES):
            # the variance beyond chance that the chart's limits allow for
            spread = max(1.0, float(sigma_z.get((measure, by, value), 1.0)) ** 2)
            rows += _of_counts(key, last, spread, gaps=measure == RARE_FROM and value in rare)
    return pd.DataFrame(rows, columns=list(PowerRows.to_schema().columns))


def _of_values(key: Any, own: pd.DataFrame, last: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Power of an XmR chart whose months vary as all the months so far did."""
    from pipeline.statistics.charts import MIN_POINTS
    from pipeline.statistics.power import value_power

    values = own["estimate"].dropna().to_numpy(dtype=float)
    if len(values) >= MIN_POINTS and not last.empty:
        found = value_power(values, horizon=HORIZON, runs=RUNS, seed=SEED)
        yield _row(key, float(last["estimate"].mean()), last["denominator"], found)


def _of_counts(
    key: Any, last: pd.DataFrame, spread: float, *, gaps: bool
) -> Iterator[dict[str, Any]]:
    """Power of a u or p chart, and of the g chart of a rare rule, at the last months' level."""
    from pipeline.statistics.power import gap_power

    events, volume = last["numerator"].to_numpy(), last["denominator"].to_numpy()
    if events.sum() <= 0 or volume.sum() <= 0:
        return
    level = float(events.sum() / volume.sum())
    counted = key[0] in U_MEASURES
    found = _simulated(level, volume, spread, counted=counted)
    yield _row(key, level * (100 if counted else 1), last["denominator"], found)
    if gaps and 0 < level < 1:
        found = gap_power(level, float(volume.mean()), horizon=HORIZON, runs=RUNS, seed=SEED)
        yield _row((GAPS, *key[1:]), level, last["denominator"], found)


def _row(key: Any, level: float, volume: pd.Series, found: Power) -> dict[str, Any]:
    return {
        "measure": key[0], "group_by": key[1], "group_value": key[2], "level": level,
        "monthly": float(volume.mean()), **_noticed(found), "horizon": HORIZON,
    }  # fmt: skip


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
