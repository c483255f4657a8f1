"""Ratios of rates and the cumulative hazard, against slower versions written differently."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from repermit.statistics.comparison import cumulative_hazard, rate_ratio


def slow_limit(events: int, of: int, tail: float, upper: bool) -> float:
    """The binomial share at which so few (so many) events have the probability `tail`, by root search."""
    if upper:
        return float(optimize.brentq(lambda p: stats.binom.cdf(events, of, p) - tail, 1e-12, 1 - 1e-12))
    return float(optimize.brentq(lambda p: stats.binom.sf(events - 1, of, p) - tail, 1e-12, 1 - 1e-12))


@pytest.mark.parametrize("seed", range(20))
def test_limits_against_root_search(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = (int(n) for n in rng.integers(1, 40, 2))
    t, u = (float(x) for x in rng.uniform(0.01, 1e5, 2))
    level = float(rng.uniform(0.5, 0.99))
    shares = [slow_limit(a, a + b, (1 - level) / 2, upper) for upper in (False, True)]
    ratio, low, high = rate_ratio(a, t, b, u, level)
    assert ratio == pytest.approx((a / t) / (b / u), rel=1e-12)
    assert (low, high) == pytest.approx([p / (1 - p) * u / t for p in shares], rel=1e-7)


def test_no_events() -> None:
    ratio, low, high = rate_ratio(0, 10, 5, 10)
    assert (ratio, low) == (0, 0) and 0 < high < math.inf
    ratio, low, high = rate_ratio(5, 10, 0, 10)
    assert (ratio, high) == (math.inf, math.inf) and low > 0
    ratio, low, high = rate_ratio(0, 10, 0, 10)
    assert math.isnan(ratio) and (low, high) == (0, math.inf)
    assert all(math.isnan(x) for x in rate_ratio(1, 0, 1, 10))


def test_refuses_what_makes_no_sense() -> None:
    with pytest.raises(ValueError):
        rate_ratio(-1, 1, 1, 1)
    with pytest.raises(ValueError):
        cumulative_hazard([1.0, 2.0], [1.0], [1.0])


def slow_hazard(time: list[float], events: list[float], at: float) -> float:
    """Sum over event times of events over those still in view."""
    total = 0.0
    for t in sorted(set(time)):
        if t <= at:
            happened = math.fsum(e for s, e in zip(time, events, strict=True) if s == t)
            total += happened / sum(s >= t for s in time)
    return total


@pytest.mark.parametrize("seed", range(20))
def test_hazard_against_a_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 30))
    time = (rng.integers(0, 8, n) * 10.0 ** rng.integers(-6, 6)).tolist()
    events = np.where(rng.random(n) < 0.3, 0.0, rng.random(n)).tolist()
    at = [0.0, *sorted(time), max(time) * 2 + 1]
    assert cumulative_hazard(time, events, at) == pytest.approx([slow_hazard(time, events, a) for a in at])
    order = rng.permutation(n)
    shuffled = cumulative_hazard(np.array(time)[order], np.array(events)[order], at)
    assert shuffled == pytest.approx(cumulative_hazard(time, events, at), rel=1e-12)


def test_hand_made_hazard() -> None:
    """Three at risk: one event at 1, one lost at 1, one event at 2: 1/3, then 1/1 more."""
    assert cumulative_hazard([1, 1, 2], [1, 0, 1], [0.5, 1, 2, 9]) == pytest.approx([0, 1 / 3, 4 / 3, 4 / 3])
    assert cumulative_hazard([], [], [1.0]) == pytest.approx([0.0])
