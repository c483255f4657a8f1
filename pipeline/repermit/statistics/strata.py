"""One group held against others within strata, given how many events each stratum had.

Touches numpy, scipy.special and scipy.optimize only. A stratum had `events` in all, of which the group was due the
`share` if it were like the others: its part of the exposure. Whatever makes strata differ cancels out.

References
----------
[1] Breslow N.E., Day N.E. (1980, 1987) Statistical Methods in Cancer Research, volumes I and II. IARC (exact
    conditional inference on stratified counts).
[2] Lugannani R., Rice S. (1980) Saddle point approximation for the distribution of the sum of independent random
    variables. Advances in Applied Probability 12, 475-490; Daniels H.E. (1987) Tail probability approximations.
    International Statistical Review 55, 37-48 (from memory).
[3] Hinkley D.V. (1970) Inference about the change-point in a sequence of random variables. Biometrika 57,
    1-17 (from memory): the likelihood over its place, the rest at its best for each.
[4] McCullagh P., Nelder J.A. (1989) Generalized Linear Models, 2nd ed. Chapman and Hall, 4.5 (counts that scatter more
    than the binomial; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

FloatArray = NDArray[np.float64]
EXACT = 500
"""Up to so many events tails are summed out; beyond, they come from the saddlepoint, within 2 %."""
FARTHEST = 40.0
"""Logarithm of the greatest ratio looked for; beyond it is infinite."""


@dataclass(frozen=True)
class Held:
    """A group's rate over that of the others: `p` that so many or more come by chance, the ratio, its limits.

    `expected`: the events due at a ratio of 1. All nan where no stratum with events has both group and others.
    """

    p: float
    ratio: float
    low: float
    high: float
    expected: float


def held_against(count: float, events: ArrayLike, share: ArrayLike, level: float = 0.95) -> Held:
    """Hold a group's `count` of events against what the strata lead to expect, conditional on their totals [1].

    `events` (n): all events of a stratum, the group's among them. `share` (n): the group's part of its exposure.
    At a rate ratio r each event is the group's with probability r s / (r s + 1 - s); the count is a sum of
    binomials, whose tails are exact up to EXACT events and saddlepoint ones beyond [2]; with equal shares ratio and
    limits are those of `comparison.rate_ratio`. `p` is one-sided. The ratio is the likeliest; limits are where a
    tail is half of 1 - level. Events with a share of 0 or 1 tell nothing and are left out.

    Count 0: p 1, ratio and low 0. All events the group's: ratio and high infinite. Raises ValueError for unequal
    lengths, events that are negative or not whole, shares outside 0 to 1, more events of the group than there are, a level outside (0, 1).
    """
    x, y, s = _telling(count, events, share)
    total = float(y.sum())
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1; it is {level}")
    if total == 0:
        return Held(*[math.nan] * 5)
    tail = (1 - level) / 2
    at_least = _law(x, y.tobytes(), s.tobytes())
    ratio = _likeliest(x, y, s)
    low = _root(lambda r: at_least(x, r) - tail, ratio) if x > 0 else 0.0
    high = _root(lambda r: tail - (1 - at_least(x + 1, r)), ratio) if x < total else math.inf
    due = x / ratio if 0 < ratio < math.inf else 0.0 if ratio else float(np.sum(y * s / (1 - s)))
    return Held(at_least(x, 1.0), ratio, low, high, due)


def chance_of_more(count: float, events: ArrayLike, share: ArrayLike) -> float:
    """The `p` of `held_against` alone: so many events of the group or more. nan where no stratum tells."""
    x, y, s = _telling(count, events, share)
    return _law(x, y.tobytes(), s.tobytes())(x, 1.0) if y.size else math.nan


@dataclass(frozen=True)
class Paired:
    """The units' rate in one period over that in another, with limits; `units` tell something, with `events` in both."""

    ratio: float
    low: float
    high: float
    units: int
    events: int


def paired_ratio(
    now: ArrayLike, then: ArrayLike, exposed_now: ArrayLike, exposed_then: ArrayLike, level: float = 0.95
) -> Paired:
    """The same units in two periods: ratio of their rates, each unit held against itself [1].

    All of shape (n), a unit each: whole events, and exposure in any unit of time. Given a unit's events of both periods
    those of `now` are binomial, so that units may differ as they like; ratio and limits are those of `held_against`. Where
    events scatter over units more than that, as repairs that do not hold make them, the logarithms of the limits are drawn
    out by the root of Pearson's statistic over its freedom [4] times Student's quantile over the normal one; never in.

    A unit exposed in one period only, or without events, tells nothing. Zero events now: ratio and low 0; then: ratio and
    high infinite; in both: ratio nan, limits 0 to infinity. Raises ValueError as `held_against`, and for negative exposure.
    """
    a, b, e, f = (np.asarray(v, dtype=np.float64) for v in (now, then, exposed_now, exposed_then))
    if not a.shape == b.shape == e.shape == f.shape or a.ndim != 1 or (e < 0).any() or (f < 0).any():
        raise ValueError("counts and exposures must be of one length, exposures not negative")
    both = (e > 0) & (f > 0)
    a, y, s = a[both], (a + b)[both], (e[both] / (e + f)[both])
    units, events = int((y > 0).sum()), int(y.sum())
    if not events:
        return Paired(math.nan, 0.0, math.inf, 0, 0)
    held = held_against(float(a.sum()), y, s, level)
    drawn = _scatter(a, y, s, held.ratio, level) if 0 < held.ratio < math.inf else 1.0
    low = held.ratio * (held.low / held.ratio) ** drawn if 0 < held.ratio < math.inf else held.low
    high = held.ratio * (held.high / held.ratio) ** drawn if 0 < held.ratio < math.inf else held.high
    return Paired(held.ratio, low, high, units, events)


