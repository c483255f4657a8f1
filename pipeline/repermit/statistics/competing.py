"""Cumulative incidence of competing events: how likely each is to come first by a given time.

Touches numpy and scipy.special only, and the small helpers of `rates`. It knows subjects that are followed
from time 0, or from a late entry, until one of several events or until they are lost from view.

References
----------
[1] Aalen O.O., Johansen S. (1978) An empirical transition matrix for non-homogeneous Markov chains based
    on censored observations. Scandinavian Journal of Statistics 5, 141-150.
[2] Therneau T.M., Grambsch P.M. (2000) Modeling Survival Data, Springer; and the R package survival,
    survfit for multi-state data (infinitesimal-jackknife standard error, conf.type "log-log").
[3] Kalbfleisch J.D., Prentice R.L. (2002) The Statistical Analysis of Failure Time Data, 2nd ed., Wiley.
[4] Clopper C.J., Pearson E.S. (1934) The use of confidence or fiducial limits illustrated in the case of
    the binomial. Biometrika 26, 404-413.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from repermit.statistics.rates import FloatArray, IntArray, excess_variance


@dataclass(frozen=True)
class CumulativeIncidence:
    """Cumulative incidence at T requested times for C causes (row 0 is cause 1).

    ``at`` (T): the times as asked. ``at_risk`` (T): subjects in view and without an event just before.
    ``events`` (C, T): events up to and at each time, weighted and shared out. ``event_free`` (T),
    ``incidence``, ``standard_error``, ``low``, ``high`` (C, T): fractions; nan where not defined.
    ``subjects``, ``clusters``: their numbers. ``clusters_too_few``: the limits take subjects as
    independent, because the clusters were too few to measure how much they differ.
    """

    at: FloatArray
    at_risk: IntArray
    events: FloatArray
    event_free: FloatArray
    incidence: FloatArray
    standard_error: FloatArray
    low: FloatArray
    high: FloatArray
    subjects: int
    clusters: int
    clusters_too_few: bool


def aalen_johansen(
    time: ArrayLike,
    cause: ArrayLike | None,
    at: ArrayLike,
    *,
    n_causes: int | None = None,
    event_weight: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    min_clusters: int = 5,
    told: int | None = None,
) -> CumulativeIncidence:
    """Aalen-Johansen cumulative incidence by cause at the times ``at`` [1].

    Parameters, one entry for each of n subjects:

    - ``time``: when its event came or it was lost from view, 0 or later, in any unit.
    - ``cause``: 0 for lost from view (censored), else 1 to C. C is ``n_causes``, or the largest seen.
    - ``event_weight`` (n, C) instead of ``cause`` (then None) where the cause of an event is known only
      by probability: a row adds up to 1, or is all 0 for censored.
    - ``entry``: in view only after this time, earlier than its ``time``. None: from the start.
    - ``weights``: positive, how much a subject counts (sampling weights, not repeat counts).
    - ``cluster``: label of the unit it belongs to; units are independent, their subjects need not be.
    - ``told``: of how many causes, from the first, errors and limits are worked out; of the others they are nan.
      None: of all.

    Ties: events at one time meet one risk set; subjects censored at that time, or whose own event is then,
    are still in it; those that enter at it are not. Order of subjects changes nothing.

    Standard error: infinitesimal jackknife [2], the root of the sum of squares, over clusters (subjects
    where no cluster is given), of weight times derivative of the incidence by weight.

    Limits: log(-log) of the incidence [2] [3]. With m clusters the variance is that of independent subjects
    plus what the clusters show beyond it: `rates.excess_variance` of the clustered one times m / (m - 1).
    Fewer than ``min_clusters``: error and limits are those of independent subjects, and
    ``clusters_too_few`` says so.

    Zero events, or nothing but events: the limits never lie closer than the exact binomial ones [4] of no
    event (and of nothing but events) among the k subjects whose state at that time is known: low is at
    most a^(1/k), high at least 1 - a^(1/k), a = (1 - level) / 2. k is the least, over the time so far, of
    subjects entered less subjects censored. So no interval has zero width, a fraction of one event makes
    none narrow, and k = 0 gives 0 to 1.

    Undefined (nan): times after everyone was lost from view, unless no one was left without an event; no
    subjects at all. Raises ValueError for negative or missing times, unknown causes, rows that do not add
    up, entries not before the time, weights not positive, unequal lengths, a level outside
    (0, 1) or min_clusters below 2.
    """
    if not 0 < level < 1 or min_clusters < 2:
        raise ValueError(f"level in (0, 1) and min_clusters of 2 or more, not {level} and {min_clusters}")
    sample = sample_of(time, cause, n_causes, event_weight, entry, weights, cluster)
    times = np.atleast_1d(np.asarray(at, dtype=np.float64))
    if times.ndim != 1 or not (times >= 0).all():
        raise ValueError("at must hold times of 0 or later")
    curve = curve_of(sample)
    steps = np.searchsorted(curve.time, times, side="right")
    alone, clustered = _variances(sample, curve, steps, told)
    clusters = sample.n_clusters
    few = cluster is not None and clusters < min_clusters
    variance, squared_error = alone, alone
    if cluster is not None and not few:
        variance = alone + excess_variance(alone, clustered * clusters / (clusters - 1), clusters, level)
        squared_error = clustered
    incidence = curve.incidence[:, steps]
    low, high = _limits(incidence, np.sqrt(variance), _known(sample, times), level)
    event_free = curve.event_free[steps]
    seen = (times <= sample.time.max(initial=-1.0)) | (event_free == 0.0)
    return CumulativeIncidence(
        at=times,
        at_risk=_at_risk(sample, times),
        events=curve.events[:, steps],
        event_free=np.where(seen, event_free, np.nan),
        incidence=np.where(seen, incidence, np.nan),
        standard_error=np.where(seen, np.sqrt(squared_error), np.nan),
        low=np.where(seen & ~np.isnan(variance), low, np.nan),
        high=np.where(seen & ~np.isnan(variance), high, np.nan),
        subjects=sample.time.size,
        clusters=clusters,
        clusters_too_few=few,
    )


@dataclass(frozen=True)
class _Sample:
    """Subjects in the order of time and then of everything else, so that sums have one order."""

    time: FloatArray
    entry: FloatArray  # -inf: from the start
    share: FloatArray  # (n, C), of its one event, or zeros
    weight: FloatArray
    cluster: IntArray
    event: NDArray[np.bool_]
    n_clusters: int


@dataclass(frozen=True)
class _Curve:
    """The estimate as steps: entry 0 of the last three is the start, entry k follows event time k."""

    time: FloatArray  # (K) distinct event times
    at_risk: FloatArray  # (K) weight at risk
    hazard: FloatArray  # (K) of any event; exactly 1 where all at risk have one
    hazard_by_cause: FloatArray  # (C, K)
    event_free: FloatArray  # (K + 1)
    incidence: FloatArray  # (C, K + 1)
    events: FloatArray  # (C, K + 1)


def sample_of(
    time: ArrayLike,
    cause: ArrayLike | None,
    n_causes: int | None,
    event_weight: ArrayLike | None,
    entry: ArrayLike | None,
    weights: ArrayLike | None,
    cluster: ArrayLike | None,
) -> _Sample:
    t = np.asarray(time, dtype=np.float64)
    n = t.size
    if t.ndim != 1 or not (np.isfinite(t) & (t >= 0)).all():
        raise ValueError("time must be a list of finite times of 0 or later")
    share = _shares(cause, n_causes) if event_weight is None else _given_shares(cause, event_weight)
    start = np.full(n, -np.inf) if entry is None else np.asarray(entry, dtype=np.float64)
    weight = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    labels = np.arange(n) if cluster is None else np.asarray(cluster)
    if not (len(share) == n and start.shape == weight.shape == labels.shape == (n,)):
        raise ValueError(f"every argument must have one entry for each of {n} subjects")
    if not (start < t).all():
        raise ValueError("entry must be earlier than time")
    if not (np.isfinite(weight) & (weight > 0)).all():
        raise ValueError("weights must be finite and above 0")
    codes = np.zeros(n, dtype=np.int64) if cluster is None else codes_of(labels)
    keys = [(codes, cluster), (weight, weights), *((column, t) for column in share.T), (start, entry), (t, t)]
    order = in_order([key for key, given in keys if given is not None])  # what all have alike sorts nothing
    codes = np.arange(n) if cluster is None else codes[order]
    share = share[order]
    n_clusters = int(codes.max(initial=-1)) + 1
    event = share.sum(axis=1) > 0
    return _Sample(t[order], start[order], share, weight[order], codes, event, n_clusters)


def in_order(keys: Sequence[NDArray[Any]]) -> IntArray:
    """As ``numpy.lexsort``, the last key first; only where that one ties are the others looked at."""
    order = np.argsort(keys[-1], kind="stable")
    alike = keys[-1][order[1:]] == keys[-1][order[:-1]]
    tied = np.flatnonzero(np.append(alike, False) | np.append(False, alike))  # each run stays in its places
    order[tied] = order[tied][np.lexsort([key[order[tied]] for key in keys])]
    return order


def codes_of(labels: NDArray[Any]) -> IntArray:
    """The place of each label among the distinct ones in order; small whole numbers need no sorting."""
    whole = np.issubdtype(labels.dtype, np.integer)
    if whole and labels.min(initial=0) >= 0 and labels.max(initial=0) < 10 * labels.size:
        return np.asarray((np.cumsum(np.bincount(labels) > 0) - 1)[labels], dtype=np.int64)
    return np.asarray(np.unique(labels, return_inverse=True)[1], dtype=np.int64)


def _shares(cause: ArrayLike | None, n_causes: int | None) -> FloatArray:
    codes = np.asarray([] if cause is None else cause)
    if codes.size and not np.issubdtype(codes.dtype, np.integer):
        raise ValueError(f"cause must hold whole numbers; it holds {codes.dtype}")
    codes = codes.astype(np.int64)
    top = max(1, int(codes.max(initial=0))) if n_causes is None else n_causes
    if codes.size and (codes.min() < 0 or codes.max() > top):
        raise ValueError(f"cause must lie in 0 to {top}; it spans {codes.min()} to {codes.max()}")
    return np.asarray(codes[:, np.newaxis] == np.arange(1, top + 1), dtype=np.float64)


def _given_shares(cause: ArrayLike | None, event_weight: ArrayLike) -> FloatArray:
    share = np.asarray(event_weight, dtype=np.float64)
    if cause is not None:
        raise ValueError("give cause or event_weight, not both")
    if share.ndim != 2 or not (share >= 0).all():
        raise ValueError("event_weight must have a row a subject, a column a cause, and nothing below 0")
    total = share.sum(axis=1, keepdims=True)
    if not ((total == 0) | (np.abs(total - 1) < 1e-9)).all():
        raise ValueError("each row of event_weight must add up to 1, or be all 0 for censored")
    return np.asarray(share / np.where(total > 0, total, 1.0), dtype=np.float64)


def curve_of(sample: _Sample) -> _Curve:
    """Event times, hazards and the estimate after each, from the definition in [1]."""
    times, step = np.unique(sample.time[sample.event], return_inverse=True)
    weighted = sample.weight[sample.event, np.newaxis] * sample.share[sample.event]
    by_cause = np.array([np.bincount(step, weights=w, minlength=times.size) for w in weighted.T])
    count = np.bincount(step, minlength=times.size)
    total = np.bincount(step, weights=sample.weight[sample.event], minlength=times.size)
    at_risk = np.maximum(_weight_at_risk(sample, times), total)
    all_of_them = count == _at_risk(sample, times)
    hazard = np.where(all_of_them, 1.0, total / at_risk)
    hazard_by_cause = by_cause / at_risk
    event_free = np.concatenate(([1.0], np.cumprod(1.0 - hazard)))
    incidence = from_zero(event_free[:-1] * hazard_by_cause)
    return _Curve(times, at_risk, hazard, hazard_by_cause, event_free, incidence, from_zero(by_cause))


def _variances(
    sample: _Sample, curve: _Curve, steps: IntArray, told: int | None
) -> tuple[FloatArray, FloatArray]:
    """Variance (C, T) of the incidence after each of ``steps``: subjects alone, and by cluster.

    The derivative by subject i's weight of the incidence F_j(t) is, over event times s up to t,

        sum of  S(s-) x_ij(s) - (F_j(t) - F_j(s)) / (1 - h(s)) x_i.(s),
        x_ij(s) = (event of i from cause j at s  -  at risk_i(s) h_j(s)) / at risk(s).

    Its at-risk part is a difference of running sums between subject i's entry and its time, so that no
    table of subjects by times is built.
    """
    shape = (curve.incidence.shape[0], steps.size)
    alone, clustered = np.full(shape, np.nan), np.full(shape, np.nan)
    for (j, k), derivative in _derivatives(sample, curve, steps, told):
        pull = sample.weight * derivative
        alone[j, k] = np.sum(pull**2)
        clustered[j, k] = np.sum(np.bincount(sample.cluster, weights=pull) ** 2)
    return alone, clustered


def _derivatives(
    sample: _Sample, curve: _Curve, steps: IntArray, told: int | None
) -> Iterator[tuple[tuple[int, int], FloatArray]]:
    """For each cause and requested step, the derivative of the incidence by each subject's weight (n)."""
    survivors = 1.0 - curve.hazard
    lost = np.divide(1.0, survivors, out=np.zeros_like(survivors), where=survivors > 0)
    running_lost = from_zero(curve.hazard * lost / curve.at_risk)
    first = np.searchsorted(curve.time, sample.entry, side="right")
    last = np.searchsorted(curve.time, sample.time, side="right")
    own = last[sample.event] - 1
    for j, incidence in enumerate(curve.incidence[:told]):
        running = from_zero(
            (curve.event_free[:-1] * curve.hazard_by_cause[j] + incidence[1:] * curve.hazard * lost)
            / curve.at_risk
        )
        direct = curve.event_free[own] * sample.share[sample.event, j]
        for k, step in enumerate(steps):
            reach = running - incidence[step] * running_lost
            derivative = reach[np.minimum(first, step)] - reach[np.minimum(last, step)]
            pulled = (direct - (incidence[step] - incidence[own + 1]) * lost[own]) / curve.at_risk[own]
            derivative[sample.event] += np.where(own < step, pulled, 0.0)
            yield (j, k), derivative


