"""Compares the rates of two groups, and one group with what another leads to expect.

Touches numpy and scipy.special only.

References
----------
[1] Clopper C.J., Pearson E.S. (1934) The use of confidence or fiducial limits illustrated in the case of
    the binomial. Biometrika 26, 404-413.
[2] Breslow N.E., Day N.E. (1987) Statistical Methods in Cancer Research, volume II: The Design and Analysis
    of Cohort Studies. IARC (exact conditional limits; indirect standardisation).
[3] Nelson W. (1972) Theory and applications of hazard plotting for censored failure data. Technometrics 14,
    945-966; Aalen O.O. (1978) Nonparametric inference for a family of counting processes. Annals of
    Statistics 6, 701-726.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]


def rate_ratio(
    events_a: float, exposure_a: float, events_b: float, exposure_b: float, level: float = 0.95
) -> tuple[float, float, float]:
    """Ratio of rate a to rate b with exact conditional limits: (ratio, low, high).

    Given the sum of the events, those of a are binomial; the Clopper-Pearson limits p of their share [1]
    become p / (1 - p) * exposure_b / exposure_a [2]. Events may be fractional (shared-out counts).

    With `exposure_a` what group a is expected to bring and `exposure_b` = `events_b` the events of the
    reference group that the expectation is made from, it is an indirectly standardised ratio whose limits
    allow for the chance in both.

    Zero events: in a, ratio and low are 0; in b, ratio and high are infinite; in both, the ratio is nan and
    the limits 0 to infinity. Zero exposure in either: all nan. Raises ValueError for negative values.
    """
    if min(events_a, exposure_a, events_b, exposure_b) < 0 or not 0 < level < 1:
        raise ValueError("events and exposure of 0 or more, and a level in (0, 1)")
    if exposure_a == 0 or exposure_b == 0:
        return float("nan"), float("nan"), float("nan")
    tail = (1 - level) / 2
    low = float(special.betaincinv(events_a, events_b + 1, tail)) if events_a > 0 else 0.0
    high = float(special.betaincinv(events_a + 1, events_b, 1 - tail)) if events_b > 0 else 1.0

    def odds(share: float) -> float:
        return share / (1 - share) * exposure_b / exposure_a if share < 1 else float("inf")

    if events_b > 0:
        ratio = events_a / exposure_a / (events_b / exposure_b)
    else:
        ratio = float("inf") if events_a > 0 else float("nan")
    return ratio, odds(low), odds(high)


def rate_ratio_p(events_a: float, exposure_a: float, events_b: float, exposure_b: float) -> float:
    """Two-sided p of equal rates: twice the smaller exact conditional tail, at most 1 [2].

    It agrees with the limits of `rate_ratio`: below 1 - level where these leave 1 out. Zero events in both, or
    zero exposure: nan. Raises ValueError for negative values.
    """
    if min(events_a, exposure_a, events_b, exposure_b) < 0:
        raise ValueError("events and exposure of 0 or more")
    if exposure_a == 0 or exposure_b == 0 or events_a + events_b == 0:
        return float("nan")
    share = exposure_a / (exposure_a + exposure_b)
    more = float(special.betainc(events_a, events_b + 1, share)) if events_a > 0 else 1.0
    fewer = float(special.betaincc(events_a + 1, events_b, share)) if events_b > 0 else 1.0
    return min(1.0, 2 * min(more, fewer))


def dispersion(events: ArrayLike, low: ArrayLike, level: float = 0.95) -> FloatArray:
    """How many times a count's variance is its mean, read back from its lower gamma limit; 1 for Poisson or less.

    ``low`` is in events, as `rates.gamma_limits` gives it with that variance. Events and exposure divided by it
    are effective ones: with them a count that varies more than Poisson's is compared as a smaller one would
    be. Zero events: 1, as the limit says nothing. Arguments broadcast. Raises ValueError for negative values.
    """
    y, limit = np.broadcast_arrays(np.asarray(events, dtype=np.float64), np.asarray(low, dtype=np.float64))
    if (y < 0).any() or (limit < 0).any() or not 0 < level < 1:
        raise ValueError("events and limits of 0 or more, and a level in (0, 1)")
    tail, least, most = (1 - level) / 2, np.zeros(y.shape), np.full(y.shape, np.log(1e9))
    some = np.where(y > 0, y, 1.0)
    for _ in range(60):
        middle = (least + most) / 2
        scale = np.exp(middle)
        above = special.gammaincinv(some / scale, tail) * scale > limit
        least, most = np.where(above, middle, least), np.where(above, most, middle)
    return np.asarray(np.where(y > 0, np.exp(least), 1.0), dtype=np.float64)


def cumulative_hazard(time: ArrayLike, events: ArrayLike, at: ArrayLike) -> FloatArray:
    """Nelson-Aalen cumulative hazard [3] at the times `at`, shape (m,), from n subjects followed from 0.

    `time` (n): when its event came or it was lost from view. `events` (n): 1 for the event, 0 for none, or
    the probability that it was this kind of event. Ties: events at one time meet one risk set, which still
    holds those lost at that time. Zero events: 0. Past the last time it stays at its last value; whoever
    asks must know that nothing was seen there. Order of subjects changes nothing but rounding.
    """
    times = np.asarray(time, dtype=np.float64)
    weights = np.asarray(events, dtype=np.float64)
    asked = np.asarray(at, dtype=np.float64)
    if times.shape != weights.shape or times.ndim != 1:
        raise ValueError("time and events must be of one length")
    if times.size == 0:
        return np.zeros(asked.shape)
    steps, where, counts = np.unique(times, return_inverse=True, return_counts=True)
    happened = np.bincount(where, weights=weights, minlength=steps.size)
    at_risk = times.size - np.concatenate(([0], np.cumsum(counts)[:-1]))
    hazard = np.concatenate(([0.0], np.cumsum(happened / at_risk)))
    found: FloatArray = hazard[np.searchsorted(steps, asked, side="right")]
    return found
