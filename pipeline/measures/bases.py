"""Bases compared over the last twelve months, and each retraining's before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.measures.clustering import SIZED_TRIPS, service_k
from schemas.connection import Connection
from schemas.frame import Frame, stacked
from schemas.months import later, month_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.statistics.before_after import BeforeAfter, Windows

    Floats = NDArray[np.float64]

WINDOW_MONTHS = 12
PROMPTED_MONTHS = 3
"""The months just before a retraining are taken to have prompted it, and are left out; assumed."""

SEED = 26
PER_HOURS = 100

_RATES = f"""
    WITH of_size AS (
        SELECT base, cannula, sum(events) AS events, sum(seconds) AS seconds,
               sum(seconds::HUGEINT * seconds)::DOUBLE AS squares
        FROM {SIZED_TRIPS} JOIN delivered.trips USING (trip_key)
        WHERE month >= $first GROUP BY ALL
    )
    SELECT base, sum(events)::DOUBLE AS numerator, sum(seconds) / 3600.0 AS denominator,
           sum(level * seconds ORDER BY cannula) AS expected,
           sum(level ** 2 * squares ORDER BY cannula) AS expected_squared
    FROM of_size JOIN size_level USING (cannula)
    GROUP BY base HAVING sum(seconds) > 0 ORDER BY base
"""
_SHARES = """
    SELECT rule, base, sum(deviation)::DOUBLE AS numerator, sum(judged)::DOUBLE AS denominator
    FROM verdict_counts WHERE month >= $first
    GROUP BY rule, base HAVING sum(judged) > 0 ORDER BY rule, base
"""


def funnels(con: Connection, months: tuple[str, ...]) -> Frame:
    """Occlusion rate and each rule's deviation share by base; see `Funnels`.

    Call after the measures: reads their temporary counts. Fewer than two bases make no funnel.
    """
    from schemas.measure_outputs import Funnels

    first = {"first": months[-WINDOW_MONTHS:][0]}
    parts: list[Frame] = []
    rates = Frame.read(con.execute(_RATES, first))
    if len(rates) > 1:
        parts.append(_rate_rows(con, rates))
    shares = Frame.read(con.execute(_SHARES, first))
    for own in shares.groups("rule").values():
        if len(own) > 1:
            parts.append(_share_rows(shares.rows(own)))
    columns = list(Funnels.to_schema().columns)
    if not parts:
        return Frame.of_rows([], columns)
    return stacked(parts).only(columns)


def _rate_rows(con: Connection, counts: Frame) -> Frame:
    """Bases' occlusion rates: limits with the trips' clustering, hierarchical rates, the test."""
    from pipeline.statistics.clustered_intervals import effective_k
    from pipeline.statistics.funnels import INNER, OUTER, clustered_limits
    from pipeline.store.kept_results import kept, made_from_hash

    x, t = counts["numerator"], counts["denominator"]
    k_eff = effective_k(service_k(con), counts["expected"], counts["expected_squared"])
    made_from = made_from_hash(x.tolist(), t.tolist(), k_eff.tolist())
    found = kept(con, "occlusion rates of bases", made_from, lambda: _rates_of_bases(x, t, k_eff))
    target = PER_HOURS * float(x.sum() / t.sum())
    return _rows(
        counts.assign(power=found["power"]), "occlusion-rate", x / t * PER_HOURS, target,
        [clustered_limits(t, k_eff, target, PER_HOURS, level) for level in (INNER, OUTER)],
        {name: np.array(found[name], dtype=float) for name in ("estimate", "lower", "upper")},
        found["p"],
    )  # fmt: skip


def _rates_of_bases(x: Floats, t: Floats, k_eff: Floats) -> dict[str, Any]:
    """The hierarchical rates, p of the bases' difference, and what it can notice, as JSON."""
    from pipeline.statistics.base_rates import hierarchical_rates, power_of_rates, rates_differ

    rates = hierarchical_rates(x, t, k_eff, PER_HOURS)
    rate = float(x.sum() / t.sum())
    power = power_of_rates(t, k_eff, rate, seed=SEED) if rate else float("nan")
    return {
        **{name: getattr(rates, name).tolist() for name in ("estimate", "lower", "upper")},
        "p": rates_differ(x, t, k_eff, seed=SEED).p_value, "power": power,
    }  # fmt: skip


def _share_rows(counts: Frame) -> Frame:
    """A rule's shares by base: a trip is one trial, so that limits are exact binomial ones."""
    from pipeline.statistics.base_rates import shares_differ
    from pipeline.statistics.funnels import INNER, OUTER, binomial_limits
    from pipeline.statistics.shrinkage import beta_binomial

    x, n = counts["numerator"], counts["denominator"]
    target, shrunk = float(x.sum() / n.sum()), beta_binomial(x, n)
    return _rows(
        counts, "deviation-share", x / n, target,
        [binomial_limits(n, target, level) for level in (INNER, OUTER)],
        {name: getattr(shrunk, name) for name in ("estimate", "lower", "upper")},
        shares_differ(x, n, seed=SEED).p_value,
    )  # fmt: skip


