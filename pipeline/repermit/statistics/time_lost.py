"""Compares the cumulative incidence of a group with the rest: the time that one kind of event costs.

Touches numpy and scipy.special only, and its neighbours `competing` and `rates`. Subjects belong to clusters (repairs to a
trailer) that are independent of each other, while their subjects need not be; a cluster may reach into several groups.

References
----------
[1] Andersen P.K. (2013) Decomposition of number of life years lost according to causes of death. Statistics in Medicine
    32, 5278-5285 (time lost to one of several causes: the area under its cumulative incidence).
[2] Royston P., Parmar M.K.B. (2013) Restricted mean survival time. BMC Medical Research Methodology 13, 152.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from repermit.statistics.competing import codes_of, curve_of, from_zero, sample_of
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
    codes = codes_of(labels)
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
    half = float(special.stdtrit(clusters - 1, (1 + level) / 2)) * variance**0.5
    gained = lost[1] - lost[0]
    return TimeLost(lost[0], lost[1], gained, gained - half, gained + half)


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
