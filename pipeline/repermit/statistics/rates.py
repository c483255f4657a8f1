"""Rates of events per unit of exposure, and mean times between events, with limits.

Touches numpy and scipy.special only. It knows counts, exposures and the units (whatever they are) that
the counts were collected on. Limits are two-sided with half of 1 - level in each tail, unless a name
says otherwise.

References
----------
[1] Garwood F. (1936) Fiducial limits for the Poisson distribution. Biometrika 28, 437-442.
[2] Fay M.P., Feuer E.J. (1997) Confidence intervals for directly standardized rates: a method based on
    the gamma distribution. Statistics in Medicine 16, 791-801.
[3] NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.1.
[4] MIL-HDBK-338B (1998) Electronic Reliability Design Handbook, section 8.3.2.5.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
EndedBy = Literal["time", "failure"]


@dataclass(frozen=True)
class RateIntervals:
    """Rates by group: every field is an array of length n_groups. What is not defined is nan.

    ``events`` and ``exposure`` are sums, ``units`` counts the units with exposure, ``rate`` is events over
    exposure with limits ``low`` and ``high``. ``poisson_only`` is true where the units were too few to
    measure how much they differ, so that the limits speak of these units only.
    """

    events: FloatArray
    exposure: FloatArray
    units: IntArray
    rate: FloatArray
    low: FloatArray
    high: FloatArray
    poisson_only: NDArray[np.bool_]


def rate_intervals(
    events: ArrayLike,
    exposure: ArrayLike,
    group: ArrayLike,
    n_groups: int,
    *,
    level: float = 0.95,
    min_units: int = 5,
    between: ArrayLike | None = None,
) -> RateIntervals:
    """Rate of each group with limits for the long-run rate of such units.

    Units differ: some fail often, most never. Exact Poisson limits [1] forget that, so the variance of a
    group's count y is raised by what the units' scatter shows beyond chance, and gamma limits [2] with
    that variance are taken. With y_i and e_i a unit's events and exposure and E their group's exposure,

        J = sum (y_i - e_i (y - y_i) / (E - e_i))^2     = sum (y_i - e_i y / E)^2 / (1 - e_i / E)^2
        v = y + max(J - y, 0) (t / z)^2                 t on units - 1 degrees of freedom, z normal

    that is, each unit is held against the rate of the others. See `gamma_limits` for the limits.

    Parameters: ``events`` (may be fractional), ``exposure`` and ``group`` (codes 0 to n_groups - 1) have
    one entry for each pair of group and unit, in any order, which changes nothing in the answer. Units
    without events must be there, as their exposure counts. ``between``, by group, replaces J where the
    scatter is known otherwise (from a bootstrap over units, say).

    Zero events: 0 to -ln((1 - level) / 2) / E, which is 3.689 / E at 95 %. Fewer than ``min_units`` units
    with exposure: exact Poisson and ``poisson_only``. No exposure: rate and limits are nan. Ties do not
    matter. Raises ValueError for negative, missing or infinite numbers, unequal lengths, codes out of
    range, a level outside (0, 1) or min_units below 2.
    """
    if min_units < 2:
        raise ValueError(f"min_units must be 2 or more, as one unit shows no scatter; it is {min_units}")
    y, e, g = _entries(events, exposure, group, n_groups)
    y_sum, e_sum = _sums(y, g, n_groups), _sums(e, g, n_groups)
    units = np.bincount(g[e > 0], minlength=n_groups)
    few = units < min_units
    scatter = _scatter(y, e, g, y_sum, e_sum) if between is None else _by_group(between, n_groups)
    excess = np.where(few, 0.0, excess_variance(y_sum, scatter, units, level))
    low, high = gamma_limits(y_sum, y_sum + excess, level)
    per_exposure = np.divide(1.0, e_sum, out=np.full(n_groups, np.nan), where=e_sum > 0)
    return RateIntervals(
        y_sum, e_sum, units, y_sum * per_exposure, low * per_exposure, high * per_exposure, few
    )


def scatter(events: ArrayLike, exposure: ArrayLike, group: ArrayLike, n_groups: int) -> FloatArray:
    """J by group, as in `rate_intervals`: the variance of the group's count that its units show."""
    y, e, g = _entries(events, exposure, group, n_groups)
    return _scatter(y, e, g, _sums(y, g, n_groups), _sums(e, g, n_groups))