def _rows(  # noqa: PLR0917 - the parts of a funnel in the order they are drawn
    counts: Frame,
    measure: str,
    value: Floats,
    target: float,
    limits: list[tuple[Floats, Floats]],
    drawn: dict[str, Floats],
    p: float,
) -> Frame:
    """A funnel as rows; `outside` tells of a base that may be named on which side it lies."""

    from pipeline.statistics.base_rates import named_side

    (inner_lower, inner_upper), (outer_lower, outer_upper) = limits
    return Frame({
        **counts.columns, "measure": measure, "value": value, "target": target,
        "inner_lower": inner_lower, "inner_upper": inner_upper,
        "outer_lower": outer_lower, "outer_upper": outer_upper,
        "outside": named_side(drawn["lower"], drawn["upper"], target, p), "p_differ": p,
        "shrunk": drawn["estimate"], "shrunk_low": drawn["lower"], "shrunk_high": drawn["upper"],
    })  # fmt: skip


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


def before_after_training(con: Connection, month: str) -> Frame:
    """Each base retrained: the rule's share after over before; see `BeforeAfterTraining`.

    Retraining of single crew members is left out: nobody is ranked. Call after `make_flags` of
    the loop: what readers put down to practice is counted beside the flags.
    """
    from pipeline.statistics.before_after import REGRESSION_TO_THE_MEAN, windows
    from pipeline.store.retrainings import held_retraining
    from schemas.measure_outputs import BeforeAfterTraining

    asked = _TRAINED.format(held=held_retraining(con))
    trained = con.execute(asked, {"month": month}).fetchall()
    counts = Frame.read(con.execute(_BY_MONTH)) if trained else Frame({})
    asked_of = []
    for when, base, rule in trained:
        own = counts.rows((counts["base"] == base) & (counts["rule"] == rule))
        at = month_number(when)
        prompted = [at - n for n in range(1, PROMPTED_MONTHS + 1)]
        asked_of.append((own, windows([month_number(m) for m in own["month"]], at, prompted)))
    compared = _compared(con, month, trained, asked_of)
    rows: list[dict[str, Any]] = []
    for (when, base, rule), (own, window), found in zip(trained, asked_of, compared, strict=True):
        rows.append(
            {
                "month": when, "base": base, "rule": rule,
                "before_events": found.before_events, "before_trips": found.before_trips,
                "after_events": found.after_events, "after_trips": found.after_trips,
                "ratio": found.ratio.ratio, "low": found.ratio.lower,
                "high": found.ratio.upper, "too_few": found.too_few,
                **_read(own, window), "window": _window(own, window, when),
                "warning": REGRESSION_TO_THE_MEAN,
            }
        )  # fmt: skip
    return _with_shares(Frame.of_rows(rows, BeforeAfterTraining.to_schema().columns))


def _with_shares(frame: Frame) -> Frame:
    """With the interval of each side's share."""
    from pipeline.statistics.intervals import wilson

    for side in ("before", "after"):
        share = wilson(frame[f"{side}_events"], frame[f"{side}_trips"])
        frame = frame.assign(**{f"{side}_low": share.lower, f"{side}_high": share.upper})
    return frame


def _compared(
    con: Connection,
    month: str,
    trained: list[tuple[str, str, str]],
    asked_of: list[tuple[Frame, Windows]],
) -> list[BeforeAfter]:
    """After over before of each retraining, or as it is kept: of flags alone, whatever is read."""
    from pipeline.statistics.before_after import before_after
    from pipeline.store.kept_results import kept, made_from_hash

    flags = [own.keys("month", "deviation", "judged") for own, _ in asked_of]
    return kept(
        con,
        f"before and after {month}",
        made_from_hash(trained, flags),
        lambda: [before_after(own["deviation"], own["judged"], window) for own, window in asked_of],
    )


def _read(own: Frame, window: Windows) -> dict[str, int]:
    """Of the flags before and after: those a reader concluded on, and put down to practice."""
    return {
        f"{side}_{name}": int(own[name][months].sum())
        for side, months in (("before", window.before), ("after", window.after))
        for name in ("read", "practice")
    }


def _window(own: Frame, window: Windows, when: str) -> str:
    """Which months were compared, and which left out, and why; months as YYYY-MM."""
    sides = []
    for side, chosen in (("Before", window.before), ("After", window.after)):
        months = sorted(own["month"][chosen])
        count = f"{len(months)} month{'' if len(months) == 1 else 's'}"
        sides.append(f"{side}: {count} ({_span(months)})." if months else f"{side}: no month.")
    prompted = [later(when, -PROMPTED_MONTHS), later(when, -1)]
    return (
        f"{' '.join(sides)} Left out: {when}, the month of the retraining, and"
        f" {_span(prompted)}, taken to have prompted it."
    )


def _span(months: list[str]) -> str:
    return " to ".join(dict.fromkeys((months[0], months[-1])))
