"""Bases compared over the last twelve months, and each retraining's before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from pipeline.statistics.before_after import Windows
    from pipeline.statistics.funnels import Funnel
    from pipeline.statistics.shrinkage import Shrunk

WINDOW_MONTHS = 12
PROMPTED_MONTHS = 3
"""The months just before a retraining are taken to have prompted it, and are left out; assumed."""

_RATES = """
    SELECT t.base, sum(v.events)::DOUBLE AS numerator, sum(v.seconds) / 3600.0 AS denominator
    FROM ventilator_time v JOIN delivered.trips t USING (trip_key)
    WHERE v.counted AND v.month >= $first GROUP BY t.base ORDER BY t.base
"""
_SHARES = """
    SELECT rule, base, sum(deviation)::DOUBLE AS numerator, sum(judged)::DOUBLE AS denominator
    FROM verdict_counts WHERE month >= $first
    GROUP BY rule, base HAVING sum(judged) > 0 ORDER BY rule, base
"""


def funnels(con: duckdb.DuckDBPyConnection, months: tuple[str, ...]) -> pd.DataFrame:
    """Occlusion rate and each rule's deviation share by base; see `Funnels`.

    Call after the measures: reads their temporary counts. Fewer than two bases make no funnel.
    """
    import pandas as pd

    from pipeline.statistics.funnels import rate_funnel, share_funnel
    from pipeline.statistics.shrinkage import beta_binomial, gamma_poisson
    from schemas.measure_outputs import Funnels

    first = {"first": months[-WINDOW_MONTHS:][0]}
    parts: list[pd.DataFrame] = []
    rates = con.execute(_RATES, first).df()
    rates = rates[rates["denominator"] > 0]
    if len(rates) > 1:
        x, t = rates["numerator"].to_numpy(), rates["denominator"].to_numpy()
        funnel = rate_funnel(x, t, per=100, adjust="additive")
        parts.append(_rows(rates, "occlusion-rate", funnel, gamma_poisson(x, t, per=100)))
    for _, group in con.execute(_SHARES, first).df().groupby("rule", sort=True):
        if len(group) > 1:
            x, n = group["numerator"].to_numpy(), group["denominator"].to_numpy()
            funnel = share_funnel(x, n, adjust="additive")
            parts.append(_rows(group, "deviation-share", funnel, beta_binomial(x, n)))
    columns = list(Funnels.to_schema().columns)
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True).reindex(columns=columns)


def _rows(counts: pd.DataFrame, measure: str, funnel: Funnel, shrunk: Shrunk) -> pd.DataFrame:
    """A funnel and its shrunken values as rows; p from the adjusted z, two-sided."""
    from scipy.special import ndtr

    from pipeline.statistics.intervals import benjamini_hochberg

    p = 2 * ndtr(-np.abs(funnel.z_adjusted))
    return counts.assign(
        measure=measure,
        value=funnel.value,
        target=funnel.target,
        inner_lower=funnel.inner_lower,
        inner_upper=funnel.inner_upper,
        outer_lower=funnel.outer_lower,
        outer_upper=funnel.outer_upper,
        outside=funnel.outside,
        p_adjusted=benjamini_hochberg(p),
        shrunk=shrunk.estimate,
        shrunk_low=shrunk.lower,
        shrunk_high=shrunk.upper,
        dispersion=funnel.dispersion.phi,
        reason=funnel.dispersion.reason or None,
    )


_TRAINED = """
    SELECT DISTINCT month, base, rule FROM ({held})
    WHERE base IS NOT NULL AND month <= $month ORDER BY ALL
"""
_BY_MONTH = """
    SELECT month, base, rule, sum(deviation)::DOUBLE AS deviation, sum(judged)::DOUBLE AS judged,
           coalesce(any_value(read), 0)::DOUBLE AS read,
           coalesce(any_value(practice), 0)::DOUBLE AS practice
    FROM verdict_counts
    LEFT JOIN (
        SELECT month, base, rule, count(conclusion) AS read,
               count(*) FILTER (conclusion = 'practice') AS practice
        FROM rule_flag WHERE verdict = 'deviation' GROUP BY ALL
    ) USING (month, base, rule)
    GROUP BY month, base, rule ORDER BY ALL
"""


def before_after_training(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """Each base retrained: the rule's share after over before; see `BeforeAfterTraining`.

    Retraining of single crew members is left out: nobody is ranked. Call after `make_flags` of
    the loop: what readers put down to practice is counted beside the flags.
    """
    import pandas as pd

    from pipeline.statistics.before_after import before_after, windows
    from pipeline.store.retrainings import held_retraining
    from schemas.measure_outputs import BeforeAfterTraining

    asked = _TRAINED.format(held=held_retraining(con))
    trained = con.execute(asked, {"month": month}).fetchall()
    counts = con.execute(_BY_MONTH).df() if trained else pd.DataFrame()
    rows: list[dict[str, Any]] = []
    for when, base, rule in trained:
        own = counts[(counts["base"] == base) & (counts["rule"] == rule)]
        at = month_number(when)
        prompted = [at - n for n in range(1, PROMPTED_MONTHS + 1)]
        window = windows([month_number(m) for m in own["month"]], at, prompted)
        found = before_after(own["deviation"], own["judged"], window, picked_for_being_bad=True)
        rows.append(
            {
                "month": when, "base": base, "rule": rule,
                "before_events": found.before_events, "before_trips": found.before_trips,
                "after_events": found.after_events, "after_trips": found.after_trips,
                "ratio": found.ratio.ratio, "low": found.ratio.lower,
                "high": found.ratio.upper, "too_few": found.too_few,
                **_read(own, window), "window": _window(own, window, when),
                "warning": found.warning,
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=list(BeforeAfterTraining.to_schema().columns))


def _read(own: pd.DataFrame, window: Windows) -> dict[str, int]:
    """Of the flags before and after: those a reader concluded on, and put down to practice."""
    return {
        f"{side}_{name}": int(own.loc[months, name].sum())
        for side, months in (("before", window.before), ("after", window.after))
        for name in ("read", "practice")
    }


def _window(own: pd.DataFrame, window: Windows, when: str) -> str:
    """Which months were compared, and which left out, and why; months as YYYY-MM."""
    sides = []
    for side, chosen in (("Before", window.before), ("After", window.after)):
        months = sorted(own.loc[chosen, "month"])
        count = f"{len(months)} month{'' if len(months) == 1 else 's'}"
        sides.append(f"{side}: {count} ({_span(months)})." if months else f"{side}: no month.")
    at = month_number(when)
    prompted = [f"{n // 12:04d}-{n % 12 + 1:02d}" for n in range(at - PROMPTED_MONTHS, at)]
    return (
        f"{' '.join(sides)} Left out: {when}, the month of the retraining, and"
        f" {_span(prompted)}, taken to have prompted it."
    )


def _span(months: list[str]) -> str:
    return " to ".join(dict.fromkeys((months[0], months[-1])))


def month_number(month: str) -> int:
    """Months since year 0, so that differences count months."""
    year, number = month.split("-")
    return int(year) * 12 + int(number) - 1
