"""Tests of whether events of repairable units come faster or slower with time.

Touches numpy and scipy.special only. Each unit is watched on its own window (start, end]; time may be any clock
on which a unit without trend has events at a constant rate. z > 0 is worsening: events crowd towards the end.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.3.4.
[2] Ascher H., Feingold H. (1984) Repairable Systems Reliability. Marcel Dekker.
[3] Kvaloy J.T. (1998) Tests for trend in more than one repairable system. ESREL 1998 (pooled tests).
[4] Lewis P.A.W., Robinson D.W. (1974) Testing for a monotone trend in a modulated renewal process. In:
    Proschan F., Serfling R.J. (eds), Reliability and Biometry. SIAM (from memory).
[5] Lawless J.F., Nadeau C. (1995) Some simple robust methods for the analysis of recurrent events.
    Technometrics 37, 158-168 (variance over units).
[6] Boos D.D. (1992) On generalized score tests. The American Statistician 46, 327-333.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
MIN_UNITS = 10
"""Units watched below which their scatter is too uncertain for the robust test."""
PSEUDO_EVENTS = 3.0
"""Weight, in events, of *no season* in the factor of each month of the year."""


@dataclass(frozen=True)
class TrendTests:
    """Laplace pooled (model variance) and robust (variance over units), MIL-HDBK-189 chi-square; p two-sided.

    ``events`` counts those tested, ``units`` the units watched. nan where there are no events, and ``robust_z``
    with fewer than MIN_UNITS units.
    """

    events: int
    units: int
    laplace_z: float
    laplace_p: float
    robust_z: float
    robust_p: float
    chi2: float
    chi2_df: int
    chi2_p: float


@dataclass(frozen=True)
class SeasonalTest:
    """Robust z and two-sided p of one group of units with the season taken out, and its units with exposure."""

    z: float
    p: float
    units: int


def trend_tests(
    time: ArrayLike,
    unit: ArrayLike,
    start: ArrayLike,
    end: ArrayLike,
    *,
    ended_by: Literal["time", "failure"] = "time",
) -> TrendTests:
    """Pooled trend tests that allow each unit its own rate [1] [2] [3] and, of the robust one, its own scatter [5].

    ``time`` and ``unit`` (n_events): when which unit (0 to n_units - 1) had an event, in any order; ``start`` and
    ``end`` (n_units): its window. With n_i events of a unit on (a_i, b_i] and U_i = sum (t - (a_i + b_i) / 2),

        laplace_z = sum U_i / sqrt(sum n_i (b_i - a_i)^2 / 12),  robust_z = sum U_i / sqrt(sum U_i^2)
        chi2 = 2 sum ln((b_i - a_i) / (t - a_i)) on 2 sum n_i degrees of freedom, small = worsening

    ``ended_by="failure"``: a unit's window ends with its last event, which is then not tested. Ties count as
    they stand. Zero events: nan. Raises ValueError for unequal lengths, numbers that are not finite, empty
    windows and events outside their window (start excluded, end included).
    """
    t, who, a, b = watched(time, unit, start, end)
    if ended_by == "failure":
        b = np.where(np.bincount(who, minlength=a.size) > 0, _last(t, who, a), b)
        drop = np.zeros(t.size, dtype=bool)
        order = np.lexsort((t, who))
        drop[order[np.append(who[order][1:] != who[order][:-1], True)[: t.size]]] = True
        t, who = t[~drop], who[~drop]
    if not t.size:
        nan = math.nan
        return TrendTests(0, a.size, nan, nan, nan, nan, nan, 0, nan)
    order = np.lexsort((t, who))  # one order of summing, whatever the order given
    t, who = t[order], who[order]
    score = _by(who, t - (a + b)[who] / 2, a.size)
    variance = math.fsum((b - a)[who] ** 2) / 12
    pooled = math.fsum(score) / math.sqrt(variance)
    robust = robust_z(score, a.size)
    chi2 = 2 * math.fsum(np.log((b - a)[who] / (t - a[who])))
    df = 2 * t.size
    tails = float(special.chdtr(df, chi2)), float(special.chdtrc(df, chi2))
    return TrendTests(
        int(t.size),
        a.size,
        pooled,
        two_sided(pooled),
        robust,
        two_sided(robust),
        chi2,
        df,
        min(1.0, 2 * min(tails)),
    )


def lewis_robinson(
    time: ArrayLike, start: float, end: float, *, ended_by: Literal["time", "failure"] = "time"
) -> float:
    """z of Lewis and Robinson [4] for one unit: Laplace's over the coefficient of variation of its intervals.

    So it holds where intervals between events are more, or less, uneven than a constant rate gives. ``time``
    (n): events on (start, end], in any order; intervals run from start to the first event and between events.
    Fewer than 3 events, or intervals all equal: nan. Errors as in `trend_tests`.
    """
    times = np.sort(np.asarray(time, dtype=np.float64))
    pooled = trend_tests(times, np.zeros(times.size, dtype=int), [start], [end], ended_by=ended_by).laplace_z
    gaps = np.diff(times, prepend=start)
    spread = float(np.std(gaps, ddof=1)) if times.size >= 3 else 0.0
    return pooled * float(np.mean(gaps)) / spread if spread > 0 else math.nan


class SeasonalCounts:
    """Counts by unit and calendar month, with each unit's own rate and a season common to all units fitted.

    ``events``, ``exposure``, ``unit`` (codes 0 to n - 1), ``month`` (whole number, running on over the years; its
    remainder by 12 is the month of the year), one entry a cell, in any order; cells without exposure count for
    nothing. Expected of a cell: rate of the unit times factor of the month of the year times exposure; a factor
    is drawn towards 1 by PSEUDO_EVENTS, so that few events make no season. Zero events: all factors 1.
    Raises ValueError for unequal lengths and negative or infinite numbers.
    """

    def __init__(self, events: ArrayLike, exposure: ArrayLike, unit: ArrayLike, month: ArrayLike) -> None:
        n, e = np.asarray(events, dtype=np.float64), np.asarray(exposure, dtype=np.float64)
        who, when = np.asarray(unit, dtype=np.int64), np.asarray(month, dtype=np.int64)
        if not (n.ndim == 1 and n.shape == e.shape == who.shape == when.shape):
            raise ValueError("events, exposure, unit and month must be of one length")
        if not (np.isfinite(n) & np.isfinite(e) & (n >= 0) & (e >= 0)).all():
            raise ValueError("events and exposure must be finite and not negative")
        order = np.lexsort((e, n, when, who))
        order = order[e[order] > 0]
        self.events, self.unit, self.month = n[order], who[order], when[order]
        self.units = int(who.max()) + 1 if who.size else 0
        self.exposed = np.bincount(self.unit, minlength=self.units) > 0
        self.expected, self.factors = self._fit(e[order])

    def _fit(self, exposure: FloatArray) -> tuple[FloatArray, FloatArray]:
        of_year = self.month % 12
        by_unit = np.bincount(self.unit, weights=self.events, minlength=self.units)
        by_month = np.bincount(of_year, weights=self.events, minlength=12)
        cells = np.bincount(self.unit * 12 + of_year, weights=exposure, minlength=self.units * 12)
        cells, factors = cells.reshape(-1, 12), np.ones(12)

        def rates() -> FloatArray:
            weighted = cells @ factors
            return np.divide(by_unit, weighted, out=np.zeros(self.units), where=weighted > 0)

        for _ in range(200):
            new = (by_month + PSEUDO_EVENTS) / (rates() @ cells + PSEUDO_EVENTS)
            moved, factors = np.abs(new - factors).max(), new
            if moved < 1e-10:
                break
        return rates()[self.unit] * factors[of_year] * exposure, factors

    def trend(self, tested: ArrayLike) -> SeasonalTest:
        """Robust score test [6] of a trend over calendar time in the units for which ``tested`` (n_units) is true.

        Time is freed from what the units' rates and the season explain (weighted least squares, the season
        held by its pseudo-events), so that having estimated these changes nothing; the score of each unit is
        its events less those expected, weighted with what is left, and the variance is the sum of their
        squares. Fewer than MIN_UNITS tested units with exposure: nan.
        """
        mine = np.asarray(tested, dtype=bool)
        units = int((mine & self.exposed).sum())
        if units < MIN_UNITS:
            return SeasonalTest(math.nan, math.nan, units)
        at = np.where(mine[self.unit], self.month / 12.0, 0.0)
        weight, of_year = self.expected, self.month % 12
        own = np.bincount(self.unit, weights=weight, minlength=self.units)
        per = np.divide(1.0, own, out=np.zeros(self.units), where=own > 0)
        average = np.bincount(self.unit, weights=weight * at, minlength=self.units) * per
        centred = at - average[self.unit]
        cells = np.bincount(self.unit * 12 + of_year, weights=weight, minlength=self.units * 12).reshape(
            -1, 12
        )
        inner = np.diag(cells.sum(0) + PSEUDO_EVENTS * self.factors) - cells.T @ (cells * per[:, None])
        season = np.linalg.solve(inner, np.bincount(of_year, weights=weight * centred, minlength=12))
        left = centred - season[of_year] + (cells @ season * per)[self.unit]
        score = _by(self.unit, left * (self.events - weight), self.units)
        z = robust_z(score, units)
        return SeasonalTest(z, two_sided(z), units)


def robust_z(score: FloatArray, units: int) -> float:
    """Sum of the units' scores over the root of the sum of their squares [5]; nan with too few units or no scatter."""
    squares = math.fsum(score**2)
    return math.fsum(score) / math.sqrt(squares) if units >= MIN_UNITS and squares > 0 else math.nan


