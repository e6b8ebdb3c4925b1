"""Adjusted rates and ratios with the service's k: the uncertainty of fitted effects.

Given the effects of a log-linear model fitted as if events were independent, and k, the covariance
of the effects follows: a trip at one size shares one gamma factor of shape k over all its
stretches, so the trip's counts have covariance diag(m) + m m' / k. With size indicators alone this
is 1/x + 1/k_eff for each size, the variance of :func:`clustered_intervals.rate_ratio`.

Source: Liang and Zeger 1986, Biometrika 73:13 (a working model's estimates, another's covariance).
"""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.statistics.charts import one_series
from pipeline.statistics.clustered_intervals import LARGEST_K
from pipeline.statistics.intervals import NORMAL_95, FloatArray, RatioInterval


def effects_covariance(
    design: ArrayLike, fitted: ArrayLike, unit: ArrayLike, k: float
) -> FloatArray:
    """Covariance (effects, effects) of the coefficients of a log-linear model.

    One row a stretch: ``design`` (rows, effects) with every column that was fitted, ``fitted``
    (rows,) the expected events, ``unit`` (rows,) labels of trip x size, whose stretches share one
    factor. Effects that cannot be told apart raise numpy's LinAlgError.
    """
    columns = np.asarray(design, dtype=np.float64)
    (mean,) = one_series(fitted)
    label = np.asarray(unit)
    if columns.ndim != 2 or len(columns) != len(mean) or label.shape != mean.shape:
        raise ValueError("design, fitted and unit must have the same rows")
    weighted = columns * mean[:, None]
    independent = weighted.T @ columns
    _, code = np.unique(label, return_inverse=True)
    order = np.argsort(code, kind="stable")
    starts = np.flatnonzero(np.diff(code[order], prepend=-1))
    by_unit = np.add.reduceat(weighted[order], starts, axis=0)
    shared = by_unit.T @ by_unit / min(k, LARGEST_K)
    inverse = np.linalg.inv(independent)
    return np.asarray(inverse @ (independent + shared) @ inverse, dtype=np.float64)


def effect_ratio(
    coefficients: ArrayLike, covariance: ArrayLike, contrast: ArrayLike
) -> RatioInterval:
    """exp(contrast . coefficients) with its 95 % interval on the log scale.

    ``contrast`` (effects,) for one ratio, or (ratios, effects) for several: 1 for the size and -1
    for the reference, 0 elsewhere.
    """
    beta, spread = np.asarray(coefficients, float), np.asarray(covariance, float)
    weights = np.asarray(contrast, dtype=np.float64)
    value = weights @ beta
    variance = np.einsum("...i,ij,...j->...", weights, spread, weights)
    half = NORMAL_95 * np.sqrt(variance)
    low, middle, high = (np.exp(value + sign * half) for sign in (-1, 0, 1))
    return RatioInterval(middle, low, high, "log-linear model, one k for the service")
