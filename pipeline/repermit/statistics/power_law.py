"""The power-law process: events of repairable units that come ever faster, or ever slower, with age.

Touches numpy and scipy.optimize only. Expected events of a unit by age t are proportional to t^shape, with a rate of its own for
each unit; shape 1 is a constant rate, above 1 is worsening. A unit is watched from age ``start`` (0: from new) to
age ``end``.

References
----------
[1] Crow L.H. (1975) Reliability Analysis for Complex, Repairable Systems. AMSAA Technical Report 138.
[2] MIL-HDBK-189C (2011) Reliability Growth Management, section 6.2.
[3] IEC 61164, Reliability growth: statistical test and estimation methods.
[4] Rigdon S.E., Basu A.P. (1989) The power law process: a model for the reliability of repairable systems.
    Journal of Quality Technology 21, 251-260.
[5] Efron B., Tibshirani R.J. (1993) An Introduction to the Bootstrap. Chapman & Hall.
[6] Besag J., Clifford P. (1991) Sequential Monte Carlo p-values. Biometrika 78, 301-304 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

from repermit.statistics.trend import MIN_UNITS, watched

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEAST_SHAPE = 1e-6
"""Below it a shape counts as 0."""
RESAMPLES = 1999
"""Units drawn again, or shapes drawn, so many times."""
ENOUGH = 50
"""Simulated histories as far off as the one seen that tell how often one is; p is above 0.05 where so many are of 999."""


@dataclass(frozen=True)
class PowerLaw:
    """A fitted process. nan where it can't be told.

    ``shape`` with limits ``low`` and ``high``. ``mean_now``: time between events at the end of the windows, with its
    limits: exposure of the recent part over the events expected there. ``fit``: Cramer-von Mises distance on
    own windows, ``fit_p`` its simulated p-value; small: no power law. ``from_units``: limits are from resampling
    units and speak of such units; else from the model, and of these units alone.
    """

    events: int
    units: int
    shape: float
    low: float
    high: float
    mean_now: float
    mean_now_low: float
    mean_now_high: float
    fit: float
    fit_p: float
    from_units: bool


def power_law(
    time: ArrayLike,
    unit: ArrayLike,
    start: ArrayLike,
    end: ArrayLike,
    *,
    recent: ArrayLike | None = None,
    at_risk_recent: ArrayLike | None = None,
    level: float = 0.95,
    seed: int = 1,
) -> PowerLaw:
    """Fit of units that share a shape, each with its own rate and on its own window (start, end].

    ``time`` and ``unit`` (n_events): ages at events, codes 0 to n_units - 1, in any order; ``start`` and ``end``
    (n_units): ages. The shape maximises the truncated likelihood, that is, of when events came given how many:

        sum over events of ln[shape t^(shape - 1) / (end^shape - start^shape)]

    With all starts 0 it is Crow's conditional estimate [1] [2]. The likelihood is concave, so that the root of
    its slope is its maximum; one at 0 or below (fewer events than 1/t brings) is given as 0. ``mean_now``
    [1] [3] is the exposure ``at_risk_recent`` (n_units, default: length of that part of the window; 0 = no longer
    watched) over the events that the fit expects in the last ``recent`` of time (one number or n_units; default: a
    thousandth of the longest window) of the units so watched. Limits: MIN_UNITS units or more, percentiles over units drawn
    again [5]; fewer, from the likelihood ratio [4], within some per cent of the limits that are exact from new [1].
    Cramer-von Mises with shape (n - 1) / n times the fitted one, as [1] on windows from new; its p-value
    from the fit simulated anew, so that own windows and the fitted shape are allowed for: 999 times (199 from 2,001
    events up), or until ENOUGH are as far off; then it is ENOUGH over the times so far, exact as the other is [6].

    Ties stand as they are. Zero events: nan, and every event at the end of its window: shape nan. Errors as in
    `trend_tests`, and ValueError for negative starts.
    """
    t, who, a, b = watched(time, unit, start, end)
    if (a < 0).any():
        raise ValueError("ages must not be negative")
    order = np.lexsort((t, who))
    t, who = t[order], who[order]
    counts = np.bincount(who, minlength=a.size).astype(np.float64)
    with np.errstate(divide="ignore"):
        width = np.log(b / a)  # infinite from new
    logs = np.log(t / b[who])
    from_units = a.size >= MIN_UNITS
    shape, nan = _shape(counts, width, math.fsum(logs)), math.nan
    if math.isnan(shape):
        return PowerLaw(t.size, a.size, nan, nan, nan, nan, nan, nan, nan, nan, from_units)
    last = _Recent(a, b, recent, at_risk_recent)
    now = last.mean(counts, shape)
    rng = np.random.default_rng(seed)
    if from_units:
        sums = np.asarray(np.bincount(who, weights=logs, minlength=a.size), dtype=np.float64)
        shapes, means = _resampled(counts, sums, width, shape, last, rng)
        fewer = means
    else:
        shapes, fewer, means = _possible(counts, width, math.fsum(logs), shape, last, rng)
    tail = (1 - level) / 2
    limits = _quantile(shapes, tail), _quantile(shapes, 1 - tail)
    now_limits = _quantile(fewer, tail), _quantile(means, 1 - tail)
    fit, fit_p = _goodness(logs, counts, width, who, shape, rng)
    return PowerLaw(t.size, a.size, shape, *limits, now, *now_limits, fit, fit_p, from_units)


def _pull(counts: FloatArray, width: FloatArray, shape: FloatArray) -> FloatArray:
    """What each unit's count and window bring into the slope of the likelihood, units by shapes:
    n (1 / shape - w / (e^(shape w) - 1)) with w = ln(end / start); the slope is their sum and that of ln(t / end)."""
    w, s = width[:, None], np.asarray(shape)[None, :]
    with np.errstate(invalid="ignore", over="ignore"):
        x = s * w
        started = np.where(np.isinf(w), 0.0, w / np.expm1(np.minimum(x, 700.0)))
        parts = np.where(x < 1e-5, w / 2 - x * w / 12, 1 / s - started)
    return np.where(counts[:, None] > 0, counts[:, None] * parts, 0.0)


def _shape(counts: FloatArray, width: FloatArray, logs: float) -> float:
    """Where the slope is zero; 0 where it is negative all along; nan without events, or all at their window's end."""
    has = counts > 0
    counts, width = counts[has], width[has]
    if not counts.size or logs == 0:
        return math.nan

    def slope(log_shape: float) -> float:
        return float(_pull(counts, width, np.array([math.exp(log_shape)])).sum() + logs)

    least, most = math.log(LEAST_SHAPE), math.log(-2 * counts.sum() / logs) if logs > -1e300 else 0.0
    if slope(least) <= 0:
        return 0.0
    return math.exp(float(optimize.brentq(slope, least, max(most, least + 1), xtol=1e-12)))


