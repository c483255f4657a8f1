"""Time gained, against slower versions written differently."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from repermit.statistics.competing import aalen_johansen
from repermit.statistics.time_lost import time_gained

Sample = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def sample(seed: int, n: int = 40) -> Sample:
    """Times on a coarse grid (ties), two causes by probability, two groups, few clusters that reach into both."""
    rng = np.random.default_rng(seed)
    time = rng.integers(0, 12, n) * 10.0
    share = rng.choice([0.0, 0.3, 1.0], n)
    weight = np.column_stack([share, 1 - share]) * (rng.random((n, 1)) < 0.7)
    here = rng.random(n) < 0.4
    here[:2] = [True, False]
    time[:2] = 200.0  # both groups are followed to the end
    weight[:2] = 0.0
    return time, weight, here, rng.integers(0, 9, n)


def slow_lost(time: np.ndarray, weight: np.ndarray, counts: np.ndarray, until: float) -> float:
    """Area under the incidence of event 1: step by step, with how often each subject counts."""
    area, incidence, free, before = 0.0, 0.0, 1.0, 0.0
    for t in [*sorted(set(time[weight.sum(axis=1) > 0].tolist())), np.inf]:
        area += incidence * (min(t, until) - min(before, until))
        at_risk = counts[time >= t].sum()
        if t == np.inf or at_risk == 0:
            break
        now = time == t
        incidence += free * (counts[now] * weight[now, 0]).sum() / at_risk
        free *= 1 - (counts[now] * weight[now].sum(axis=1)).sum() / at_risk
        before = t
    return area + incidence * max(until - max(before, 0.0), 0.0) * (t != np.inf)


@pytest.mark.parametrize("seed", range(12))
def test_time_gained_against_steps_and_differences(seed: int) -> None:
    time, weight, here, cluster = sample(seed)
    ones, until, small = np.ones(time.size), 90.0, 1e-5
    found = time_gained(time, weight, here, until, cluster=cluster)
    assert found is not None
    lost = [slow_lost(time[g], weight[g], ones[g], until) for g in (here, ~here)]
    assert [found.here, found.there] == pytest.approx(lost, rel=1e-10, abs=1e-12)
    assert found.gained == pytest.approx(lost[1] - lost[0], rel=1e-9, abs=1e-9)
    clusters = np.unique(cluster)
    pulls = []
    for one in clusters:  # what the difference does when this cluster counts a little more or less
        change = []
        for step in (small, -small):
            counts = ones + step * (cluster == one)
            here_lost, there_lost = (slow_lost(time[g], weight[g], counts[g], until) for g in (here, ~here))
            change.append(there_lost - here_lost)
        pulls.append((change[0] - change[1]) / (2 * small))
    m = clusters.size
    half = stats.t.ppf(0.975, m - 1) * np.sqrt(np.sum(np.square(pulls)) * m / (m - 1))
    assert [found.low, found.high] == pytest.approx(
        [found.gained - half, found.gained + half], rel=1e-5, abs=1e-6
    )


def test_time_lost_is_the_area_of_the_published_estimator() -> None:
    time, weight, here, _ = sample(3)
    grid = np.arange(0.0, 90.0, 0.5)  # the incidence changes at multiples of 10 only
    area = [
        float(aalen_johansen(time[g], None, grid, event_weight=weight[g]).incidence[0].sum() * 0.5)
        for g in (here, ~here)
    ]
    found = time_gained(time, weight, here, 90.0)
    assert found is not None and [found.here, found.there] == pytest.approx(area, rel=1e-9)


def test_by_hand() -> None:
    """Here: one of two lost at 10, so half of 20 days; there: none of two."""
    weight = np.array([[1.0], [0.0], [0.0], [0.0]])
    found = time_gained([10, 50, 50, 50], weight, [True, True, False, False], 30)
    assert found is not None and (found.here, found.there, found.gained) == (10.0, 0.0, -10.0)
    # the derivatives of the half by the two weights are -10/2 and 10/2; 4 clusters
    half = stats.t.ppf(0.975, 3) * np.sqrt(2 * 5.0**2 * 4 / 3)
    assert (found.low, found.high) == pytest.approx((-10 - half, -10 + half), rel=1e-12)


def test_no_answer_where_nobody_is_seen_so_long() -> None:
    weight = np.zeros((4, 1))
    assert time_gained([5, 5, 50, 50], weight, [True, True, False, False], 30) is None
    assert time_gained([50, 50], np.zeros((2, 1)), [True, True], 30) is None
    assert time_gained([50, 50], np.zeros((2, 1)), [True, False], 30, cluster=[1, 1]) is None


def test_order_changes_nothing() -> None:
    time, weight, here, cluster = sample(5)
    order = np.random.default_rng(0).permutation(time.size)
    a = time_gained(time, weight, here, 90.0, cluster=cluster)
    b = time_gained(time[order], weight[order], here[order], 90.0, cluster=cluster[order])
    assert a is not None and b is not None
    assert (a.gained, a.low, a.high) == pytest.approx((b.gained, b.low, b.high), rel=1e-12)
