"""Compares the cumulative incidence of groups: the time that one kind of event costs, and a test of k groups.

Touches numpy and scipy only, and its neighbours `competing` and `rates`. Subjects belong to clusters (repairs to a
trailer) that are independent of each other, while their subjects need not be; a cluster may reach into several groups.

References
----------
[1] Andersen P.K. (2013) Decomposition of number of life years lost according to causes of death. Statistics in Medicine
    32, 5278-5285 (time lost to one of several causes: the area under its cumulative incidence).
[2] Royston P., Parmar M.K.B. (2013) Restricted mean survival time. BMC Medical Research Methodology 13, 152.
[3] Mantel N. (1966) Evaluation of survival data and two new rank order statistics. Cancer Chemotherapy Reports 50,
    163-170; Peto R., Peto J. (1972) Journal of the Royal Statistical Society A 135, 185-207 (log-rank test).
[4] Lin D.Y., Wei L.J. (1989) The robust inference for the Cox proportional hazards model. Journal of the American
    Statistical Association 84, 1074-1078 (variance over clusters of the score).
[5] Rao J.N.K., Scott A.J. (1981) The analysis of categorical data from complex sample surveys. Journal of the American
    Statistical Association 76, 221-230 (a statistic divided by its mean design effect).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from repermit.statistics.competing import curve_of, from_zero, sample_of
from repermit.statistics.rates import FloatArray, IntArray


@dataclass(frozen=True)
class TimeLost:
    """Time lost to the event until a horizon, in each of two groups, and how much less the first loses.

    All in the unit of time. ``gained`` = ``there`` - ``here``, with ``low`` and ``high``.
    """

    here: float
    there: float
    gained: float
    low: float
    high: float


def time_gained(
    time: ArrayLike,
    event_weight: ArrayLike,
    here: ArrayLike,
    until: float,
    *,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> TimeLost | None:
    """How much less time a group loses to event 1 until a horizon than the rest [1, 2].

    ``time`` (n), ``event_weight`` (n, C) and ``cluster`` as for `competing.aalen_johansen`; ``here`` (n): True for the
    group, False for the rest. The time lost is the area under the cumulative incidence of event 1 from 0 to ``until``.
    Its variance is the infinitesimal jackknife's, summed over clusters across both groups, times m / (m - 1) for m
    clusters, with Student's t of m - 1; a single cluster, or a group followed by nobody until the horizon, gives None.
    Zero events in both groups: gained 0 with limits 0, since the jackknife sees no spread: whoever asks must look at
    the counts. Ties as in `aalen_johansen`. Order of subjects changes nothing. Raises ValueError as it does, and for a
    horizon that is not positive.
    """
    if not until > 0 or not 0 < level < 1:
        raise ValueError("until above 0, and a level in (0, 1)")
    t, weight = np.asarray(time, dtype=np.float64), np.asarray(event_weight, dtype=np.float64)
    group = np.asarray(here, dtype=bool)
    labels = np.arange(t.size) if cluster is None else np.asarray(cluster)
    codes = np.unique(labels, return_inverse=True)[1]
    clusters = int(codes.max(initial=-1)) + 1
    if group.shape != t.shape or codes.shape != t.shape:
        raise ValueError("time, here and cluster must be of one length")
    if clusters < 2:
        return None
    lost, pull = [], np.zeros(clusters)
    for mine, sign in ((group, -1.0), (~group, 1.0)):
        if not mine.any() or not _seen(t[mine], weight[mine], until):
            return None
        value, own = _time_lost(t[mine], weight[mine], codes[mine], until)
        lost.append(value)
        pull[: own.size] += sign * own
    variance = float(np.sum(pull**2)) * clusters / (clusters - 1)
    half = float(stats.t.ppf((1 + level) / 2, clusters - 1)) * variance**0.5
    gained = lost[1] - lost[0]
    return TimeLost(lost[0], lost[1], gained, gained - half, gained + half)


@dataclass(frozen=True)
class GroupTest:
    """A test that k groups have one hazard: statistic, degrees of freedom, p-value, events by group and expected."""

    chi2: float
    df: int
    p: float
    observed: FloatArray
    expected: FloatArray


def hazard_test(
    time: ArrayLike,
    event_weight: ArrayLike,
    group: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
) -> GroupTest | None:
    """Log-rank test of k groups for one kind of event [3], divided by the design effect of clusters [4] [5].

    ``time`` (n): when its event came or it was lost from view (also to another event). ``event_weight`` (n): 1, 0, or
    the probability that it was this event. ``group`` (n): codes 0 to k - 1. ``cluster`` (n): label of the independent
    unit. The variance is the hypergeometric one of [3]; with m clusters the statistic is divided by the mean ratio of
    the variance over clusters, times m / (m - 1), to it, where that is above 1. (The full matrix over clusters would
    be too poorly known for many groups of few clusters.)

    Ties: events at one time meet one risk set, which holds those lost at that time. Groups in which nobody is at risk
    at any event drop out. Zero events, one group, or fewer than two clusters: None. Raises ValueError for negative
    times, weights outside 0 to 1 and unequal lengths.
    """
    t, weight = np.asarray(time, dtype=np.float64), np.asarray(event_weight, dtype=np.float64)
    codes = np.asarray(group, dtype=np.int64)
    if not t.shape == weight.shape == codes.shape or t.ndim != 1:
        raise ValueError("time, event_weight and group must be of one length")
    if not ((t >= 0).all() and (weight >= 0).all() and (weight <= 1).all()) or (codes < 0).any():
        raise ValueError("times of 0 or more, weights of 0 to 1, groups from 0")
    if not (weight > 0).any():
        return None
    k = int(codes.max()) + 1
    steps, own = np.unique(t[weight > 0], return_inverse=True)
    last = np.searchsorted(steps, t, side="right")  # at risk at the first `last` event times
    ends = np.zeros((k, steps.size + 1))
    np.add.at(ends, (codes, last), 1.0)
    at_risk = np.cumsum(ends[:, ::-1], axis=1)[:, ::-1][:, 1:]
    events = np.zeros((k, steps.size))
    np.add.at(events, (codes[weight > 0], own), weight[weight > 0])
    total, everyone = events.sum(axis=0), at_risk.sum(axis=0)
    share = at_risk / everyone
    expected = (share * total).sum(axis=1)
    observed = events.sum(axis=1)
    use = expected > 0
    if use.sum() < 2:
        return None
    keep = np.flatnonzero(use)[:-1]
    score = (observed - expected)[keep]
    variance = _hypergeometric(share, total, everyone)[np.ix_(keep, keep)]
    if np.linalg.matrix_rank(variance) < score.size:
        return None
    effect = 1.0
    if cluster is not None:
        robust = _over_clusters(codes, weight, own, last, share, total / everyone, np.asarray(cluster))
        if robust is None:
            return None
        design = np.linalg.solve(variance, robust[np.ix_(keep, keep)])
        effect = max(1.0, float(np.trace(design)) / score.size)
    chi2 = float(score @ np.linalg.solve(variance, score)) / effect
    df = int(score.size)
    return GroupTest(chi2, df, float(special.chdtrc(df, chi2)), observed, expected)


def _seen(time: FloatArray, weight: FloatArray, until: float) -> bool:
    """Whether somebody is in view until the horizon, or nobody is left without an event before it."""
    return bool(time.max() >= until or weight[time == time.max()].sum(axis=1).all())


def _time_lost(
    time: FloatArray, weight: FloatArray, cluster: IntArray, until: float
) -> tuple[float, FloatArray]:
    """The area under the incidence of event 1 until the horizon, and its derivative by cluster.

    The derivative of the incidence at step k by a subject's weight is that of `competing`; here it is summed over the
    steps with their widths, by running sums, so that the work grows with subjects and steps, not their product.
    """
    sample = sample_of(time, None, None, weight, None, None, cluster)
    curve = curve_of(sample)
    ends = np.append(curve.time, np.inf)
    width = np.diff(np.minimum(np.concatenate(([0.0], ends)), until))  # (K + 1): how long each step lasts
    incidence = curve.incidence[0]
    value = float(width @ incidence)
    survivors = 1.0 - curve.hazard
    lost = np.divide(1.0, survivors, out=np.zeros_like(survivors), where=survivors > 0)
    running = from_zero(
        (curve.event_free[:-1] * curve.hazard_by_cause[0] + incidence[1:] * curve.hazard * lost)
        / curve.at_risk
    )
    running_lost = from_zero(curve.hazard * lost / curve.at_risk)
    reach = _summed(running, width) - _summed(running_lost, width * incidence)
    last = np.searchsorted(curve.time, sample.time, side="right")
    derivative = reach[0] - reach[last]
    own = last[sample.event] - 1
    after = np.append(np.cumsum(width[::-1])[::-1], 0.0)[own + 1]  # width of the steps from the own event on
    area = np.append(np.cumsum((width * incidence)[::-1])[::-1], 0.0)[own + 1]
    direct = curve.event_free[own] * sample.share[sample.event, 0]
    derivative[sample.event] += (
        direct * after - (area - incidence[own + 1] * after) * lost[own]
    ) / curve.at_risk[own]
    by_cluster = np.bincount(_codes_of(sample.cluster, cluster), weights=derivative)
    return value, np.asarray(by_cluster, dtype=np.float64)


def _summed(running: FloatArray, width: FloatArray) -> FloatArray:
    """For each m: the sum over steps k of width k times running[min(m, k)]."""
    before = from_zero(width * running)[:-1]
    after = np.cumsum(width[::-1])[::-1]
    return np.asarray(before + running * after, dtype=np.float64)


def _codes_of(codes: IntArray, labels: IntArray) -> IntArray:
    """The labels of the sample's own cluster codes."""
    return np.unique(labels)[codes]