def _limits(
    incidence: FloatArray, standard_error: FloatArray, known: IntArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """log(-log) limits, never inside those that no event, or nothing but events, would give."""
    tail = (1.0 - level) / 2.0
    inside = (incidence > 0) & (incidence < 1)
    p = np.where(inside, incidence, 0.5)
    spread = np.minimum(-special.ndtri(tail) * standard_error / (p * -np.log(p)), 700.0)
    low = np.where(inside, p ** np.exp(spread), incidence)
    high = np.where(inside, p ** np.exp(-spread), incidence)
    edge = np.where(known > 0, tail ** (1.0 / np.maximum(known, 1)), 0.0)
    return np.minimum(low, edge), np.maximum(high, 1.0 - edge)


def _known(sample: _Sample, at: FloatArray) -> IntArray:
    """Subjects whose state at each time is known: the least so far of entered less censored."""
    entered, lost = np.sort(sample.entry), np.sort(sample.time[~sample.event])
    after_each = np.searchsorted(entered, lost, side="right") - np.searchsorted(lost, lost, side="right")
    from_start = np.searchsorted(entered, 0.0, side="right")
    least = np.minimum.accumulate(np.concatenate(([from_start], after_each)))
    now = np.searchsorted(entered, at, side="left") - np.searchsorted(lost, at, side="left")
    return np.asarray(np.minimum(least[np.searchsorted(lost, at, side="left")], now), dtype=np.int64)


def _at_risk(sample: _Sample, at: FloatArray) -> IntArray:
    """Subjects in view and without an event just before each time: entered before it, not ended before."""
    entered = np.searchsorted(np.sort(sample.entry), at, side="left")
    return np.asarray(entered - np.searchsorted(sample.time, at, side="left"), dtype=np.int64)


def _weight_at_risk(sample: _Sample, at: FloatArray) -> FloatArray:
    """The same, as a sum of weights: those ending at or after each time, less those entering then."""
    ending = np.append(np.cumsum(sample.weight[::-1])[::-1], 0.0)
    order = np.argsort(sample.entry, kind="stable")
    entering = np.append(np.cumsum(sample.weight[order][::-1])[::-1], 0.0)
    ended = np.searchsorted(sample.time, at, side="left")
    entered = np.searchsorted(sample.entry[order], at, side="left")
    return np.asarray(ending[ended] - entering[entered], dtype=np.float64)


def from_zero(increments: FloatArray) -> FloatArray:
    """Running sums along the last axis, with the empty sum in front."""
    start = np.zeros((*increments.shape[:-1], 1))
    return np.concatenate((start, np.cumsum(increments, axis=-1)), axis=-1)