def _scatter(a: FloatArray, y: FloatArray, s: FloatArray, ratio: float, level: float) -> float:
    """By how much limits are drawn out, as events scatter over units more than binomial ones; 1 or more."""
    p, freedom = _chance(s, ratio), int((y > 0).sum()) - 1
    if freedom < 1:
        return 1.0
    times = float(((a - y * p) ** 2).sum() / (y * p * (1 - p)).sum()) * (freedom + 1) / freedom
    tail = (1 + level) / 2
    return (
        math.sqrt(times) * float(special.stdtrit(freedom, tail) / special.ndtri(tail)) if times > 1 else 1.0
    )


@dataclass(frozen=True)
class Start:
    """The likeliest period from which a group stood above the others, and those that fit nearly as well."""

    best: int
    earliest: int
    latest: int
    gain: float


def likeliest_start(
    counts: ArrayLike, events: ArrayLike, share: ArrayLike, period: ArrayLike, within: float = 3.0
) -> Start | None:
    """From which period on the group's rate was above the others', none before it [3].

    `counts`, `events`, `share` as in `held_against` but by stratum, `period` (n) its period, from 0 up. For each
    start the ratio after it is the likeliest one above 1; `gain` is the log-likelihood over that of no excess
    at all. Periods whose gain is within `within` of the best fit nearly as well. Of equals the latest is best: a
    start in periods without events is that of the next with some. None where no start gains anything.
    """
    x, y, s, when = (np.asarray(v, dtype=np.float64) for v in (counts, events, share, period))
    telling = (y > 0) & (s > 0) & (s < 1)
    x, y, s, when = x[telling], y[telling], s[telling], when[telling]
    starts = np.unique(when).astype(int)
    gains = []
    for start in starts:
        after = when >= start
        gains.append(_gain(float(x[after].sum()), y[after], s[after]))
    if not gains or max(gains) <= 0:
        return None
    gain = np.array(gains)
    best = int(starts[gain.size - 1 - int(np.argmax(gain[::-1]))])
    near = starts[gain >= gain.max() - within]
    return Start(best, int(near.min()), int(near.max()), float(gain.max()))


def _gain(x: float, y: FloatArray, s: FloatArray) -> float:
    ratio = min(_likeliest(x, y, s), math.exp(FARTHEST))
    return 0.0 if ratio <= 1 else float(x * math.log(ratio) - np.sum(y * np.log1p(s * (ratio - 1))))


def _likeliest(x: float, y: FloatArray, s: FloatArray) -> float:
    if x <= 0:
        return 0.0
    if x >= y.sum():
        return math.inf
    return _root(lambda r: float(np.sum(y * _chance(s, r))) - x, x / float(np.sum(y * s)))


def _root(rises: Callable[[float], float], near: float = 1.0) -> float:
    """The ratio at which a rising function is 0, sought from near; 0 or infinity where it lies beyond the farthest."""
    at = min(max(math.log(near), -FARTHEST), FARTHEST) if 0 < near < math.inf else 0.0
    found, step = rises(math.exp(at)), 0.25
    while True:
        before, left = at, found
        at = min(max(at + math.copysign(step, -left), -FARTHEST), FARTHEST)
        found, step = rises(math.exp(at)), 3 * step
        if found * left <= 0:
            break
        if abs(at) == FARTHEST:
            return 0.0 if found > 0 else math.inf
    return math.exp(
        float(optimize.brentq(lambda log: rises(math.exp(log)), min(at, before), max(at, before), xtol=1e-10))
    )


def _chance(s: FloatArray, ratio: float) -> FloatArray:
    raised: FloatArray = ratio * s
    return np.asarray(raised / (raised + 1 - s), dtype=np.float64)


@lru_cache(maxsize=256)
def _law(x: float, events: bytes, share: bytes) -> Callable[[float, float], float]:
    """The probability of k events or more of the group at a ratio r, as a function of k and r.

    A ratio r turns the probability of k events at ratio 1 by r^k, but for a factor; the law is worked out once, at the
    ratio that expects about x. It is kept, as the same events are tested and then held at more than one level; as bytes
    the arrays can be looked up.
    """
    y, s = np.frombuffer(events), np.frombuffer(share)
    total = float(y.sum())
    near = _likeliest(min(max(x, 0.5), total - 0.5), y, s)
    law = _spread(y, _chance(s, near)) if total <= EXACT else None
    k = np.arange(total + 1)

    @cache  # of one count at many ratios
    def saddlepoint(count: float) -> float:
        return math.log(_likeliest(count - 0.5, y, s))

    def at_least(count: float, ratio: float) -> float:
        if not 0 < count <= total:
            return 1.0 if count <= 0 else 0.0
        if law is None:
            return _saddlepoint(count, saddlepoint(count), y, s, math.log(ratio))
        turned = law + k * math.log(ratio / near)
        turned = np.exp(turned - turned.max())
        return float(turned[int(count) :].sum() / turned.sum())

    return at_least