def _hypergeometric(share: FloatArray, total: FloatArray, everyone: FloatArray) -> FloatArray:
    spare = np.divide(everyone - total, everyone - 1, out=np.zeros_like(total), where=everyone > 1)
    factor = total * spare
    return np.asarray(np.diag((share * factor).sum(axis=1)) - (share * factor) @ share.T, dtype=np.float64)


def _over_clusters(
    codes: IntArray,
    weight: FloatArray,
    own: IntArray,
    last: IntArray,
    share: FloatArray,
    hazard: FloatArray,
    cluster: IntArray,
) -> FloatArray | None:
    """Sum over clusters of the outer product of their scores; m / (m - 1) for m clusters."""
    labels = np.unique(cluster, return_inverse=True)[1]
    m = int(labels.max()) + 1
    running, base = from_zero(share * hazard), from_zero(hazard)
    score = running[:, last]  # minus what each would expect, where it is at risk, for the groups it is not in
    score[codes, np.arange(codes.size)] -= base[last]
    happened = np.flatnonzero(weight > 0)
    score[:, happened] -= share[:, own] * weight[happened]
    score[codes[happened], happened] += weight[happened]
    by_cluster = np.array([np.bincount(labels, weights=row, minlength=m) for row in score])
    if m < 2:
        return None
    return np.asarray(by_cluster @ by_cluster.T * m / (m - 1), dtype=np.float64)