def _near(shape: float) -> FloatArray:
    """Shapes up to 30 times off the fitted one, close enough for straight lines between them: the nearer, the closer."""
    apart = np.sinh(np.linspace(-4.5, 4.5, 81)) / np.sinh(4.5)
    return np.asarray(max(shape, 0.1) * 30.0**apart)


def _roots(pull: FloatArray, logs: FloatArray, grid: FloatArray) -> FloatArray:
    """Shape at which each row of pull (rows by grid, falling) and its sum of logs are zero; 0 below the grid."""
    slope = pull + logs[:, None]
    after = (slope > 0).sum(1)
    inside = (after > 0) & (after < grid.size)
    found = np.where(after > 0, grid[-1], 0.0)
    rows, k = np.flatnonzero(inside), after[inside]
    up, down = slope[rows, k - 1], slope[rows, k]
    found[rows] = grid[k - 1] * (grid[k] / grid[k - 1]) ** (up / (up - down))
    return found


class _Recent:
    """The last part of the windows of the units that are still watched."""

    def __init__(
        self, a: FloatArray, b: FloatArray, recent: ArrayLike | None, at_risk: ArrayLike | None
    ) -> None:
        given = 1e-3 * float((b - a).max()) if recent is None else recent
        length = np.broadcast_to(np.asarray(given, dtype=np.float64), a.shape)
        if not (length >= 0).all() or not (length > 0).any():
            raise ValueError("recent must be 0 or more, and somewhere above 0")
        self.at_risk = np.minimum(length, b - a) if at_risk is None else np.asarray(at_risk, dtype=np.float64)
        if self.at_risk.shape != a.shape or not (np.isfinite(self.at_risk) & (self.at_risk >= 0)).all():
            raise ValueError("at_risk_recent must have one finite entry of 0 or more for each unit")
        with np.errstate(divide="ignore"):
            self.whole, self.part = np.log(b / a), np.log(b / np.maximum(a, b - length))

    def share(self, shape: FloatArray) -> FloatArray:
        """Share of a unit's events that the fit expects in the last part, units by shapes."""
        s = np.maximum(np.asarray(shape), LEAST_SHAPE)[None, :]
        with np.errstate(invalid="ignore"):
            parts = np.expm1(-s * self.part[:, None]) / np.expm1(-s * self.whole[:, None])
        return np.where(self.at_risk[:, None] > 0, parts, 0.0)

    def mean(self, counts: FloatArray, shape: float) -> float:
        """Exposure over expected events; nan where none are expected."""
        expected = float(counts @ self.share(np.array([shape]))[:, 0])
        return float(self.at_risk.sum()) / expected if expected > 0 else math.nan


