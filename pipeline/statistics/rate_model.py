"""Rates compared between groups, crude and adjusted for what else differs between them.

A log-linear model with exposure as offset, fitted as if events were independent. Rows are stretches
of trips with the same values throughout; the intervals take the stretches of a trip in one group to
share a gamma factor of the service's shape k (:mod:`clustered_effects`).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics import special
from pipeline.statistics.charts import BoolArray, IntArray, one_series
from pipeline.statistics.clustered_effects import effect_ratio, effects_covariance
from pipeline.statistics.intervals import FloatArray, as_float
from schemas.record import dataclass

MIN_EVENT_TRIPS = 5
"""With fewer trips that had an event, rates are not compared or adjusted."""

MOST_STEPS, SETTLED = 100, 1e-10
"""A fit has settled where a step changes the deviance by no more."""

WIDEST = 10.0
"""Half-width on the log scale from which an interval (a factor of 22,000) is no answer."""


@dataclass(frozen=True)
class Estimate:
    """An estimate with its interval; NaN throughout where there is too little to say."""

    estimate: float
    lower: float
    upper: float


UNKNOWN = Estimate(float("nan"), float("nan"), float("nan"))


@dataclass(frozen=True)
class GroupRate:
    """One group: its ratio to the reference, crude and adjusted, and its adjusted rate.

    Rates are per ``per`` units of exposure; the adjusted rate is what the group's would be at the
    whole service's own mix of the covariates. The ratios are 1 in the reference group itself.
    ``too_few`` tells that there is no ratio, and ``reason`` in a sentence why.
    """

    label: str
    crude_ratio: Estimate
    adjusted_rate: Estimate
    adjusted_ratio: Estimate
    too_few: bool
    reason: str


@dataclass(frozen=True)
class RateModel:
    """Groups in the order of their labels, and the covariates' rate ratios.

    ``dropped`` names covariates that could not be told apart from others or had
    no event at one of their levels; ``rows_left_out`` counts rows that miss a value or have no
    exposure, whose events (``events_left_out``) are in no figure here. ``reason`` says in a
    sentence why nothing could be adjusted, else it is empty.
    """

    groups: tuple[GroupRate, ...]
    terms: tuple[tuple[str, Estimate], ...]
    dropped: tuple[str, ...]
    rows_left_out: int
    events_left_out: float
    method: str
    reason: str


@dataclass(frozen=True)
class _Rows:
    """Usable rows; ``trip`` and ``group`` are codes from 0."""

    events: FloatArray
    exposure: FloatArray
    trip: IntArray
    group: IntArray
    covariates: FloatArray


@dataclass(frozen=True)
class _Design:
    """What is fitted: the constant stands for the first group, then one column a further group.

    ``active`` are the covariates, in the columns after the groups. ``alive`` marks the rows at
    levels that have events, ``kept`` those of them in the groups compared.
    """

    groups: tuple[int, ...]
    active: tuple[int, ...]
    alive: BoolArray
    kept: BoolArray
    dropped: tuple[str, ...]

    def matrix(self, rows: _Rows, kept: BoolArray) -> FloatArray:
        """Design matrix of the rows marked by ``kept``."""
        group = rows.group[kept]
        columns = [np.ones(len(group)), *(group == g for g in self.groups[1:])]
        columns += [rows.covariates[kept, j] for j in self.active]
        return np.column_stack(columns).astype(np.float64)


@dataclass(frozen=True)
class _Fit:
    """Coefficients and their covariance, with the events of a trip in one group clustered."""

    coefficients: FloatArray
    covariance: FloatArray

    def log_linear(self, weights: FloatArray, value: float) -> Estimate:
        """95 % interval of exp(value); ``weights`` is the derivative of value by coefficient."""
        change = effect_ratio(np.zeros(len(weights)), self.covariance, weights)
        if not np.isfinite(change.upper) or np.log(change.upper) > WIDEST:
            return UNKNOWN
        middle = float(np.exp(value))
        return Estimate(middle, middle * float(change.lower), middle * float(change.upper))


def rate_model(
    events: ArrayLike,
    exposure: ArrayLike,
    group: Sequence[str] | ArrayLike,
    *,
    reference: str,
    k: float,
    trip: ArrayLike | None = None,
    covariates: ArrayLike | None = None,
    names: Sequence[str] = (),
    per: float = 1.0,
) -> RateModel:
    """Compare groups' rates with that of ``reference``, with and without the covariates.

    One entry a row: ``events`` (counts), ``exposure`` (hours or any unit), ``group`` (labels),
    ``trip`` (labels; without it every row is a trip) and ``covariates``, a matrix of rows by
    ``names`` without a constant column: indicators, or numbers on whose scale the log rate is
    linear. ``k`` is the service's shape. Rows that miss a value or have no exposure are left out
    and counted. Where there is too little to compare, the result says so; only inputs of the wrong
    shape, or counts below 0, raise
    ValueError.
    """
    # long: eight named arguments and what each means
    rows, labels, left = _usable(events, exposure, group, trip, covariates)
    if rows.covariates.shape[1] != len(names):
        raise ValueError("one name for each covariate")
    few = [_few(rows, i) for i in range(len(labels))]
    base = labels.index(reference) if reference in labels else -1
    problem = "No row of the reference group." if base < 0 else few[base]
    fitted = None if problem else _compare(rows, base, few, names, k)
    if fitted is None and not problem:
        problem = "The model could not be fitted: too little to tell the terms apart."

    def group_rate(i: int) -> GroupRate:
        too_few = few[i] or problem
        found = (UNKNOWN, UNKNOWN, UNKNOWN)
        if fitted and not too_few:
            found = fitted.group(i, rows, per)
            if np.isnan([e.estimate for e in found]).any():
                too_few, found = "Too few to say: no bounds worth the name.", (UNKNOWN,) * 3
        return GroupRate(labels[i], *found, bool(too_few), too_few)

    return RateModel(
        groups=tuple(group_rate(i) for i in range(len(labels))),
        terms=fitted.terms(names) if fitted else (),
        dropped=fitted.design.dropped if fitted else (),
        rows_left_out=left[0],
        events_left_out=left[1],
        method="log-linear model, one k for the service",
        reason=problem,
    )


@dataclass(frozen=True)
class _Compared:
    """The model with groups alone, and the one with the covariates."""

    design: _Design
    plain: _Fit
    full: _Fit

    def group(self, group: int, rows: _Rows, per: float) -> tuple[Estimate, Estimate, Estimate]:
        """Crude ratio, adjusted rate, adjusted ratio."""
        column = self.design.groups.index(group)
        rate = _standardised(self.full, rows, self.design, column, per)
        return _ratio(self.plain, column), rate, _ratio(self.full, column)

    def terms(self, names: Sequence[str]) -> tuple[tuple[str, Estimate], ...]:
        """Rate ratio of each covariate that was fitted, for one unit of it."""
        first = len(self.design.groups)
        return tuple(
            (names[j], _ratio(self.full, first + k)) for k, j in enumerate(self.design.active)
        )


def _compare(
    rows: _Rows, base: int, few: Sequence[str], names: Sequence[str], k: float
) -> _Compared | None:
    others = [i for i in range(len(few)) if i != base and not few[i]]
    design = _estimable(rows, (base, *others), names)
    everyone = np.isin(rows.group, design.groups)
    plain = _fit(rows, replace(design, active=(), kept=everyone), k)
    full = _fit(rows, design, k)
    return _Compared(design, plain, full) if plain and full else None


def _usable(
    events: ArrayLike,
    exposure: ArrayLike,
    group: Sequence[str] | ArrayLike,
    trip: ArrayLike | None,
    covariates: ArrayLike | None,
) -> tuple[_Rows, list[str], tuple[int, float]]:
    x, t = one_series(events, exposure)
    n = len(x)
    given = np.asarray(group)
    named = given.astype(str)
    trips = np.arange(n) if trip is None else np.asarray(trip)
    matrix = np.zeros((n, 0)) if covariates is None else np.asarray(covariates, dtype=np.float64)
    if named.shape != (n,) or trips.shape != (n,) or matrix.ndim != 2 or len(matrix) != n:
        raise ValueError("events, exposure, group, trip and covariates must have the same rows")
    if np.any(x < 0) or np.any(t < 0):
        raise ValueError("a count or an exposure below 0")
    kept = np.isfinite(x) & (t > 0) & np.isfinite(t) & np.isfinite(matrix).all(axis=1)
    if given.dtype == object:  # where a missing label is None or NaN, which equals nothing
        nothing: object = None
        kept &= ~np.asarray((given == nothing) | (given != given), dtype=bool)  # noqa: PLR0124
    labels, code = np.unique(named[kept], return_inverse=True)
    _, ride = np.unique(trips[kept], return_inverse=True)
    rows = _Rows(x[kept], t[kept], ride.astype(np.int64), code.astype(np.int64), matrix[kept])
    left = (int(n - kept.sum()), float(np.nansum(x[~kept])))
    return rows, [str(label) for label in labels], left


def _few(rows: _Rows, group: int) -> str:
    """Why a group cannot be compared; empty where it can."""
    happened = np.unique(rows.trip[(rows.group == group) & (rows.events > 0)])
    if len(happened) == 0:
        return "Too few to say: no event."
    if len(happened) >= MIN_EVENT_TRIPS:
        return ""
    return f"Too few to say: trips with an event {len(happened)}, needed {MIN_EVENT_TRIPS}."


def _estimable(rows: _Rows, groups: tuple[int, ...], names: Sequence[str]) -> _Design:
    """Leave out what the data cannot tell: levels without an event, and columns that repeat others.

    Rows at a level without any event pull that level's rate to 0 and say nothing of the rest.
    """
    member = np.isin(rows.group, groups)
    alive = np.ones(len(member), dtype=bool)
    active: list[int] = []
    dropped: list[str] = []
    for j, name in enumerate(names):
        at = rows.covariates[:, j] != 0
        kept = member & alive
        indicator = len(np.unique(rows.covariates[kept & at, j])) == 1
        if rows.events[kept & at].sum() == 0:
            alive &= ~at
        elif indicator and rows.events[kept & ~at].sum() == 0:
            alive &= at
        else:
            active.append(j)
            continue
        dropped.append(name)
    kept = member & alive
    everything = _Design(groups, tuple(active), alive, kept, ())
    all_columns, _ = _distinct(everything.matrix(rows, kept))
    scale = np.linalg.norm(all_columns, axis=0)
    scale[scale == 0] = 1.0
    own = np.abs(np.diag(np.linalg.qr(all_columns / scale, mode="r")))[len(groups) :] > 1e-7
    dropped += [names[j] for j, good in zip(active, own, strict=True) if not good]
    final = tuple(j for j, good in zip(active, own, strict=True) if good)
    return replace(everything, active=final, dropped=tuple(dropped))


def _distinct(matrix: FloatArray) -> tuple[FloatArray, IntArray]:
    """The distinct rows in order, and which of them each row is: np.unique by rows, but quicker.

    Sorting numbers is many times faster than sorting rows, so that each column's value becomes its
    rank and a row one number.
    """
    row = np.zeros(len(matrix), dtype=np.int64)
    span = 1
    for column in matrix.T:
        values, rank = np.unique(column, return_inverse=True)
        if span * len(values) > 2**62:
            ranked, row = np.unique(row, return_inverse=True)
            span = len(ranked)
        row = row * len(values) + rank
        span *= len(values)
    _, first, cell = np.unique(row, return_index=True, return_inverse=True)
    return matrix[first], cell.astype(np.int64)


def _fit(rows: _Rows, design: _Design, k: float) -> _Fit | None:
    """Fit the groups and the active covariates; None where that fails."""
    kept = design.kept
    matrix, events, exposure = design.matrix(rows, kept), rows.events[kept], rows.exposure[kept]
    # rows alike in everything are added up first: the fit is the same, and many times faster
    cells, cell = _distinct(matrix)
    try:
        with np.errstate(all="ignore"):
            counts, hours = as_float(np.bincount(cell, events), np.bincount(cell, exposure))
            coefficients = _poisson_coefficients(counts, cells, np.log(hours))
            mean = exposure * np.exp(matrix @ coefficients)
            unit = rows.trip[kept] * (1 + rows.group.max()) + rows.group[kept]
            covariance = effects_covariance(matrix, mean, unit, k)
    except (np.linalg.LinAlgError, ValueError, FloatingPointError):
        return None
    if not (np.isfinite(covariance).all() and np.isfinite(coefficients).all()):
        return None
    return _Fit(coefficients, covariance)


def _poisson_coefficients(counts: FloatArray, matrix: FloatArray, offset: FloatArray) -> FloatArray:
    """Maximum likelihood by iteratively reweighted least squares; NaN where it does not settle.

    statsmodels has it, and takes longer to import than everything else here to run.
    Source: McCullagh and Nelder 1989, Generalized Linear Models, section 2.5.
    """
    mean, before = (counts + counts.mean()) / 2, np.inf
    for _ in range(MOST_STEPS):
        weight = np.sqrt(mean)
        wanted = np.log(mean) - offset + (counts - mean) / mean
        coefficients, *_ = np.linalg.lstsq(matrix * weight[:, None], wanted * weight)
        mean = np.exp(matrix @ coefficients + offset)
        deviance = 2 * float(np.sum(special.xlogy(counts, counts / mean) - counts + mean))
        if abs(deviance - before) <= SETTLED:
            return np.asarray(coefficients)
        before = deviance
    return np.full(matrix.shape[1], np.nan)


def _ratio(fit: _Fit, column: int) -> Estimate:
    if column == 0:
        return Estimate(1.0, 1.0, 1.0)
    weights = np.zeros(len(fit.coefficients))
    weights[column] = 1.0
    return fit.log_linear(weights, float(fit.coefficients[column]))


def _standardised(fit: _Fit, rows: _Rows, design: _Design, column: int, per: float) -> Estimate:
    """Rate of a group over the whole service's exposure, at each row's own covariates."""
    matrix = design.matrix(rows, design.alive)
    matrix[:, 1 : len(design.groups)] = 0.0
    if column:
        matrix[:, column] = 1.0
    expected = rows.exposure[design.alive] * np.exp(matrix @ fit.coefficients)
    total = float(expected.sum())
    weights = expected @ matrix / total
    return fit.log_linear(weights, float(np.log(total / rows.exposure.sum() * per)))
