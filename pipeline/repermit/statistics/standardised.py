"""One group's events against those that another group's record leads to expect, stratum by stratum; and the funnel.

Touches numpy, scipy.special and its neighbours `comparison`, `competing` and `rates`.

References
----------
[1] Breslow N.E., Day N.E. (1987) Statistical Methods in Cancer Research, volume II. IARC (indirect standardisation,
    exact conditional limits).
[2] Aalen O.O. (1978) Nonparametric inference for a family of counting processes. Annals of Statistics 6, 701-726.
[3] Lin D.Y., Wei L.J. (1989) The robust inference for the Cox proportional hazards model. J. Am. Stat. Assoc. 84,
    1074-1078 (residuals summed by cluster).
[4] Spiegelhalter D.J. (2005) Funnel plots for comparing institutional performance. Stat. Med. 24, 1185-1202.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from repermit.statistics.comparison import rate_ratio
from repermit.statistics.competing import codes_of
from repermit.statistics.rates import count_quantile

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Standardised:
    """Observed over expected.

    ``compared``: subjects of the group in strata that the reference has; ``observed`` and ``expected`` events of them.
    ``ratio``, ``low``, ``high``: nan where nothing is expected. ``scatter``: how many times the variance of the observed
    count is that of independent events, 1 or more.
    """

    compared: int
    observed: float
    expected: float
    ratio: float
    low: float
    high: float
    scatter: float


def standardised_ratio(
    time: ArrayLike,
    events: ArrayLike,
    stratum: ArrayLike,
    ours: ArrayLike,
    cluster: ArrayLike,
    level: float = 0.95,
) -> Standardised:
    """Indirectly standardised ratio of a group's events [1], limits with events that come in clusters.

    Parameters, one entry a subject: ``time`` followed from 0; ``events``, 1 for the event at that time, 0 for none, or
    the probability that it was one; ``stratum``, whole numbers; ``ours``, true for the group, false for the reference;
    ``cluster``, whole numbers (a subject of either group may share one).

    Expected: the sum over the group of the reference's cumulative hazard [2] of the stratum at each subject's time.
    Where no one of the reference is in view any longer nothing can be expected, so nothing is counted there either.

    Variance of log(observed / expected): sums by cluster of each subject's residual, of the group over the observed
    and of the reference, weighted by the group's over its own number at risk, over the expected [3]. It tells how much
    less than independent events either side is worth; limits are the exact conditional ones [1] of counts so much
    smaller, never larger, widened by Student's t over the normal quantile for few clusters of the group.

    Ties: events at one time meet one risk set, which still holds those lost then. Zero events: low is 0; none
    expected: all nan. Order of subjects changes nothing but rounding. Raises ValueError for unequal lengths.
    """
    t, w = np.asarray(time, dtype=np.float64), np.asarray(events, dtype=np.float64)
    s, mine, c = np.asarray(stratum), np.asarray(ours, dtype=bool), np.asarray(cluster)
    if not (t.ndim == 1 and t.shape == w.shape == s.shape == mine.shape == c.shape):
        raise ValueError("one entry a subject is wanted")
    s, c = codes_of(s), codes_of(c)
    ours_there, others_there = (np.bincount(s[group], minlength=len(s)) > 0 for group in (mine, ~mine))
    shared = (ours_there & others_there)[s]
    t, w, s, mine, c = t[shared], w[shared], s[shared], mine[shared], c[shared]
    if not len(t):
        return Standardised(0, 0.0, 0.0, *(float("nan"),) * 3, 1.0)
    cell, at_risk, happened = _risk_sets(t, w, s, mine)
    seen = at_risk[:, 0] > 0
    step = np.divide(happened[:, 0], at_risk[:, 0], out=np.zeros(len(seen)), where=seen)
    weight = np.divide(at_risk[:, 1], at_risk[:, 0], out=np.zeros(len(seen)), where=seen)
    hazard, weighted = _within(step, cell, s), _within(step * weight, cell, s)
    counted = w * (mine & seen[cell])
    observed, expected = float(counted.sum()), float(np.sum(step * at_risk[:, 1]))
    reference = float(w[~mine].sum())
    n = int(mine.sum())
    if expected <= 0:
        return Standardised(n, observed, expected, *(float("nan"),) * 3, 1.0)
    theirs = np.where(mine, 0.0, weight[cell] * w - weighted) / expected
    own = (counted - np.where(mine, hazard, 0.0) * observed / expected) / observed if observed else 0 * w
    by = [np.bincount(c, weights=x) for x in (own, theirs)]
    few = int(np.count_nonzero(np.bincount(c[mine])))
    quantile = (1 + level) / 2
    wider = (special.stdtrit(few - 1, quantile) / special.ndtri(quantile)) ** 2 if few > 1 else 1.0
    own_v, their_v, all_v = (float(np.sum(x**2)) for x in (by[0], by[1], by[0] - by[1]))
    both = all_v / (own_v + their_v) if own_v + their_v else 1.0
    scatter = max(1.0, own_v * both * wider * observed)
    worth = observed / scatter, reference / max(1.0, their_v * both * wider * reference)
    ratio, low, high = rate_ratio(
        worth[0], worth[0] * expected / observed if observed else expected, worth[1], worth[1], level
    )
    return Standardised(n, observed, expected, ratio, low, high, scatter)


def _risk_sets(
    t: FloatArray, w: FloatArray, s: NDArray[np.int64], mine: NDArray[np.bool_]
) -> tuple[IntArray, FloatArray, FloatArray]:
    """The cell (stratum and time, in order) of each subject; at risk and events by cell, of reference and group."""
    order = np.lexsort((t, s))
    in_order, times = s[order], t[order]
    new = np.concatenate([[True], (np.diff(in_order) != 0) | (np.diff(times) != 0)])
    where, m = np.empty(len(t), dtype=np.int64), int(new.sum())
    where[order] = np.cumsum(new) - 1
    strata = in_order[new]
    counts, happened = (
        np.stack(
            [np.bincount(where, weights=np.where(mine == g, x, 0.0), minlength=m) for g in (False, True)], 1
        )
        for x in (np.ones(len(w)), w)
    )
    until = np.searchsorted(strata, strata, side="right")
    so_far = np.concatenate([np.zeros((1, 2)), np.cumsum(counts, axis=0)])
    at_risk: FloatArray = so_far[until] - so_far[:-1]
    return where, at_risk, np.asarray(happened, dtype=np.float64)


def _within(step: FloatArray, cell: IntArray, s: NDArray[np.int64]) -> FloatArray:
    """Each subject's sum of the steps of its stratum up to its cell."""
    so_far = np.concatenate([[0.0], np.cumsum(step)])
    first = np.full(s.max() + 1, len(step))
    np.minimum.at(first, s, cell)
    return np.asarray(so_far[cell + 1] - so_far[first[s]])


def funnel_limits(expected: ArrayLike, chance: float, scatter: float = 1.0) -> FloatArray:
    """The ratio of observed to expected that a group like the rest stays below with probability ``chance`` [4, A.1.1].

    ``expected`` (n), above 0: events expected; ``scatter``, 1 or more: the variance of a count over that of independent
    events, the expected being worth so many times less [4, section 3.2]. Quantiles of the Poisson distribution,
    interpolated between whole counts so that limits are smooth; not below 0. The expected is taken as known. Raises
    ValueError for values out of range.
    """
    e = np.asarray(expected, dtype=np.float64) / scatter
    if not (e > 0).all() or not 0 < chance < 1 or scatter < 1:
        raise ValueError("expected above 0, a chance in (0, 1) and a scatter of 1 or more")
    count = count_quantile(chance, special.pdtrik(chance, e), lambda k: special.pdtr(k, e))
    beyond = (special.pdtr(count, e) - chance) / np.exp(
        special.xlogy(count, e) - e - special.gammaln(count + 1)
    )
    return np.asarray(np.maximum(count - beyond, 0.0) / e)
