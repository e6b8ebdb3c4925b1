"""What this service could notice, measure by measure, at its own volume."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.series import GAPS, KEY, P_MEASURES, RARE_FROM, U_MEASURES, X_MEASURES
from schemas.frame import Frame
from schemas.record import dataclass

if TYPE_CHECKING:
    from pipeline.statistics.intervals import FloatArray
    from pipeline.statistics.power import Power

LAST_MONTHS = 12
HORIZON = 36
RUNS = 300
SEED = 20_26


@dataclass(frozen=True)
class _Months:
    """A measure's columns over the last months, (months,) each."""

    numerator: FloatArray
    denominator: FloatArray
    estimate: FloatArray


def power(measures: Frame, charts: Frame, months: tuple[str, ...]) -> Frame:
    """Months to notice a doubling and a halving, and false alarms a year; see `Power`.

    At the level and volume of the last twelve months, with the over-dispersion the chart found.
    A series without an event or without volume has no row.
    """
    from schemas.measure_outputs import Power as PowerRows

    history = measures.rows(
        measures.isin("month", months) & measures.isin("group_by", ("service", "rule"))
    )
    recent = history.isin("month", months[-LAST_MONTHS:])
    columns = {name: history[name].astype(float) for name in _Months.__annotations__}
    rare = set(charts["group_value"][charts["chart"] == "g"])
    known = charts.rows(charts.known("sigma_z"))
    sigma_z = dict(zip(known.keys(*KEY), known["sigma_z"].tolist(), strict=True))
    rows: list[dict[str, Any]] = []
    for key, own in history.groups(*KEY).items():
        measure, value = str(key[0]), str(key[2])
        last = _Months(**{name: column[own[recent[own]]] for name, column in columns.items()})
        if measure in X_MEASURES:
            rows += _of_values(key, columns["estimate"][own], last)
        elif measure in (*U_MEASURES, *P_MEASURES):
            # the variance beyond chance that the chart's limits allow for
            spread = max(1.0, float(sigma_z.get(key, 1.0)) ** 2)
            rows += _of_counts(key, last, spread, gaps=measure == RARE_FROM and value in rare)
    return Frame.of_rows(rows, PowerRows.to_schema().columns)


def _of_values(key: Any, estimates: FloatArray, last: _Months) -> Iterator[dict[str, Any]]:
    """Power of an XmR chart whose months vary as all the months so far did."""
    from pipeline.statistics.charts import MIN_POINTS
    from pipeline.statistics.power import value_power

    values = estimates[~np.isnan(estimates)]
    if len(values) >= MIN_POINTS and len(last.estimate):
        found = value_power(values, horizon=HORIZON, runs=RUNS, seed=SEED)
        yield _row(key, _mean(last.estimate), last.denominator, found)


def _of_counts(key: Any, last: _Months, spread: float, *, gaps: bool) -> Iterator[dict[str, Any]]:
    """Power of a u or p chart, and of the g chart of a rare rule, at the last months' level."""
    from pipeline.statistics.power import gap_power

    events, volume = last.numerator, last.denominator
    if events.sum() <= 0 or volume.sum() <= 0:
        return
    level = float(events.sum() / volume.sum())
    counted = key[0] in U_MEASURES
    found = _simulated(level, volume, spread, counted=counted)
    yield _row(key, level * (100 if counted else 1), volume, found)
    if gaps and 0 < level < 1:
        found = gap_power(level, float(volume.mean()), horizon=HORIZON, runs=RUNS, seed=SEED)
        yield _row((GAPS, *key[1:]), level, volume, found)


def _row(key: Any, level: float, volume: FloatArray, found: Power) -> dict[str, Any]:
    return {
        "measure": key[0], "group_by": key[1], "group_value": key[2], "level": level,
        "monthly": _mean(volume), **_noticed(found), "horizon": HORIZON,
    }  # fmt: skip


def _mean(values: FloatArray) -> float:
    """Of the values there are; NaN without any."""
    known = int(np.count_nonzero(~np.isnan(values)))
    return float(np.nansum(values)) / known if known else float("nan")


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