def two_sided(z: float) -> float:
    """Probability of a normal value at least as far from 0; nan for nan."""
    return 2 * float(special.ndtr(-abs(z)))


def _by(codes: IntArray, values: FloatArray, size: int) -> FloatArray:
    return np.asarray(np.bincount(codes, weights=values, minlength=size), dtype=np.float64)


def _last(t: FloatArray, who: IntArray, a: FloatArray) -> FloatArray:
    last = a.copy()
    np.maximum.at(last, who, t)
    return last


def watched(
    time: ArrayLike, unit: ArrayLike, start: ArrayLike, end: ArrayLike
) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Checked arrays; events lie in the windows of their units."""
    t, a, b = (np.asarray(values, dtype=np.float64) for values in (time, start, end))
    who = np.asarray(unit, dtype=np.int64)
    if not (t.ndim == 1 and t.shape == who.shape and a.ndim == 1 and a.shape == b.shape):
        raise ValueError("time and unit, start and end must be of one length each")
    if not (np.isfinite(t).all() and np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("times must be finite")
    if (b <= a).any():
        raise ValueError("a window must end after it starts")
    if who.size and (who.min() < 0 or who.max() >= a.size):
        raise ValueError(f"units must lie in 0 to {a.size - 1}")
    if ((t <= a[who]) | (t > b[who])).any():
        raise ValueError("an event lies outside the window of its unit")
    return t, who, a, b
