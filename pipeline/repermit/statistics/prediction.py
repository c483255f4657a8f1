"""How many events the next months will bring, with limits for the number itself.

Touches numpy, scipy.special and its neighbours `control` and `rates` only. It knows counts, exposures and the month of the year.

A future count varies by chance about a rate that is itself not known exactly; with a gamma rate it is negative
binomial [1] [2]. What months scatter beyond chance, what is not known of the season and of the exposure to come are
added to its variance.

References
----------
[1] Nelson W. (1970) Confidence intervals for the ratio of two Poisson means and Poisson predictor intervals. IEEE
    Transactions on Reliability R-19, 42-49.
[2] Hahn G.J., Meeker W.Q. (1991) Statistical Intervals. Wiley.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from repermit.statistics.control import SEASON_AFTER, deviation, season_factors, sigma_z
from repermit.statistics.rates import count_quantile

FloatArray = NDArray[np.float64]

BASE = 24
"""The level is that of the last so many months, and the season of all."""
LEAST = 6
"""Months on record before anything is forecast."""
RECENT = 3
"""Months that say how exposure stands against the same months a year before."""


def predictive_limits(
    mean: ArrayLike, variance: ArrayLike, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Limits (low, high), whole numbers, both included, of a count with this predictive mean and variance.

    Quantiles of the negative binomial distribution with them, of the Poisson where variance is not above the mean. For a
    Poisson count to come in exposure m, after X events in exposure n, mean is p = (X + 1/2) m / n and variance
    p + p^2 / (X + 1/2): the predictive distribution of a rate that is gamma (X + 1/2, n), whose limits keep close to the
    exact conditional ones of [1]. Mean 0: 0 to 0. Arguments broadcast. Raises ValueError for negative or missing ones.
    """
    m, v = np.broadcast_arrays(np.asarray(mean, dtype=np.float64), np.asarray(variance, dtype=np.float64))
    if not (np.isfinite(m + v) & (m >= 0) & (v >= 0)).all() or not 0 < level < 1:
        raise ValueError("mean and variance must be finite and not negative, level between 0 and 1")
    tail = (1 - level) / 2
    more = v > m * (1 + 1e-9)
    size = np.divide(m**2, v - m, out=np.ones_like(m), where=more & (m > 0))
    share = np.where(m > 0, size / (size + m), 1.0)
    found = []
    for p in (tail, 1 - tail):
        alone = count_quantile(p, special.pdtrik(p, m), lambda k: special.pdtr(k, m))
        spread = count_quantile(
            p, special.nbdtrik(p, size, share), lambda k: special.betainc(size, k + 1, share)
        )
        found.append(np.where(m == 0, 0.0, np.where(more, spread, alone)))
    return found[0], found[1]


@dataclass(frozen=True)
class Exposure:
    """Exposure to come (k,) by month, and its relative standard error (k,)."""

    amount: FloatArray
    error: FloatArray


def exposure_ahead(exposure: ArrayLike, days: ArrayLike, ahead_days: ArrayLike) -> Exposure:
    """Exposure of the months after the last, from those on record.

    ``exposure``, ``days`` (n,): by month, and its days in the calendar; ``ahead_days`` (k,). Per calendar day it is that
    of the same month a year before, times the last three months over the same three a year before, so that a fleet
    which grows or shrinks is followed; with fewer than 15 months on record, that of the last three. Its error is the
    root mean square of the relative errors of the same rule, made again at every earlier month; 10 % at least where
    fewer than six such forecasts can be held against what came. Zero exposure in the last three months: 0.
    """
    e, d = np.asarray(exposure, dtype=np.float64), np.asarray(days, dtype=np.float64)
    ahead = np.asarray(ahead_days, dtype=np.float64)
    per_day = e / d
    n, k = e.size, ahead.size
    amount = _daily(per_day, n, k) * ahead
    errors = []
    for at in range(max(2 * RECENT, 1), n):
        steps = min(k, n - at)
        came = per_day[at : at + steps]
        with np.errstate(divide="ignore", invalid="ignore"):
            off = np.where(came > 0, _daily(per_day[:at], at, steps) / came - 1, 0.0)
        errors.append(np.append(off, np.full(k - steps, np.nan)))
    table = np.array(errors).reshape(-1, k)[-BASE:]
    error = np.sqrt(np.nanmean(table**2, axis=0)) if table.shape[0] > k else np.full(k, 0.1)
    return Exposure(amount, np.maximum(error, 0.1) if table.shape[0] < 6 else error)


