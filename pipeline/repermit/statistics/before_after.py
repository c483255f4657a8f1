"""Did a change work: events after it over those to be expected without it.

Touches numpy, scipy and its neighbour `comparison` only. It knows units, periods, counts and exposures.

Units that were chosen because they were bad come down by themselves (regression to the mean), and all units share
seasons and general drift. So a changed unit is held against its shrunken past: each unit's level is gamma about the
level of all units, changed and unchanged, and each period has its own level, which the unchanged units carry on
through the time after the change [1] [2]. As the counts that the choice was made from are in the model, it does not
matter that the choice was made from them.

References
----------
[1] Hauer E. (1997) Observational Before-After Studies in Road Safety. Pergamon (empirical Bayes method; from memory).
[2] Gaver D.P., O'Muircheartaigh I.G. (1987) Robust empirical Bayes analyses of event rates. Technometrics 29, 1-15.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from repermit.statistics.comparison import rate_ratio

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ALIKE = 1e4
"""A gamma shape from which on units are taken as alike."""
BLOCK = 3
"""Periods taken together to see whether a unit's events come in bursts."""
LEAST_FREEDOM = 30
ROUNDS = 200
CLOSE = 1e-7


@dataclass(frozen=True)
class Change:
    """What came after a change over what was to be expected without it.

    ``events``: those of the changed units since the change; ``expected``: without it. ``ratio`` with limits: nan
    where nothing was to be expected, or no unchanged unit says how the periods since went. ``shape``: of the gamma
    that units' levels follow, infinite where they show no difference. ``units`` changed, with exposure since.
    """

    events: float
    expected: float
    ratio: float
    low: float
    high: float
    shape: float
    units: int


def change_ratio(
    events: ArrayLike,
    exposure: ArrayLike,
    unit: ArrayLike,
    period: ArrayLike,
    after: ArrayLike,
    level: float = 0.95,
) -> Change:
    """Ratio of the events since a change to those expected without it, with limits clustered by unit.

    One entry a unit, period and side: ``events``, ``exposure``, ``unit`` and ``period`` (codes from 0), ``after``
    (true: of a changed unit since its change). A period in which a unit was changed has an entry on either side.

    A unit's events may come in bursts, such as repairs that did not hold: all counts and exposures are first divided by how
    much more than chance a unit's own events scatter in time, so that a burst is not taken for a bad unit.

    All entries but those after are fitted: events of unit i in period m are Poisson with mean level_i rate_m e_im,
    levels gamma with mean 1 and the shape that is most likely. What is expected after is, summed over the changed
    units, the posterior mean of its level times rate_m e_im. Its variance is that of the levels and of the rates
    (the robust one over units, or the model's where that is greater), brought into the limits as a count that
    tells as much, B = expected^2 / variance; the limits are those of `rate_ratio` for the events against B. The events
    are divided by how much more than the model says they scatter over the changed units, never by less than 1.

    Zero events after: ratio and low 0, high finite. A period after without events of fitted units counts as one
    without any to expect. Row order and the unit of exposure change nothing. Raises ValueError for unequal lengths and
    negative numbers.
    """
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    u, m, late = (
        np.asarray(unit, dtype=np.int64),
        np.asarray(period, dtype=np.int64),
        np.asarray(after, dtype=bool),
    )
    if not y.shape == e.shape == u.shape == m.shape == late.shape or y.ndim != 1:
        raise ValueError("events, exposure, unit, period and after must be of one length")
    if (y < 0).any() or (e < 0).any() or not np.isfinite(y + e).all():
        raise ValueError("events and exposure must be finite and not negative")
    n, size = int(u.max(initial=-1)) + 1, int(m.max(initial=-1)) + 1
    fit, nan = ~late & (e > 0), float("nan")
    ours = np.unique(u[late & (e > 0)])
    told = np.bincount(m[fit], minlength=size) > 0
    seen = late & (e > 0) & told[m] if size else late
    if not seen.any() or not y[fit].sum():
        return Change(float(y[late].sum()), 0.0, nan, nan, nan, float("inf"), ours.size)
    rate, shape = _fitted(y[fit], e[fit], u[fit], m[fit], n, size)
    bursts = _bursts(y[fit], (rate[m] * e)[fit], u[fit], m[fit], n)
    y, e = y / bursts, e / bursts
    rate, shape = _fitted(y[fit], e[fit], u[fit], m[fit], n, size)
    past = _sums((rate[m] * e)[fit], u[fit], n)
    sums = _sums(y[fit], u[fit], n)
    levels = (shape + sums) / (shape + past)
    ahead = _sums((rate[m] * e)[seen], u[seen], n)
    came = _sums(y[seen], u[seen], n)
    expected = float((levels * ahead).sum())
    if expected <= 0:
        return Change(float(came.sum()) * bursts, 0.0, nan, nan, nan, shape, ours.size)
    spread = levels / (shape + past)
    variance = float((ahead**2 * spread).sum())
    pull = _sums((levels[u] * rate[m] * e)[seen], m[seen], size)
    back = ahead * levels / (shape + past)
    pull -= _sums((back[u] * rate[m] * e)[fit], m[fit], size)
    variance += _of_rates(pull, y[fit], (rate[m] * e)[fit], u[fit], m[fit], levels, shape + past)
    ratio = float(came.sum()) / expected
    scatter = _scatter(came[ours], (levels * ahead)[ours], (ahead**2 * spread)[ours], ratio)
    worth = expected**2 / variance
    _, low, high = rate_ratio(came.sum() / scatter, expected / scatter, worth, worth, level)
    return Change(float(came.sum()) * bursts, expected * bursts, ratio, low, high, shape, ours.size)


