"""Who is truly worse: rates of many units drawn towards what units of their kind are like.

Touches numpy, scipy.optimize and scipy.special only. It knows units with a count of events over an exposure.

References
----------
[1] Gaver D.P., O'Muircheartaigh I.G. (1987) Robust empirical Bayes analyses of event rates. Technometrics 29, 1-15.
[2] Self S.G., Liang K.-Y. (1987) Asymptotic properties of maximum likelihood estimators and likelihood ratio tests
    under nonstandard conditions. J. Am. Stat. Assoc. 82, 605-610 (a test at the edge: half a chi-square).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Shrunken:
    """What n units' rates are, given how such units differ: gamma with ``shape`` and ``rate``.

    ``shape`` is infinite where the units show no difference beyond chance; then ``rate`` is too, and every unit has
    the rate of all. ``p``: how often alike units would differ as much. ``mean``, ``low``, ``high`` (n): each unit's
    rate and limits. ``worst`` (n): the probability that its rate is among the highest share of such units; nan where
    no difference is seen.
    """

    shape: float
    rate: float
    log_likelihood: float
    p: float
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    worst: FloatArray


def shrink(
    events: ArrayLike, exposure: ArrayLike, *, level: float = 0.95, worst_share: float = 0.1
) -> Shrunken:
    """Gamma-Poisson shrinkage by marginal maximum likelihood [1].

    Parameters, one entry for each of n units: ``events``, counts (fractions allowed); ``exposure``, 0 or more. A
    unit's count is Poisson about its rate times its exposure, rates are gamma with shape a and rate b, counts so
    negative binomial; a and b are those most likely. Given its count a unit's rate is gamma (a + y, b + e): its mean
    lies between the unit's own y / e and the mean of all, a / b. ``low`` and ``high`` are quantiles of it; they take
    a and b as known. ``worst``: its probability above the quantile 1 - ``worst_share`` of the gamma of all units.

    Ties and order change nothing. Zero exposure: the unit is as any other. Zero events in all: mean 0, shape
    infinite. No differences seen: the most likely shape is infinite; limits are then the exact ones of the one rate,
    and ``worst`` is nan. ``p`` is half the tail of chi-square on one degree of freedom, of the likelihood ratio to
    one rate for all [2]; 1 at the edge. Raises ValueError for negative or missing numbers, unequal lengths, no
    exposure at all, or shares outside (0, 1).
    """
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    if y.ndim != 1 or y.shape != e.shape or not (np.isfinite(y) & np.isfinite(e) & (y >= 0) & (e >= 0)).all():
        raise ValueError("events and exposure must be of one length, finite and not negative")
    if not e.sum() > 0 or (y[e == 0] > 0).any():
        raise ValueError("events need an exposure")
    if not (0 < level < 1 and 0 < worst_share < 1):
        raise ValueError("level and worst_share must lie between 0 and 1")
    tail, pooled = (1 - level) / 2, float(y.sum() / e.sum())
    alike = _alike(y, e, pooled)
    best = _peak(y, e, pooled) if pooled > 0 else None
    if best is None or best[2] <= alike + 1e-9:
        total = y.sum()
        low = special.gammaincinv(total, tail) / e.sum() if total else 0.0
        high = special.gammainccinv(total + 1, tail) / e.sum()
        same = np.ones(y.shape)
        return Shrunken(
            np.inf, np.inf, alike, 1.0, pooled * same, low * same, high * same, np.full(y.shape, np.nan)
        )
    a, b, found = best
    border = special.gammainccinv(a, worst_share) / b
    return Shrunken(
        a,
        b,
        found,
        float(special.chdtrc(1, 2 * (found - alike)) / 2),
        (a + y) / (b + e),
        special.gammaincinv(a + y, tail) / (b + e),
        special.gammainccinv(a + y, tail) / (b + e),
        special.gammaincc(a + y, border * (b + e)),
    )


def _alike(y: FloatArray, e: FloatArray, pooled: float) -> float:
    """Log-likelihood of one rate for all."""
    expected = pooled * e
    return float(np.sum(special.xlogy(y, expected) - expected - special.gammaln(y + 1)))


def _peak(y: FloatArray, e: FloatArray, pooled: float) -> tuple[float, float, float] | None:
    """(shape, rate, log-likelihood) where the marginal likelihood is highest; None if that is at infinite shape."""

    def over_mean(log_shape: float) -> tuple[float, float]:
        a = np.exp(log_shape)
        # log of Gamma(a + y) / (Gamma(a) a^y) is exact enough for large shapes only when written so.
        grown = special.gammaln(a + y) - special.gammaln(a) - y * log_shape
        if log_shape > 12:
            grown = y * (y - 1) / (2 * a)
        whatever_mean = float(np.sum(grown - special.gammaln(y + 1)))

        def loss(log_mean: float) -> float:
            expected = np.exp(log_mean) * e
            return -float(np.sum(special.xlogy(y, expected) - (a + y) * np.log1p(expected / a)))

        found = optimize.minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-8})
        return float(found.x), whatever_mean - float(found.fun)

    bounds = (np.log(pooled) - 12.0, float(np.log(np.max(y[e > 0] / e[e > 0]))) + 0.01)
    grid = np.linspace(-7, 14, 15)
    values = [over_mean(float(x))[1] for x in grid]
    top = int(np.argmax(values))
    if top in (0, grid.size - 1):
        return None
    found = optimize.minimize_scalar(
        lambda x: -over_mean(x)[1], (grid[top - 1], grid[top], grid[top + 1]), tol=1e-9
    )
    log_mean, value = over_mean(float(found.x))
    a = float(np.exp(found.x))
    return a, a / float(np.exp(log_mean)), value
