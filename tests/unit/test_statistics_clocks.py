"""Which clock explains better: against regressions by another library, and on worlds that run on a known clock."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from repermit.statistics.clocks import compare_clocks

Floats = NDArray[np.float64]


def world(seed: int, per: str, units: int = 40, unlike: bool = True) -> tuple[Floats, Floats, Floats]:
    """Events, loads and days by unit and month; trailers differ in how much they load and, some, in how often they fail."""
    rng = np.random.default_rng(seed)
    days = np.full((units, 24), 30.0)
    loads = rng.poisson(rng.gamma(4, 15, units)[:, None] * rng.gamma(4, 0.25, days.shape)).astype(float)
    rate = rng.gamma(4, 0.25, units)[:, None] if unlike else 1.0
    exposure = loads / loads.mean() if per == "loads" else days / days.mean()
    return rng.poisson(0.3 * rate * exposure).astype(float), loads, days


@pytest.mark.parametrize("seed", range(3))
def test_constant_rates_are_those_of_a_regression(seed: int) -> None:
    n, loads, days = world(seed, "loads")
    loads = np.maximum(loads, 1)
    fits = [
        sm.GLM(n.ravel(), np.ones((n.size, 1)), family=sm.families.Poisson(), offset=np.log(e.ravel())).fit()
        for e in (loads, days)
    ]
    parts = [
        (n * np.log(f.fittedvalues.reshape(n.shape)) - f.fittedvalues.reshape(n.shape)).sum(1) for f in fits
    ]
    apart = parts[0] - parts[1]
    got = compare_clocks(n, loads, days)
    assert got.constant == pytest.approx(fits[0].llf - fits[1].llf, rel=1e-6)
    assert got.z == pytest.approx(apart.sum() / (apart.std(ddof=1) * math.sqrt(apart.size)), rel=1e-6)


def test_power_law_by_a_walk_over_shapes() -> None:
    """Two units of two periods on clock a: expected in each period as scale (u2^shape - u1^shape)."""
    n, a = np.array([[1.0, 3.0], [0.0, 2.0]]), np.array([[2.0, 2.0], [1.0, 3.0]])
    best = max(
        (sum(k * math.log(g * 6 / t) - g * 6 / t for k, g in zip((1, 3, 0, 2), grown, strict=True)), s)
        for s in np.linspace(0.5, 6, 55_001)
        for grown in [(2**s, 4**s - 2**s, 1.0, 4**s - 1)]
        for t in [sum(grown)]
    )
    got = compare_clocks(n, a, np.ones((2, 2)))
    assert got.shape_a == pytest.approx(best[1], abs=2e-4)
    flat = sum(k * math.log(e * 6 / 8) - e * 6 / 8 for k, e in zip((1, 3, 0, 2), (2, 2, 1, 3), strict=True))
    even = sum(k * math.log(1.5) - 1.5 for k in (1, 3, 0, 2))
    assert got.constant == pytest.approx(flat - even)


def test_the_clock_that_a_world_runs_on_is_the_better_one() -> None:
    told = {per: [compare_clocks(*world(seed, per)) for seed in range(15)] for per in ("loads", "days")}
    assert sum(c.p < 0.05 and c.z > 0 for c in told["loads"]) >= 13
    assert sum(c.p < 0.05 and c.z < 0 for c in told["days"]) >= 13


def test_clocks_that_differ_by_chance_alone_are_seldom_told_apart() -> None:
    """Events run on a third clock; the two compared are noise around it, each as much as the other."""
    rng = np.random.default_rng(3)
    alarms = 0
    for _ in range(200):
        base = rng.gamma(4, 0.25, (30, 1)) * np.ones((30, 12))
        a, b = (base * rng.gamma(6, 1 / 6, (30, 1)) * 30 for _ in range(2))
        alarms += compare_clocks(rng.poisson(0.4 * base), a, b).p < 0.05
    assert 2 <= alarms <= 20


def test_what_can_t_be_told() -> None:
    n, loads, days = world(1, "loads")
    assert math.isnan(compare_clocks(np.zeros_like(n), loads, days).z)
    same = compare_clocks(n, days * 3, days)
    assert same.constant == pytest.approx(0, abs=1e-9) and math.isnan(same.z)
    one = compare_clocks(n[:1] + 1, loads[:1], days[:1])
    assert math.isnan(one.z) and math.isfinite(one.constant)
    idle = compare_clocks([[1.0, 2.0], [1.0, 0.0]], [[0.0, 9.0], [5.0, 0.0]], [[30.0, 30.0], [30.0, 30.0]])
    assert math.isfinite(idle.constant)


def test_order_of_units_changes_nothing_and_bad_input_is_refused() -> None:
    n, loads, days = world(2, "loads")
    order = np.random.default_rng(0).permutation(40)
    first, second = compare_clocks(n, loads, days), compare_clocks(n[order], loads[order], days[order])
    assert (second.constant, second.z) == (first.constant, first.z)
    assert second.power_law == pytest.approx(first.power_law, rel=1e-9)
    with pytest.raises(ValueError, match="one shape"):
        compare_clocks(n, loads[:5], days)
    with pytest.raises(ValueError, match="not negative"):
        compare_clocks(n, -loads, days)
