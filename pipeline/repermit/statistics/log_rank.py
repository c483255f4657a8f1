"""Whether k groups have one hazard: the log-rank test, with late entry, weights, ties and clusters.

Touches numpy and scipy.special only, and its neighbour `survival` for the risk sets.

References
----------
[1] Mantel N. (1966) Evaluation of survival data and two new rank order statistics. Cancer Chemotherapy Reports 50,
    163-170; Peto R., Peto J. (1972) Journal of the Royal Statistical Society A 135, 185-207.
[2] Klein J.P., Moeschberger M.L. (2003) Survival Analysis, 2nd ed., Springer, chapters 4 (late entry) and 7 (k samples).
[3] Lin D.Y., Wei L.J. (1989) The robust inference for the Cox proportional hazards model. Journal of the American
    Statistical Association 84, 1074-1078 (variance over clusters of the score).
[4] Rao J.N.K., Scott A.J. (1981) The analysis of categorical data from complex sample surveys. Journal of the American
    Statistical Association 76, 221-230 (a statistic divided by its mean design effect).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from repermit.statistics.survival import FloatArray, IntArray, number_at_risk, risk_sets, subjects


@dataclass(frozen=True)
class LogRank:
    """The test of k groups: events and events expected if all were alike (k), chi-square, its degrees, p."""

    observed: FloatArray
    expected: FloatArray
    chi_square: float
    degrees: int
    p: float


def log_rank(
    time: ArrayLike,
    event: ArrayLike,
    group: ArrayLike,
    n_groups: int,
    *,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> LogRank:
    """Log-rank test of k groups [1] with late entry [2], divided by the design effect of clusters [3] [4].

    ``time`` (n): when its event came or it was lost from view (also to another event). ``event`` (n): 1, 0, or the
    probability that it was this event. ``group`` (n): codes 0 to n_groups - 1. ``entry`` (n): since when it is in view;
    without it all are from the start, and times may be 0. ``cluster`` (n): label of the independent unit.

    Expected events of a group are its share of each risk set times the events then; the variance is hypergeometric.
    With m clusters the statistic is divided by the mean ratio of the variance over clusters, times m / (m - 1), to it,
    where that is above 1. (The full matrix over clusters would be too poorly known for many groups of few clusters.)

    Ties: events at one time meet one risk set, which holds those lost at that time. Zero events, one group only at risk
    whenever an event came, or fewer than two clusters: chi-square 0, 0 degrees, p = 1. Degrees: the rank of the
    variance. Raises ValueError for unequal lengths, times that are negative or not after the entry, events outside 0
    to 1, and codes out of range.
    """
    t, d, e = subjects(time, event, entry, else_from=-1.0)
    g = np.asarray(group)
    if g.shape != t.shape or (g.size and (g.min() < 0 or g.max() >= n_groups)):
        raise ValueError(f"group must hold codes 0 to {n_groups - 1}, one for each subject")
    ages, events, at_risk = risk_sets(t, d, e)
    observed = np.bincount(g, weights=d, minlength=n_groups).astype(np.float64)
    mine = [g == k for k in range(n_groups)]
    share = np.array([number_at_risk(t[m], e[m], ages) for m in mine]).reshape(n_groups, ages.size) / at_risk
    expected = share @ events
    spread = events * np.divide(at_risk - events, at_risk - 1, out=np.zeros_like(events), where=at_risk > 1)
    variance = np.diag(share @ spread) - (share * spread) @ share.T
    degrees = (
        int(np.linalg.matrix_rank(variance, tol=1e-9 * max(1.0, float(events.sum())))) if n_groups else 0
    )
    inverse = np.linalg.pinv(variance, rcond=1e-10, hermitian=True) if degrees else variance
    effect = 1.0
    if cluster is not None and degrees:
        labels, codes = np.unique(np.asarray(cluster), return_inverse=True)
        if codes.shape != t.shape:
            raise ValueError("time and cluster must be of one length")
        m = labels.size
        score = _scores(g, share, events / at_risk, (ages, t, d, e))
        sums = np.array([np.bincount(codes, weights=row, minlength=m) for row in score])
        robust = sums @ sums.T * m / (m - 1) if m > 1 else variance
        degrees = degrees if m > 1 else 0
        effect = max(1.0, float(np.trace(inverse @ robust)) / max(degrees, 1))
    if not degrees:
        return LogRank(observed, expected, 0.0, 0, 1.0)
    beyond = observed - expected
    chi_square = max(0.0, float(beyond @ inverse @ beyond)) / effect
    return LogRank(observed, expected, chi_square, degrees, float(special.chdtrc(degrees, chi_square)))


def _scores(
    group: IntArray,
    share: FloatArray,
    hazard: FloatArray,
    sample: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
) -> FloatArray:
    """What each subject adds to observed minus expected of each group, by its own risk sets: shape (k, n)."""
    ages, t, d, e = sample
    since, until = (np.searchsorted(ages, x, side="right") for x in (e, t))
    base = np.concatenate(([0.0], np.cumsum(hazard)))
    running = np.concatenate((np.zeros((share.shape[0], 1)), np.cumsum(share * hazard, axis=1)), axis=1)
    score = running[:, until] - running[:, since]
    score[group, np.arange(group.size)] -= base[until] - base[since]
    happened = np.flatnonzero(d > 0)
    score[:, happened] -= share[:, until[happened] - 1] * d[happened]
    score[group[happened], happened] += d[happened]
    return np.asarray(score, dtype=np.float64)
