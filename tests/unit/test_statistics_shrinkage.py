"""Shrunken rates and age replacement: against slow computations, at their edges, and on simulated units."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from repermit.statistics.age_replacement import best_age, cost_rate
from repermit.statistics.shrinkage import shrink


@pytest.mark.parametrize("seed", range(8))
def test_peak_as_a_general_search_finds_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    exposure = rng.uniform(0.2, 4, 40)
    events = rng.poisson(rng.gamma(1.5, 2.0, 40) * exposure)
    found = shrink(events, exposure)

    def slow(v: np.ndarray) -> float:
        a, b = np.exp(v)
        return -float(np.sum(stats.nbinom.logpmf(events, a, b / (b + exposure))))

    best = optimize.minimize(slow, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11})
    assert (found.shape, found.rate) == pytest.approx(np.exp(best.x), rel=1e-4)
    assert found.log_likelihood == pytest.approx(-best.fun, abs=1e-7)
    a, b = found.shape, found.rate
    border = stats.gamma.ppf(0.9, a, scale=1 / b)
    for i in range(5):

        def density(rate: float, i: int = i) -> float:
            return float(
                stats.poisson.pmf(events[i], rate * exposure[i]) * stats.gamma.pdf(rate, a, scale=1 / b)
            )

        top = 40 * a / b
        whole, above, mean = (
            integrate.quad(f, low, top, limit=400, points=[border] if low == 0 else None)[0]
            for f, low in ((density, 0.0), (density, border), (lambda r: r * density(r), 0.0))
        )
        assert found.worst[i] == pytest.approx(above / whole, abs=1e-6)
        assert found.mean[i] == pytest.approx(mean / whole, rel=1e-6)


def test_without_differences_all_are_alike() -> None:
    same = shrink([3, 3, 3, 3], [1.0, 1.0, 1.0, 1.0])
    assert math.isinf(same.shape) and same.p == 1.0
    assert (same.mean == 3.0).all() and np.isnan(same.worst).all()
    assert same.low[0] == pytest.approx(stats.chi2.ppf(0.025, 24) / 2 / 4)
    none = shrink([0, 0, 0], [1.0, 2.0, 3.0])
    assert (none.mean == 0).all() and none.high[0] == pytest.approx(-math.log(0.025) / 6)
    one = shrink([5], [2.0])
    assert one.mean[0] == 2.5 and math.isinf(one.shape)


def test_zero_exposure_is_like_any_other_and_order_changes_nothing() -> None:
    events, exposure = [0, 9, 1, 0, 2], [1.0, 1.0, 2.0, 0.0, 1.0]
    found = shrink(events, exposure)
    assert found.mean[3] == pytest.approx(found.shape / found.rate)
    turned = shrink(events[::-1], exposure[::-1])
    assert turned.mean[::-1] == pytest.approx(found.mean, rel=1e-6)
    assert found.worst[3] == pytest.approx(0.1, abs=1e-9)


@pytest.mark.parametrize(
    ("events", "exposure"), [([1], [0.0]), ([-1], [1.0]), ([1, 2], [1.0]), ([1], [np.nan])]
)
def test_what_makes_no_sense_is_refused(events: list[float], exposure: list[float]) -> None:
    with pytest.raises(ValueError, match=r"."):
        shrink(events, exposure)


def test_alike_units_are_rarely_told_apart_and_different_ones_are() -> None:
    rng = np.random.default_rng(2)
    alike = sum(shrink(rng.poisson(3.0, 60), np.ones(60)).p < 0.05 for _ in range(200))
    assert alike / 200 < 0.08
    different = sum(shrink(rng.poisson(3 * rng.gamma(2, 0.5, 60)), np.ones(60)).p < 0.05 for _ in range(30))
    assert different > 26


def test_probabilities_of_the_worst_tenth_are_calibrated() -> None:
    """Of units given so a chance of being among the worst tenth, about so many are."""
    rng = np.random.default_rng(4)
    given, true = [], []
    for _ in range(100):
        rate = 3 * rng.gamma(2, 0.5, 60)
        found = shrink(rng.poisson(rate), np.ones(60))
        if math.isfinite(found.shape):
            given += found.worst.tolist()
            true += (rate > 3 * 0.5 * stats.gamma.ppf(0.9, 2)).tolist()
    told, so = np.array(given), np.array(true)
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.01)):
        chosen = (told >= low) & (told < high)
        assert chosen.sum() > 40
        assert so[chosen].mean() == pytest.approx(told[chosen].mean(), abs=0.08)


@pytest.mark.parametrize("seed", range(10))
def test_best_age_is_where_a_grid_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape, scale, planned, failed = rng.uniform(1.3, 4), 10 ** rng.uniform(-3, 6), 1.0, rng.uniform(1.5, 20)
    found = best_age(shape, scale, planned, failed)

    def slow(age: float) -> float:
        time = integrate.quad(lambda t: math.exp(-((t / scale) ** shape)), 0, age)[0]
        alive = math.exp(-((age / scale) ** shape))
        return (planned * alive + failed * (1 - alive)) / time

    assert found.cost == pytest.approx(slow(found.age), rel=1e-7)
    for factor in (0.7, 0.95, 1.05, 1.4):
        assert slow(found.age * factor) > found.cost
        assert cost_rate(found.age * factor, shape, scale, planned, failed) == pytest.approx(
            slow(found.age * factor), rel=1e-7
        )
    assert slow(found.flat_from) == pytest.approx(1.05 * found.cost, rel=1e-6)
    if math.isfinite(found.flat_to):
        assert slow(found.flat_to) == pytest.approx(1.05 * found.cost, rel=1e-6)


def test_where_no_age_pays() -> None:
    assert math.isinf(best_age(3.0, 100.0, 5.0, 5.0).age)
    assert math.isinf(best_age(1.02, 1.0, 1.0, 1.1).age)
    with pytest.raises(ValueError, match="above 0"):
        best_age(2.0, 0.0, 1.0, 2.0)
