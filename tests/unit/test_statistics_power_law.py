"""The power-law process against maximisation of its likelihood and simulation, written differently."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import optimize

from repermit.statistics.power_law import power_law


def fleet(
    seed: int, units: int = 12, shape: float = 1.5, late: bool = True, scale: float = 1.0
) -> dict[str, Any]:
    """Own windows of age, most of them from an age above 0, and unequal rates."""
    rng = np.random.default_rng(seed)
    start = rng.uniform(0, 500, units) * late * (np.arange(units) % 4 > 0)
    end = start + rng.uniform(200, 900, units)
    who = np.repeat(np.arange(units), rng.poisson(rng.gamma(2.0, 4.0, units)))
    a, b = start[who] ** shape, end[who] ** shape
    time = (a + rng.random(who.size) * (b - a)) ** (1 / shape)
    return {"time": time * scale, "unit": who, "start": start * scale, "end": end * scale}


def likelihood(shape: float, data: dict[str, Any]) -> float:
    """The truncated likelihood, as it is written."""
    a, b, t = data["start"][data["unit"]], data["end"][data["unit"]], data["time"]
    return float(np.sum(np.log(shape * t ** (shape - 1) / (b**shape - a**shape))))


@pytest.mark.parametrize("late", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_shape_maximises_the_likelihood(seed: int, late: bool) -> None:
    data = fleet(seed, late=late)
    best = optimize.minimize_scalar(
        lambda shape: -likelihood(shape, data), bounds=(0.05, 12), method="bounded", options={"xatol": 1e-10}
    )
    assert power_law(**data).shape == pytest.approx(best.x, rel=1e-6)


@pytest.mark.parametrize("scale", [1e-9, 1e9])
def test_the_unit_of_time_does_not_matter(scale: float) -> None:
    one, other = power_law(**fleet(1)), power_law(**fleet(1, scale=scale))
    assert (other.shape, other.low, other.high, other.fit_p) == pytest.approx(
        (one.shape, one.low, one.high, one.fit_p)
    )
    assert other.mean_now == pytest.approx(one.mean_now * scale)


def test_order_of_rows_changes_nothing() -> None:
    data = fleet(2)
    order = np.random.default_rng(0).permutation(data["time"].size)
    assert power_law(**data) == power_law(
        **(data | {"time": data["time"][order], "unit": data["unit"][order]})
    )


def test_limits_from_units_drawn_again() -> None:
    """Against drawing rows and maximising again: the same percentiles, within what 300 drawings can tell."""
    data = fleet(3, units=20)
    got = power_law(**data)
    rng = np.random.default_rng(8)
    shapes, means = [], []
    for _ in range(300):
        drawn = rng.integers(0, 20, 20)
        unit = np.concatenate([np.full((data["unit"] == u).sum(), k) for k, u in enumerate(drawn)])
        time = np.concatenate([data["time"][data["unit"] == u] for u in drawn])
        again = {"time": time, "unit": unit, "start": data["start"][drawn], "end": data["end"][drawn]}
        shape = optimize.minimize_scalar(
            lambda s, d=again: -likelihood(s, d), bounds=(0.05, 12), method="bounded"
        ).x
        shapes.append(shape)
        a, b = again["start"], again["end"]
        part = 1e-3 * (data["end"] - data["start"]).max()
        counts = np.bincount(unit, minlength=20)
        means.append(20 * part / np.sum(counts * (b**shape - (b - part) ** shape) / (b**shape - a**shape)))
    assert got.from_units
    assert (got.low, got.high) == pytest.approx(np.quantile(shapes, [0.025, 0.975]), rel=0.08)
    assert (got.mean_now_low, got.mean_now_high) == pytest.approx(
        np.quantile(means, [0.025, 0.975]), rel=0.08
    )


def test_mean_time_now_is_exposure_over_expected_events() -> None:
    """Two units from new, 4 and 2 events by age 100, one no longer watched: 4 (1 - 0.9^shape) expected in the last tenth."""
    got = power_law(
        [20, 50, 60, 100, 10, 90], [0, 0, 0, 0, 1, 1], [0, 0], [100, 100], recent=10, at_risk_recent=[9, 0]
    )
    assert got.mean_now == pytest.approx(9 / (4 * (1 - 0.9**got.shape)))
    assert got.mean_now_low < got.mean_now < got.mean_now_high and not got.from_units


def test_what_can_t_be_told() -> None:
    none = power_law([], np.array([], int), [0.0, 5.0], [10.0, 10.0])
    assert none.events == 0 and math.isnan(none.shape) and math.isnan(none.mean_now)
    assert math.isnan(power_law([10.0], [0], [0.0], [10.0]).shape)
    falling = power_law([501, 502, 503, 504], [0] * 4, [500.0], [1000.0])
    assert falling.shape == 0 and falling.low == 0
    with pytest.raises(ValueError, match="negative"):
        power_law([1.0], [0], [-1.0], [5.0])
    with pytest.raises(ValueError, match="recent"):
        power_law([1.0], [0], [0.0], [5.0], recent=0.0)
    with pytest.raises(ValueError, match="at_risk_recent"):
        power_law([1.0], [0], [0.0], [5.0], at_risk_recent=[1.0, 2.0])


def test_what_is_no_power_law_is_seen() -> None:
    """Events at both ends of the windows and none between."""
    rng = np.random.default_rng(4)
    u = np.concatenate([rng.uniform(0.0, 0.2, 40), rng.uniform(0.8, 1.0, 40)])
    who = np.arange(80) % 12
    got = power_law(500 + 500 * u, who, [500.0] * 12, [1000.0] * 12)
    assert got.fit_p < 0.01 < power_law(**fleet(6)).fit_p


@pytest.mark.slow
def test_the_distance_has_the_published_critical_values() -> None:
    """36 events from new: 10 and 5 per cent of histories lie beyond the values of Crow's table, and the simulated
    p-value is below 0.05 for as many."""
    rng = np.random.default_rng(2)
    found = [
        power_law(200 * rng.random(36) ** 1.6, np.arange(36) % 3, [0.0] * 3, [200.0] * 3, seed=i)
        for i in range(600)
    ]
    assert np.mean([f.fit > 0.169 for f in found]) == pytest.approx(0.10, abs=0.03)
    assert np.mean([f.fit > 0.213 for f in found]) == pytest.approx(0.05, abs=0.022)
    assert np.mean([f.fit_p <= 0.05 for f in found]) == pytest.approx(0.05, abs=0.022)
