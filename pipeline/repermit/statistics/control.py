"""Counts month by month: is one a signal, has the level shifted, and since when.

Touches numpy and its neighbour `comparison` only. It knows counts, exposures and the month of the year.

Each month is judged by the months before it alone, so that a verdict never changes when later months come.
A month is a signal when its rate lies outside 3-sigma limits of a u chart [1] around the rate of the months
before, widened by Laney's sigma_z where months scatter more than chance [2] and by what is not known of that
rate. A small lasting shift is found by a cumulative sum of log-likelihood ratios [3] [4], whose maximum gives the
month in which it began. Season is taken out by shrunken month-of-year factors once more than 24 months lie
before.

References
----------
[1] ISO 7870-2:2013 Control charts, part 2: Shewhart control charts (u chart).
[2] Laney D.B. (2002) Improved control charts for attributes. Quality Engineering 14, 531-537.
[3] Lucas J.M. (1985) Counted data CUSUMs. Technometrics 27, 129-144; ISO 7870-4:2021 Cumulative sum charts.
[4] Page E.S. (1954) Continuous inspection schemes. Biometrika 41, 100-115.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from repermit.statistics.comparison import rate_ratio

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SIGMAS = 3.0
LEAST_BEFORE = 12
"""Months on record before the first that is judged."""
LEAST_SINCE_SHIFT = 6
"""Months since a shift before months are judged against the new level."""
SEASON_AFTER = 24
"""The season is taken out of a month that has more than so many months before it."""
LEAST_SEASON = 60
SHIFT_RATIO = 1.5
"""The lasting shift that the cumulative sum is tuned to: half as many again, or a third fewer."""
SHIFT_LIMIT = 5.5
"""The log-likelihood ratio at which a shift is shown; see `watch` for the false alarms."""


def sigma_z(events: ArrayLike, exposure: ArrayLike, expected: ArrayLike | None = None) -> float:
    """Laney's sigma_z [2]: how much more than Poisson counts scatter from month to month.

    The mean moving range of z = (u - centre) / sqrt(centre / exposure) times sqrt(pi) / 2, in order of time.
    ``events``, ``exposure``: (n,). ``expected`` (n,) replaces centre * exposure, centre being the overall rate.
    1 where there are fewer than two months with something expected. A lasting shift moves one range only. Below 1
    the counts scatter less than by chance.
    """
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    m = e * y.sum() / e.sum() if expected is None else np.asarray(expected, dtype=np.float64)
    there = m > 0
    z = (y[there] - m[there]) / np.sqrt(m[there])
    return float(np.abs(np.diff(z)).mean() * np.sqrt(np.pi) / 2) if z.size > 1 else 1.0


def u_limits(
    centre: ArrayLike, exposure: ArrayLike, spread: float = 1.0, *, unsure: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Limits (low, high) of a rate: centre -+ 3 sqrt(spread^2 centre / exposure + unsure); low not below 0 [1] [2].

    ``spread`` is 1 for the plain u chart and sigma_z for Laney's. ``unsure`` is the variance of the centre itself,
    0 where it is taken as known. A rate on a limit is not outside. Zero exposure: nan.
    """
    c, e = np.asarray(centre, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    chance = np.divide(spread**2 * c, e, out=np.full(np.broadcast(c, e).shape, np.nan), where=e > 0)
    half = SIGMAS * np.sqrt(chance + unsure)
    return np.maximum(c - half, 0.0), c + half


def season_factors(
    events: ArrayLike, expected: ArrayLike, season: ArrayLike, spread: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Month-of-year factors (12,) shrunk towards 1, and their relative variances (12,).

    ``events``, ``expected`` (n,): by month, expected without a season; ``season`` (n,): 0 to 11. With y and m their
    sums by month of the year over spread^2, factors are gamma with mean 1 and variance 1 / a estimated by moments
    over the months of the year, and the factor is its posterior mean (y + a) / (m + a), with relative variance
    1 / (y + a). No more scatter than chance, or fewer than 60 events (five a month of the year), which can show no
    season: all 1, variance 0.
    """
    of = np.asarray(season, dtype=np.int64)
    y = np.bincount(of, np.asarray(events, dtype=np.float64) / spread**2, 12)
    m = np.bincount(of, np.asarray(expected, dtype=np.float64) / spread**2, 12)
    there = m > 0
    n = int(there.sum())
    if n < 2 or y.sum() < LEAST_SEASON:
        return np.ones(12), np.zeros(12)
    between = (((y - m) ** 2 - m)[there].sum() + m.sum() / n) / (m**2).sum() * n / (n - 1)
    if between <= 0:
        return np.ones(12), np.zeros(12)
    a = 1.0 / between
    return (y + a) / (m + a), 1.0 / (y + a)


def shift_scores(
    events: ArrayLike,
    exposure: ArrayLike,
    ratio: float,
    *,
    first: int = 0,
    known: tuple[float, float] = (0.5, 0.0),
) -> tuple[FloatArray, IntArray]:
    """For the last month: the log-likelihood ratio of a shift by ``ratio`` begun in each month, (n - first,).

    A shift at b says that the months from b to the last have ``ratio`` times the rate of those before. The rate
    before is not known: it is gamma, with ``known`` = (events, exposure) and the months before b behind it. With
    X0, E0 and X1, E1 the sums before and since, the ratio of the two predictive probabilities of X1 is

        X1 ln ratio - (X0 + X1) ln((E0 + ratio E1) / (E0 + E1))

    which for a well-known rate c is the cumulative sum of x - k with k = c e (ratio - 1) / ln ratio [3], times ln
    ratio; its maximum over b, or 0, is Page's sum [4]. Returns the scores and the months b, from ``first`` on. As each
    is a likelihood ratio, the probability that one ever reaches h in n months without a shift is at most n exp(-h).
    Raises ValueError for a ratio that is not positive or is 1.
    """
    if ratio <= 0 or ratio == 1:
        raise ValueError(f"a shift has a ratio above 0 and other than 1; it is {ratio}")
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    months = np.arange(first, y.size, dtype=np.int64)
    x0 = known[0] + np.concatenate(([0.0], np.cumsum(y)))[months]
    e0 = known[1] + np.concatenate(([0.0], np.cumsum(e)))[months]
    x1, e1 = known[0] + y.sum() - x0, known[1] + e.sum() - e0
    grows = np.log1p((ratio - 1) * np.divide(e1, e0 + e1, out=np.zeros_like(e1), where=e0 + e1 > 0))
    return x1 * np.log(ratio) - (x0 + x1) * grows, months


@dataclass(frozen=True)
class Shift:
    """A lasting shift: the month in which it was shown, the month in which it began, and its size with limits."""

    shown: int
    began: int
    ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class Watch:
    """By month (n,): centre and limits of its rate (nan where it is not judged), signal (1 high, -1 low, 0 none),
    whether it was judged and whether the season was taken out; and the shifts in order."""

    centre: FloatArray
    low: FloatArray
    high: FloatArray
    signal: IntArray
    judged: NDArray[np.bool_]
    season_out: NDArray[np.bool_]
    spread: float
    shifts: tuple[Shift, ...]


def watch(
    events: ArrayLike,
    exposure: ArrayLike,
    season: ArrayLike,
    *,
    level: float = 0.95,
    limit: float = SHIFT_LIMIT,
) -> Watch:
    """Judge months in order of time, each by those before it.

    ``events``, ``exposure`` (n,) by month; ``season`` (n,): month of the year, 0 to 11. Months without exposure are
    not judged and count for nothing. Months that were signals are left out of the level that later months are held
    against, and enter the cumulative sum with no more than their limit, so that one wild month makes no shift. After
    a shift the level is that of the months since it began. Shifts are told from the month on that has more than 24
    months before it, since before that a season can't be told from one.

    False alarms, by simulation, stand in DEVELOPERS.md. The size of a shift is the rate since it began over the rate
    before, with exact conditional limits for counts over spread^2; a shift is only told when it looks large, so its
    size is somewhat overstated. No events at all: every month judged, none a signal until one comes.
    """
    y, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
    of = np.asarray(season, dtype=np.int64)
    if not (y.shape == e.shape == of.shape) or y.ndim != 1:
        raise ValueError("events, exposure and season must be of one length")
    if (y < 0).any() or (e < 0).any() or not np.isfinite(y + e).all():
        raise ValueError("events and exposure must be finite and not negative")
    n, start, spread = y.size, 0, 1.0
    centre, low, high = (np.full(n, np.nan) for _ in range(3))
    signal, judged, season_out = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    capped = y.copy()
    shifts: list[Shift] = []
    for i in range(n):
        before = np.flatnonzero((e[:i] > 0) & (np.arange(i) >= start))
        if (e[:i] > 0).sum() < LEAST_BEFORE or before.size < LEAST_SINCE_SHIFT or e[i] <= 0:
            continue
        factor, unsure, spread = _level(y[:i], e[:i], of[:i], signal[:i], start)
        season_out[i] = i > SEASON_AFTER
        weighed = e[: i + 1] * factor[of[: i + 1]]
        held = before[signal[before] == 0] if (signal[before] == 0).any() else before
        x0, e0 = y[held].sum(), weighed[held].sum()
        c = x0 / e0 * factor[of[i]]
        variance = c**2 * (spread**2 / max(x0, 0.5) + unsure[of[i]])
        (lo,), (hi,) = u_limits([c], [e[i]], spread, unsure=variance)
        centre[i], low[i], high[i], judged[i] = c, lo, hi, True
        rate = y[i] / e[i]
        signal[i] = int(rate > hi) - int(rate < lo)
        capped[i] = np.clip(rate, lo, hi) * e[i]
        if not season_out[i]:
            continue
        shift = _shift(capped[start : i + 1], y[start : i + 1], weighed[start:], spread, limit, level, start)
        if shift is not None:
            shifts.append(shift)
            start = shift.began
            capped[start : i + 1] = y[start : i + 1]
    return Watch(centre, low, high, signal, judged, season_out, spread, tuple(shifts))


def _level(
    y: FloatArray, e: FloatArray, of: IntArray, signal: IntArray, start: int
) -> tuple[FloatArray, FloatArray, float]:
    """Season factors, their relative variances and the spread, from the months before.

    Levels are taken year by year, back from the last month, and apart before and after the last shift, so that
    neither a shift nor a trend is taken for a season or for scatter.
    """
    calm = np.flatnonzero((e > 0) & (signal == 0))
    whole = max(y.size // 12, 1)
    year = np.minimum((y.size - 1 - calm) // 12, whole - 1) * 2 + (calm >= start)
    y, e, of = y[calm], e[calm], of[calm]

    def expected(weighed: FloatArray) -> FloatArray:
        sums, exposure = np.bincount(year, y), np.bincount(year, weighed)
        level = np.divide(sums, exposure, out=np.zeros_like(sums), where=exposure > 0)
        found: FloatArray = weighed * level[year]
        return found

    m = expected(e)
    if signal.size <= SEASON_AFTER:
        overall = e * y.sum() / max(e.sum(), 1e-300)
        scatter = max(sigma_z(y, e, m), deviation(y, overall))
        return np.ones(12), np.zeros(12), _spread(scatter, y.size - 1)
    factor, unsure = season_factors(y, m, of, max(1.0, sigma_z(y, e, m)))
    freedom = y.size - whole - (11 if unsure.any() else 0)
    scatter = sigma_z(y, e, expected(e * factor[of])) * np.sqrt(y.size / freedom)
    return factor, unsure, _spread(scatter, freedom)


def deviation(y: FloatArray, m: FloatArray) -> float:
    """Root mean square of the normal scores of counts ``y`` (n,) about means ``m`` (n,), on n - 1 degrees of freedom.

    A slow season widens it where moving ranges don't see it. 0 where nothing is expected.
    """
    there = m > 0
    return float(np.sqrt(((y - m)[there] ** 2 / m[there]).sum() / max(there.sum() - 1, 1)))


def _spread(scatter: float, freedom: int) -> float:
    """The scatter beyond chance, never below 1, widened as it is itself uncertain (Student's t for the normal)."""
    tail = special.ndtr(-SIGMAS)
    widening = (special.stdtrit(max(freedom, 2), tail) / SIGMAS) ** 2
    return float(np.sqrt(1 + max(scatter**2 - 1, 0.0) * widening))


def _shift(
    capped: FloatArray, y: FloatArray, e: FloatArray, spread: float, limit: float, level: float, start: int
) -> Shift | None:
    """The shift that the months up to the last show, if any; sums are over spread^2."""
    first = LEAST_BEFORE if start == 0 else LEAST_SINCE_SHIFT
    best: tuple[float, int] | None = None
    for ratio in (SHIFT_RATIO, 1 / SHIFT_RATIO):
        scores, months = shift_scores(capped / spread**2, e, ratio, first=first)
        if months.size > 1:
            scores, months = scores[:-1], months[:-1]  # one month alone is no lasting shift
            top = int(scores.argmax())
            if scores[top] >= limit and (best is None or scores[top] > best[0]):
                best = float(scores[top]), int(months[top])
    if best is None:
        return None
    b = best[1]
    size = rate_ratio(y[b:].sum() / spread**2, e[b:].sum(), y[:b].sum() / spread**2, e[:b].sum(), level)
    return Shift(start + y.size - 1, start + b, *size)