def _daily(per_day: FloatArray, n: int, k: int) -> FloatArray:
    recent = float(per_day[-RECENT:].mean()) if n else 0.0
    if n < 12 + RECENT or k > 12:
        return np.full(k, recent)
    year_before = float(per_day[n - 12 - RECENT : n - 12].mean())
    if year_before <= 0:
        return np.full(k, recent)
    found: FloatArray = per_day[n - 12 : n - 12 + k] * (recent / year_before)
    return found


@dataclass(frozen=True)
class Ahead:
    """Counts of the months ahead (k,): expected and limits; and the same of all of them together."""

    expected: FloatArray
    low: FloatArray
    high: FloatArray
    total: tuple[float, float, float]
    season_out: bool


def counts_ahead(
    events: ArrayLike, exposure: ArrayLike, season: ArrayLike, ahead: Exposure, ahead_season: ArrayLike,
    *, level: float = 0.95, size_mean: float = 1.0, size_variance: float = 0.0,
) -> Ahead:  # fmt: skip
    """Counts of the months ahead with predictive limits.

    ``events``, ``exposure``, ``season`` (n,): by month, season 0 to 11; ``ahead`` with ``ahead_season`` (k,). The rate is
    that of the last 24 months, (X + 1/2) / E, times month-of-year factors where more than 24 months are on record and
    show a season; with fewer a season can't be told, and widens the limits only as scatter. Variance of a month to come with mean p, with phi the variance of months over chance (Laney's
    sigma_z squared, with fewer than 25 months their mean square deviation if greater; never below 1) and X events in the base:

        phi p + p^2 (phi / (X + 1/2) + relative variance of the factor + squared relative error of the exposure)

    For a sum of sizes, such as minutes of work, ``size_mean`` and ``size_variance`` are those of one event's size: the
    mean is p size_mean, and the limits are those of a gamma variable with the variance of the compound sum.
    Months together share the rate and the exposure's error, and where no season can be told the scatter beyond chance,
    which are added before squaring. Zero events: from the half
    event; where exposure is 0, 0. Raises ValueError for fewer than two months.
    """
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    of, next_ = np.asarray(season, dtype=np.int64), np.asarray(ahead_season, dtype=np.int64)
    if y.size < 2 or not y.shape == e.shape == of.shape:
        raise ValueError("two months or more, with events, exposure and season of one length")
    level_of_all = e * y.sum() / e.sum() if e.sum() else e
    phi = max(1.0, sigma_z(y, e, level_of_all)) ** 2
    factor, unsure = np.ones(12), np.zeros(12)
    if y.size <= SEASON_AFTER:
        phi = max(phi, deviation(y, level_of_all) ** 2)
    else:
        factor, unsure = season_factors(y, level_of_all, of, float(np.sqrt(phi)))
    base = slice(-BASE, None)
    weighed = float((e * factor[of])[base].sum())
    x = float(y[base].sum()) + 0.5
    p = ahead.amount * factor[next_] * (x / weighed if weighed > 0 else 0.0)
    shared = phi / x + ahead.error**2
    variance = phi * p + p**2 * (shared + unsure[next_])
    # Where a season can't be told, what looks like scatter may push all months the same way.
    beyond = (phi - 1) * (p.sum() if y.size > SEASON_AFTER else np.sqrt(p).sum() ** 2)
    together = (
        p.sum()
        + beyond
        + p.sum() ** 2 * (phi / x)
        + (p * ahead.error).sum() ** 2
        + (p**2 * unsure[next_]).sum()
    )
    means, variances = np.append(p, p.sum()), np.append(variance, together)
    if size_mean == 1.0 and size_variance == 0.0:
        low, high = predictive_limits(means, variances, level)
    else:
        variances = variances * size_mean**2 + means * size_variance
        means = means * size_mean
        low, high = _sums(means, variances, level)
    return Ahead(
        means[:-1],
        low[:-1],
        high[:-1],
        (float(means[-1]), float(low[-1]), float(high[-1])),
        bool(unsure.any()),
    )


def _sums(mean: FloatArray, variance: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Limits of a sum of sizes: quantiles of the gamma distribution with this mean and variance."""
    there = (mean > 0) & (variance > 0)
    shape = np.divide(mean**2, variance, out=np.ones_like(mean), where=there)
    scale = np.divide(variance, mean, out=np.ones_like(mean), where=there)
    tail = (1 - level) / 2
    low, high = (np.where(there, special.gammaincinv(shape, p) * scale, mean) for p in (tail, 1 - tail))
    return low, high
