"""Which of two clocks explains events better, such as days and loads: likelihoods of the same models on each.

Touches numpy and scipy only.

References
----------
[1] Vuong Q.H. (1989) Likelihood ratio tests for model selection and non-nested hypotheses. Econometrica 57, 307-333.
[2] Crow L.H. (1975) Reliability Analysis for Complex, Repairable Systems. AMSAA Technical Report 138 (power law).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEAST_EXPOSURE = 0.5
"""Exposure of a cell that has events but none on record, in the clock's units, so that no model is ruled out by it."""


@dataclass(frozen=True)
class Clocks:
    """Log-likelihood on clock a less that on clock b, of a constant rate and of a power law; above 0: a is better.

    ``z`` and two-sided ``p`` of the constant rates' difference by Vuong's test over units; nan where it can't be
    told. ``shape_a`` and ``shape_b`` are the power laws' shapes on the clocks run since the unit's first cell.
    """

    constant: float
    power_law: float
    shape_a: float
    shape_b: float
    z: float
    p: float


def compare_clocks(events: ArrayLike, a: ArrayLike, b: ArrayLike) -> Clocks:
    """Compare two clocks on counts, shape (n_units, n_periods) of all three, periods in the order of time.

    On a clock with exposure e a constant rate expects rate * e in each cell, a power law scale * (u2^shape - u1^shape)
    with u the exposure of the unit before and after the period [2]. Both are fitted to all units together by
    maximum likelihood, counts taken as Poisson; each has as many parameters on one clock as on the other. Vuong's
    z [1] is the sum over units of the difference in log-likelihood over its standard error, so that unlike and
    repeating units widen it. Order of units changes nothing. Zero events, or clocks that are proportional: nan.
    Raises ValueError for unequal shapes and negative or infinite numbers.
    """
    n, first, second = (np.asarray(values, dtype=np.float64) for values in (events, a, b))
    if not (n.ndim == 2 and n.shape == first.shape == second.shape):
        raise ValueError("events and both exposures must be of one shape, units by periods")
    if not all(np.isfinite(x).all() and (x >= 0).all() for x in (n, first, second)):
        raise ValueError("events and exposures must be finite and not negative")
    if n.sum() == 0:
        return Clocks(*[math.nan] * 6)
    e_a, e_b = (np.where(n > 0, np.maximum(e, LEAST_EXPOSURE), e) for e in (first, second))
    apart = np.sort(_likelihood(n, e_a) - _likelihood(n, e_b))
    spread = float(np.std(apart, ddof=1)) if apart.size > 1 else 0.0
    total = math.fsum(apart)
    told = spread > 1e-9 * (1 + float(np.abs(apart).max()))
    z = total / (spread * math.sqrt(apart.size)) if told else math.nan
    (law_a, shape_a), (law_b, shape_b) = (_power_law(n, e) for e in (e_a, e_b))
    return Clocks(total, law_a - law_b, shape_a, shape_b, z, 2 * float(special.ndtr(-abs(z))))


def _likelihood(n: FloatArray, expected: FloatArray) -> FloatArray:
    """By unit, of counts whose expectation is proportional to `expected`, with the best factor for all."""
    scaled = expected * (n.sum() / expected.sum())
    return np.asarray((special.xlogy(n, scaled) - scaled).sum(1), dtype=np.float64)


def _power_law(n: FloatArray, exposure: FloatArray) -> tuple[float, float]:
    """Greatest log-likelihood over shapes from 0.1 to 10, and the shape."""
    after = np.cumsum(exposure, axis=1) / exposure.sum(1).max()
    before = np.concatenate([np.zeros((n.shape[0], 1)), after[:, :-1]], axis=1)

    def loss(log_shape: float) -> float:
        shape = math.exp(log_shape)
        grown = np.where(exposure > 0, np.maximum(after**shape - before**shape, 1e-300), 0.0)
        return -math.fsum(_likelihood(n, grown))

    best = optimize.minimize_scalar(
        loss, bounds=(math.log(0.1), math.log(10)), method="bounded", options={"xatol": 1e-8}
    )
    return -float(best.fun), math.exp(float(best.x))