def _resampled(
    counts: FloatArray,
    sums: FloatArray,
    width: FloatArray,
    shape: float,
    last: _Recent,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Shape and mean time now of units drawn again with replacement, from the units' sums alone."""
    grid = _near(shape)
    n, k = counts.size, grid.size
    pull, expected = _pull(counts, width, grid), counts[:, None] * last.share(grid)
    always = np.column_stack([pull[:, ::8], sums, last.at_risk])
    shapes, means = np.empty(RESAMPLES), np.empty(RESAMPLES)
    block = max(1, 1_000_000 // n)
    for first in range(0, RESAMPLES, block):
        rows = slice(first, min(first + block, RESAMPLES))
        drawn = rng.integers(0, n, (rows.stop - first, n))
        times = np.array([np.bincount(one, minlength=n) for one in drawn], dtype=np.float64)
        totals = times @ always
        # Roots lie together, so that most shapes of the grid are beyond all of them and need no sums.
        after = (totals[:, :-2] + totals[:, -2:-1] > 0).sum(1)
        start = min(8 * max(int(after.min()) - 1, 0), k - 2)
        near = slice(start, max(min(8 * int(after.max()) + 1, k), start + 2))
        near_sums = times @ np.column_stack([pull[:, near], expected[:, near]])
        middle = near.stop - near.start
        shapes[rows] = _roots(near_sums[:, :middle], totals[:, -2], grid[near])
        means[rows] = _mean_now(totals[:, -1], near_sums[:, middle:], shapes[rows], grid[near])
    return shapes, means


def _possible(
    counts: FloatArray, width: FloatArray, logs: float, shape: float, last: _Recent, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shapes that the events leave possible, by the signed root of the likelihood ratio, taken as normal; and mean
    times now with gamma counts: of one event more for the lower limit and of none for the upper, as exact
    Poisson limits have it."""
    grid = _near(shape)

    def likelihood(shapes: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore", invalid="ignore"):
            started = np.log(-np.expm1(-shapes[None, :] * width[:, None]))
        parts = counts[:, None] * np.where(counts[:, None] > 0, started, 0.0)
        return np.asarray(counts.sum() * np.log(shapes) + shapes * logs - parts.sum(0))

    best = likelihood(np.array([max(shape, LEAST_SHAPE)]))[0]
    root = np.sign(grid - shape) * np.sqrt(2 * np.maximum(best - likelihood(grid), 0.0))
    z = rng.standard_normal(RESAMPLES)
    shapes = np.where(z < root[0], 0.0, np.exp(np.interp(z, root, np.log(grid))))
    at_risk, share = np.full(RESAMPLES, last.at_risk.sum()), last.share(grid)
    means = [
        _mean_now(at_risk, rng.gamma(counts * more, size=(RESAMPLES, counts.size)) @ share, shapes, grid)
        for more in (1 + 1 / counts.sum(), 1.0)
    ]
    return shapes, means[0], means[1]


def _mean_now(at_risk: FloatArray, expected: FloatArray, shapes: FloatArray, grid: FloatArray) -> FloatArray:
    """Exposure over the events expected at each row's shape, read from the grid; infinite where none are."""
    index = np.clip(np.searchsorted(grid, shapes), 1, grid.size - 1)
    rows = np.arange(shapes.size)
    share = np.clip((shapes - grid[index - 1]) / (grid[index] - grid[index - 1]), 0, 1)
    there = expected[rows, index - 1] * (1 - share) + expected[rows, index] * share
    return np.asarray(np.divide(at_risk, there, out=np.full(shapes.size, np.inf), where=there > 0))


def _simulated(width: FloatArray, shape: float, times: int, rng: np.random.Generator) -> FloatArray:
    """ln(t / end) of so many simulated histories, times by events."""
    start = np.exp(-shape * width)
    u = rng.random((times, width.size))
    return np.asarray(np.log(u * (1 - start) + start) / shape)


def _distance(logs: FloatArray, width: FloatArray, shape: FloatArray) -> FloatArray:
    """Cramer-von Mises distance by row of logs (rows by events), each with its own shape."""
    m = logs.shape[1]
    s = np.maximum(shape * max(m - 1, 1) / m, LEAST_SHAPE)[:, None]
    start = np.exp(-s * width)
    u = np.sort((np.exp(s * logs) - start) / (1 - start), axis=1)
    middle = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    return np.asarray(1 / (12 * m) + ((u - middle) ** 2).sum(1))


def _goodness(
    logs: FloatArray,
    counts: FloatArray,
    width: FloatArray,
    who: IntArray,
    shape: float,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """Cramer-von Mises distance and how often the fit simulated anew is as far off, simulated until that is known [6]."""
    grid = _near(shape)
    pull, wide = _pull(counts, width, grid).sum(0), width[who]
    found = float(_distance(logs[None], wide, np.array([shape]))[0])
    if logs.size < 2:
        return found, math.nan
    most, done, beyond = 999 if logs.size <= 2_000 else 199, 0, 0
    while done < most:
        rows = min(max(5, 50_000 // logs.size), ENOUGH, most - done)
        drawn = _simulated(wide, max(shape, LEAST_SHAPE), rows, rng)
        again = _roots(np.broadcast_to(pull, (rows, pull.size)), drawn.sum(1), grid)
        as_far = beyond + np.cumsum(_distance(drawn, wide, again) >= found)
        if as_far[-1] >= ENOUGH:
            return found, ENOUGH / (done + 1 + int(np.argmax(as_far >= ENOUGH)))
        done, beyond = done + rows, int(as_far[-1])
    return found, (beyond + 1) / (most + 1)


def _quantile(values: FloatArray, at: float) -> float:
    """The quantile; nan where it is not finite."""
    found = float(np.quantile(values, at, method="inverted_cdf"))
    return found if math.isfinite(found) else math.nan