def _spread(y: FloatArray, q: FloatArray) -> FloatArray:
    """Logarithms of the probabilities of 0, 1, ... events in all, added event by event: y of them at chance q."""
    each = np.sort(np.repeat(q, y.astype(int)))
    spread = np.ones(1)
    for pair in np.stack([1 - each, each], 1):
        spread = np.convolve(spread, pair)
    found: FloatArray = np.log(np.maximum(spread, 1e-300))
    return found


def _saddlepoint(x: float, at: float, y: FloatArray, s: FloatArray, log_ratio: float) -> float:
    """The tail by Lugannani and Rice's formula with Daniels' second correction for whole numbers [2].

    The counts are an exponential family in the logarithm of the ratio, so the saddlepoint `at` is the likeliest one.
    """
    q = _chance(s, math.exp(at))
    tilt, spread = float(at - log_ratio), float(np.sum(y * q * (1 - q)))
    if abs(tilt) * math.sqrt(spread) < 1e-4:  # the formula's limit there
        skew = float(np.sum(y * q * (1 - q) * (1 - 2 * q)))
        return 0.5 - skew / (6 * math.sqrt(2 * math.pi) * math.pow(spread, 1.5))
    fall = np.log1p(s * math.expm1(at)) - np.log1p(s * math.expm1(log_ratio))
    w = math.copysign(math.sqrt(2 * (tilt * (x - 0.5) - float(y @ fall))), tilt)
    u = 2 * math.sinh(tilt / 2) * math.sqrt(spread)
    bell = math.exp(-w * w / 2) / math.sqrt(2 * math.pi)
    return min(max(float(special.ndtr(-w)) + bell * (1 / u - 1 / w), 0.0), 1.0)


def _telling(count: float, events: ArrayLike, share: ArrayLike) -> tuple[float, FloatArray, FloatArray]:
    y, s = np.asarray(events, dtype=np.float64), np.asarray(share, dtype=np.float64)
    if y.ndim != 1 or y.shape != s.shape:
        raise ValueError(f"events and share must be of one length; they are {y.shape} and {s.shape}")
    if not ((y >= 0).all() and (y == np.rint(y)).all() and (s >= 0).all() and (s <= 1).all()):
        raise ValueError("events must be whole and not negative, and shares lie between 0 and 1")
    own = float(y[s == 1].sum())
    if not own <= count <= float(y[s > 0].sum()):
        raise ValueError(f"a count of {count} can't be: {own} to {y[s > 0].sum()} events can be the group's")
    telling = (s > 0) & (s < 1) & (y > 0)
    return count - own, y[telling], s[telling]


def chance_of_more_hits(
    hits: ArrayLike, tries: ArrayLike, other_hits: ArrayLike, other_tries: ArrayLike
) -> tuple[float, float, float]:
    """A group's share of hits against the others' within strata: (p, expected, least p that it could have had).

    Each of shape (n,), by stratum. Given the hits of a stratum in all, the group's are hypergeometric if it is like the
    others; the sum over strata is worked out exactly (Fisher 1935; Mantel and Haenszel 1959, from memory). `p`: so
    many hits or more. The least p is that of a group that hits every time: if even that is not small, its tries are
    too few to tell. No tries, or no others: p and least p are 1, and all hits are expected. Raises ValueError for
    numbers that are negative, not whole, or more hits than tries.
    """
    x, n, y, m = (np.asarray(v, dtype=np.int64) for v in (hits, tries, other_hits, other_tries))
    if not ((x >= 0) & (x <= n) & (y >= 0) & (y <= m)).all():
        raise ValueError("hits must not be negative, nor more than tries")
    spread, expected = np.ones(1), 0.0
    for a, b, hit in zip(n, m, x + y, strict=True):
        k = np.arange(a + 1)
        possible = (k <= hit) & (hit - k <= b)
        ways = _ways(a, k) + _ways(b, np.clip(hit - k, 0, b)) - _ways(a + b, hit)
        spread = np.convolve(spread, np.exp(np.where(possible, ways, -np.inf)))
        expected += float(a * hit / (a + b)) if a + b else 0.0
    most = int(np.minimum(n, x + y).sum())
    return min(float(spread[int(x.sum()) :].sum()), 1.0), expected, min(float(spread[most:].sum()), 1.0)


def _ways(of: ArrayLike, k: ArrayLike) -> FloatArray:
    """Logarithm of the number of ways to choose k."""
    n, chosen = np.asarray(of, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return np.asarray(special.gammaln(n + 1) - special.gammaln(chosen + 1) - special.gammaln(n - chosen + 1))