def poisson_limits(events: ArrayLike, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Exact limits (low, high) of a Poisson mean from a count, of the shape of ``events`` [1].

    Zero events: 0 and -ln((1 - level) / 2), 3.689 at 95 %. Fractional counts are allowed and interpolate
    smoothly. Divide by the exposure for a rate. Raises ValueError for a negative or missing count.
    """
    y = _amounts(events, "events")
    tail = _tail(level)
    return _gamma_low(y, tail), _gamma_high(y + 1.0, tail)


def gamma_limits(
    mean: ArrayLike, variance: ArrayLike, level: float = 0.95, *, step: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Limits (low, high) of the mean of a count that varies more, or less, than a Poisson count [2].

    The lower limit is a quantile of the gamma distribution with that mean and variance, the upper limit of
    the one with mean + step and variance + step^2. ``step`` is what one more event adds: 1 for a count,
    the greatest weight for a weighted sum. With variance = mean and step 1 they are `poisson_limits`.

    The upper quantile grows with the variance up to a point and then falls back towards zero; the variance
    used for it stops at mean^2 / (1 - level), about where it turns, so that more scatter never gives a
    lower upper limit than that. Zero mean: low is 0. ``mean`` and ``variance`` broadcast. Raises
    ValueError for negative or missing numbers.
    """
    m, v = np.broadcast_arrays(_amounts(mean, "mean"), _amounts(variance, "variance"))
    tail = _tail(level)
    scale = np.divide(v, m, out=np.ones(m.shape), where=(m > 0) & (v > 0))
    low = np.where(v > 0, _gamma_low(m / scale, tail) * scale, m)
    top_mean = m + step
    shape = np.maximum(top_mean**2 / (v + step**2), 2.0 * tail)
    return low, _gamma_high(shape, tail) * (top_mean / shape)


def one_sided(level: float) -> float:
    """Level of the two-sided limits of this module of which each alone, taken by itself, holds with `level` [3].

    With level 0.95: 0.90. So the lower limit of a mean time without events is T / -ln(1 - level), as
    `mtbf_lower_limit` has it. Raises ValueError for a level that is not above one half.
    """
    if not 0.5 < level < 1:
        raise ValueError(f"level must lie between 0.5 and 1; it is {level}")
    return 2 * level - 1


def excess_variance(chance: ArrayLike, between: ArrayLike, units: ArrayLike, level: float) -> FloatArray:
    """What scatter between units adds to the variance that chance alone gives; never below 0.

    max(between - chance, 0) (t / z)^2, with the two-sided quantiles of Student's t on units - 1 degrees of
    freedom and of the normal distribution: a scatter measured on few units is itself uncertain. Arguments
    broadcast; ``units`` below 2 counts as 2.
    """
    tail = _tail(level)
    freedom = np.maximum(np.asarray(units, dtype=np.float64) - 1.0, 1.0)
    widening = (special.stdtrit(freedom, tail) / special.ndtri(tail)) ** 2
    beyond = np.asarray(between, dtype=np.float64) - np.asarray(chance, dtype=np.float64)
    return np.asarray(np.maximum(beyond, 0.0) * widening, dtype=np.float64)


def mtbf_limits(
    total_time: ArrayLike, failures: ArrayLike, level: float = 0.95, *, ended_by: EndedBy = "time"
) -> tuple[FloatArray, FloatArray]:
    """Chi-square limits (low, high) of a mean time between failures of constant rate [3] [4].

    ``total_time`` is the operating time of all systems together, in any unit, which the limits share.
    ``ended_by`` says what ended the watch: a set time, or the last failure counted. With T and r they are
    2T / chi2(1 - a/2; 2r + 2) (2r if ended by a failure) and 2T / chi2(a/2; 2r), a = 1 - level.

    Zero failures: high is nan, as no finite upper limit exists, and low is the two-sided one,
    T / -ln(a/2); the handbook's own answer there is the one-sided `mtbf_lower_limit`. Zero time: nan.
    Arguments broadcast. Raises ValueError for negative or missing numbers, and for zero failures with
    ``ended_by="failure"``, which can't be.
    """
    time, count = _watch(total_time, failures, ended_by)
    most_failures = _gamma_high(count + (ended_by == "time"), _tail(level))
    fewest_failures = _gamma_low(count, _tail(level))
    return _ratio(time, most_failures), _ratio(time, fewest_failures)


def mtbf_lower_limit(
    total_time: ArrayLike, failures: ArrayLike, level: float = 0.95, *, ended_by: EndedBy = "time"
) -> FloatArray:
    """One-sided lower limit of a mean time between failures: exceeded with confidence ``level`` [3].

    2T / chi2(level; 2r + 2), or 2r degrees of freedom if ended by a failure. Zero failures:
    T / -ln(1 - level), the handbook's zero-failure rule. Otherwise as `mtbf_limits`.
    """
    time, count = _watch(total_time, failures, ended_by)
    return _ratio(time, _gamma_high(count + (ended_by == "time"), 2.0 * _tail(level)))


def count_quantile(
    chance: float, near: ArrayLike, distribution: Callable[[FloatArray], NDArray[np.floating]]
) -> FloatArray:
    """Least whole number, 0 or more, at which a distribution function of counts reaches a chance.

    ``near``: where its continuous form does, of any shape, which that of the result is; ``distribution`` takes an array
    of that shape. With ``pdtrik`` and ``pdtr`` of scipy.special it is the quantile of the Poisson distribution, say, as
    ``scipy.stats`` works it out, which takes half a second to load. Not a number in ``near`` stays so.
    """
    above = np.ceil(near)
    before = np.maximum(above - 1, 0)
    return np.asarray(np.where(distribution(before) >= chance, before, above))


def _entries(
    events: ArrayLike, exposure: ArrayLike, group: ArrayLike, n_groups: int
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Checked arrays in one fixed order, so that floating sums do not depend on the order given."""
    y, e = _amounts(events, "events"), _amounts(exposure, "exposure")
    g = np.asarray(group)
    if not (y.ndim == 1 and y.shape == e.shape == g.shape):
        raise ValueError(
            f"events, exposure and group must be of one length; they are {y.shape}, {e.shape}, {g.shape}"
        )
    if g.size and not np.issubdtype(g.dtype, np.integer):
        raise ValueError(f"group must hold whole numbers; it holds {g.dtype}")
    if g.size and (g.min() < 0 or g.max() >= n_groups):
        raise ValueError(f"group codes must lie in 0 to {n_groups - 1}; they span {g.min()} to {g.max()}")
    order = np.lexsort((e, y, g))
    return y[order], e[order], g[order].astype(np.int64)


def _scatter(y: FloatArray, e: FloatArray, g: IntArray, y_sum: FloatArray, e_sum: FloatArray) -> FloatArray:
    """J by group: squares of each unit's events less those expected at the rate of the other units."""
    others = e_sum[g] - e
    expected = np.divide(e * (y_sum[g] - y), others, out=np.zeros_like(y), where=others > 0)
    return _sums((y - expected) ** 2, g, e_sum.size)


def _sums(values: FloatArray, group: IntArray, n_groups: int) -> FloatArray:
    return np.bincount(group, weights=values, minlength=n_groups).astype(np.float64)


def _by_group(values: ArrayLike, n_groups: int) -> FloatArray:
    array = _amounts(values, "between")
    if array.shape != (n_groups,):
        raise ValueError(f"between must have one entry for each of {n_groups} groups; it is {array.shape}")
    return array


def _watch(total_time: ArrayLike, failures: ArrayLike, ended_by: EndedBy) -> tuple[FloatArray, FloatArray]:
    if ended_by not in ("time", "failure"):
        raise ValueError(f"ended_by must be 'time' or 'failure'; it is {ended_by!r}")
    time, count = _amounts(total_time, "total_time"), _amounts(failures, "failures")
    if ended_by == "failure" and (count <= 0).any():
        raise ValueError("a watch that ended by a failure has one failure at least")
    return time, count


def _ratio(time: FloatArray, count: FloatArray) -> FloatArray:
    time, count = np.broadcast_arrays(time, count)
    defined = (time > 0) & (count > 0)
    return np.where(defined, time / np.where(defined, count, 1.0), np.nan)


def _gamma_low(shape: FloatArray, tail: float) -> FloatArray:
    """Value of a gamma variable of scale 1 with the tail below it; 0 where the shape is 0."""
    positive = np.where(shape > 0, shape, 1.0)
    return np.asarray(np.where(shape > 0, special.gammaincinv(positive, tail), 0.0), dtype=np.float64)


def _gamma_high(shape: FloatArray, tail: float) -> FloatArray:
    """Value of a gamma variable of scale 1 with the tail above it."""
    return np.asarray(special.gammainccinv(shape, tail), dtype=np.float64)


def _amounts(values: ArrayLike, name: str) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if not (np.isfinite(array) & (array >= 0)).all():
        raise ValueError(f"{name} must be finite and not negative")
    return array


def _tail(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    return (1.0 - level) / 2.0