def _bursts(y: FloatArray, mean: FloatArray, u: IntArray, m: IntArray, n: int) -> float:
    """How much more than chance a unit's own events scatter in time, by blocks of periods; never below 1.

    Pearson's statistic over its degrees of freedom, against each unit's share of its own sum.
    """
    blocks, cell = np.unique(u * (int(m.max()) + 1) + m // BLOCK, return_inverse=True)
    of = np.zeros(blocks.size, dtype=np.int64)
    of[cell] = u
    came, means = _sums(y, cell, blocks.size), _sums(mean, cell, blocks.size)
    sums, past = _sums(y, u, n), _sums(mean, u, n)
    share = np.divide(sums, past, out=np.zeros(n), where=past > 0)[of] * means
    there = share > 0
    freedom = int(there.sum()) - np.unique(of[there]).size - np.unique(m // BLOCK).size
    if freedom < LEAST_FREEDOM:
        return 1.0
    return max(1.0, float(((came - share)[there] ** 2 / share[there]).sum()) / freedom)


def _fitted(
    y: FloatArray, e: FloatArray, u: IntArray, m: IntArray, n: int, size: int
) -> tuple[FloatArray, float]:
    """Rates by period and the shape of the units' levels: most likely, by expectation and maximisation in turn."""
    sums, of_period = _sums(y, u, n), _sums(y, m, size)
    levels, rate, shape = np.ones(n), np.zeros(size), 1.0
    for _ in range(ROUNDS):
        exposed = _sums(levels[u] * e, m, size)
        before, rate = rate, np.divide(of_period, exposed, out=np.zeros(size), where=exposed > 0)
        past = _sums(rate[m] * e, u, n)
        shape = _shape(sums, past)
        levels = (shape + sums) / (shape + past)
        if np.abs(rate - before).max() <= CLOSE * rate.max():
            break
    return rate, shape


def _shape(sums: FloatArray, past: FloatArray) -> float:
    """The most likely shape of the gamma of mean 1 that levels follow, counts being negative binomial."""
    there = past > 0
    y, m = sums[there], past[there]

    def loss(log_shape: float) -> float:
        a = float(np.exp(log_shape))
        grown = special.gammaln(a + y) - special.gammaln(a) - y * log_shape
        return -float((grown - (a + y) * np.log1p(m / a)).sum())

    found = optimize.minimize_scalar(loss, bounds=(np.log(0.02), np.log(ALIKE)), method="bounded")
    return float(np.exp(found.x))


def _of_rates(
    pull: FloatArray,
    y: FloatArray,
    mean: FloatArray,
    u: IntArray,
    m: IntArray,
    levels: FloatArray,
    total: FloatArray,
) -> float:
    """Variance of the expected sum that comes from the rates by period, ``pull`` being its derivative by their logs.

    Information of the negative binomial likelihood, and the sandwich of the units' scores around it.
    """
    used = np.unique(m[y > 0])
    kept = np.isin(m, used)
    y, mean, u, place = y[kept], mean[kept], u[kept], np.searchsorted(used, m[kept])
    cells = np.zeros((levels.size, used.size))
    np.add.at(cells, (u, place), mean)
    counts = np.zeros_like(cells)
    np.add.at(counts, (u, place), y)
    information = (
        np.diag((levels[:, None] * cells).sum(axis=0)) - (cells * (levels / total)[:, None]).T @ cells
    )
    along = np.linalg.lstsq(information, pull[used], rcond=None)[0]
    scores = (counts - levels[:, None] * cells) @ along
    n = np.count_nonzero(cells.sum(axis=1))
    return float(max(pull[used] @ along, (scores**2).sum() * n / max(n - 1, 1)))


def _scatter(came: FloatArray, expected: FloatArray, of_levels: FloatArray, ratio: float) -> float:
    """How much more than the model says the events scatter over the changed units; never below 1."""
    if came.size < 2 or ratio <= 0:
        return 1.0
    says = ratio * expected + ratio**2 * of_levels
    return max(1.0, float(((came - ratio * expected) ** 2).sum() / says.sum()) * came.size / (came.size - 1))


def _sums(values: FloatArray, of: IntArray, size: int) -> FloatArray:
    return np.bincount(of, values, size).astype(np.float64)
