"""Rates, against a slow second implementation that shares nothing with the first but the formula."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, special, stats

from repermit.statistics.rates import (
    count_quantile,
    gamma_limits,
    mtbf_limits,
    mtbf_lower_limit,
    one_sided,
    poisson_limits,
    rate_intervals,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _slow_rate(y: list[float], e: list[float], level: float, min_units: int) -> tuple[Any, ...]:
    """One group by loops, with the distributions of scipy.stats."""
    total, exposure, units = math.fsum(y), math.fsum(e), sum(x > 0 for x in e)
    if exposure == 0:
        return total, exposure, units, math.nan, math.nan, math.nan, True
    rate, variance = total / exposure, total
    if units >= min_units:
        scatter = sum((a - rate * b) ** 2 / (1 - b / exposure) ** 2 for a, b in zip(y, e, strict=True))
        p = 0.5 + level / 2
        variance += max(scatter - total, 0.0) * (stats.t.ppf(p, units - 1) / stats.norm.ppf(p)) ** 2
    low = _slow_gamma(total, variance).ppf(0.5 - level / 2) if total else 0.0
    high = _slow_gamma(total + 1, min(variance + 1, (total + 1) ** 2 / (1 - level))).isf(0.5 - level / 2)
    return total, exposure, units, rate, low / exposure, high / exposure, units < min_units


def _slow_gamma(mean: float, variance: float) -> Any:
    return stats.gamma(mean**2 / variance, scale=variance / mean)


def _fleet(seed: int, n_groups: int = 12) -> tuple[Floats, Floats, Ints]:
    """Units of unequal exposure and unequal rate; some groups with few units, no events, no exposure."""
    rng = np.random.default_rng(seed)
    sizes = [0, 1, 2, 4, 5, 6, 9, 15, 30, 60, 12, 12][:n_groups]
    group = np.repeat(np.arange(n_groups), sizes)
    exposure = rng.gamma(2.0, 50.0, group.size) * (rng.random(group.size) > 0.15)
    events = rng.poisson(0.02 * exposure * rng.gamma(0.7, 1 / 0.7, group.size)).astype(float)
    events[rng.random(group.size) < 0.1] += 0.37  # shared-out counts, some on units without exposure
    events[group == 10] = 0.0
    exposure[group == 11] = 0.0
    return events, exposure, group


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("level", "min_units"), [(0.95, 5), (0.90, 2), (0.99, 8)])
def test_same_as_the_slow_version(seed: int, level: float, min_units: int) -> None:
    events, exposure, group = _fleet(seed)
    got = rate_intervals(events, exposure, group, 12, level=level, min_units=min_units)
    for k in range(12):
        here = group == k
        want = _slow_rate(events[here].tolist(), exposure[here].tolist(), level, min_units)
        row = (got.events, got.exposure, got.units, got.rate, got.low, got.high, got.poisson_only)
        assert [float(column[k]) for column in row] == pytest.approx(
            [float(x) for x in want], rel=1e-9, abs=1e-300, nan_ok=True
        )


@pytest.mark.parametrize("seed", range(4))
def test_order_of_rows_changes_nothing(seed: int) -> None:
    events, exposure, group = _fleet(seed)
    first = rate_intervals(events, exposure, group, 12)
    order = np.random.default_rng(seed).permutation(group.size)
    second = rate_intervals(events[order], exposure[order], group[order], 12)
    for name, column in vars(first).items():
        np.testing.assert_array_equal(column, getattr(second, name), strict=True)


def test_a_hundred_thousand_entries_keep_their_sums() -> None:
    rng = np.random.default_rng(3)
    events, exposure = rng.poisson(0.3, 120_000), rng.random(120_000)
    group = rng.integers(0, 700, 120_000)
    got = rate_intervals(events, exposure, group, 700)
    assert got.events.sum() == events.sum()
    assert got.units.sum() == 120_000
    assert ((got.low < got.rate) & (got.rate < got.high)).all()


def test_units_alike_give_exact_poisson_limits() -> None:
    got = rate_intervals([2.0] * 8, [10.0] * 8, [0] * 8, 1)
    low, high = poisson_limits(16)
    assert (got.low[0], got.high[0]) == pytest.approx((low / 80, high / 80), rel=1e-14)
    assert not got.poisson_only[0]


def test_a_worked_example_by_hand() -> None:
    """Five like units, all five events on one: J = 25 + 4 (5/4)^2 = 31.25; t on 4 df is 2.776445."""
    got = rate_intervals([5, 0, 0, 0, 0], [1.0] * 5, [0] * 5, 1)
    variance = 5 + 26.25 * (2.7764451 / 1.9599640) ** 2
    assert got.low[0] * 5 == pytest.approx(_slow_gamma(5, variance).ppf(0.025), rel=1e-6)
    assert got.high[0] * 5 == pytest.approx(_slow_gamma(6, variance + 1).ppf(0.975), rel=1e-6)


def test_few_units_are_flagged_and_taken_as_poisson() -> None:
    got = rate_intervals([9, 0, 0, 0], [1.0, 1.0, 1.0, 1.0], [0] * 4, 1)
    low, high = poisson_limits(9)
    assert got.poisson_only[0]
    assert (got.low[0], got.high[0]) == pytest.approx((low / 4, high / 4), rel=1e-14)


def test_zero_events_and_zero_exposure() -> None:
    got = rate_intervals([0] * 6 + [1], [50.0] * 6 + [0.0], [0] * 6 + [1], 3)
    assert (got.rate[0], got.low[0]) == (0.0, 0.0)
    assert got.high[0] == pytest.approx(-math.log(0.025) / 300, rel=1e-12)
    assert got.events.tolist() == [0.0, 1.0, 0.0]
    assert np.isnan([got.rate[1:], got.low[1:], got.high[1:]]).all()
    assert rate_intervals([], [], [], 0).rate.size == 0


def test_scatter_known_otherwise_replaces_that_of_the_units() -> None:
    events, exposure, group = _fleet(1)
    units = rate_intervals(events, exposure, group, 12)
    own = [
        sum(
            (y - e * (events[group == k].sum() - y) / (exposure[group == k].sum() - e)) ** 2
            for y, e in zip(events[group == k], exposure[group == k], strict=True)
        )
        if units.units[k] > 1
        else 0.0
        for k in range(12)
    ]
    again = rate_intervals(events, exposure, group, 12, between=own)
    np.testing.assert_allclose(again.high, units.high, rtol=1e-12)
    wider = rate_intervals(events, exposure, group, 12, between=np.add(own, 100.0))
    tested = ~units.poisson_only
    assert tested.sum() >= 5
    assert (wider.high[tested] > units.high[tested]).all()


def test_more_scatter_never_lowers_the_upper_limit() -> None:
    variance = np.geomspace(4.0, 1e9, 400)
    low, high = gamma_limits(4.0, variance)
    assert (np.diff(low) <= 0).all()
    assert (high > 4.0).all()
    assert high[-1] >= 0.98 * high.max()


def test_one_unit_with_nearly_all_the_exposure() -> None:
    """Its events are held against a rate seen on next to nothing: a wide interval, not an empty one."""
    got = rate_intervals([10, 3, 0, 0, 0], [1000.0, 1.0, 1.0, 1.0, 1.0], [0] * 5, 1)
    assert got.low[0] < 1e-6 < got.rate[0]
    assert got.high[0] > 5 * got.rate[0]


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("count", [1, 2, 7, 40, 1000])
def test_exact_limits_by_root_search_on_the_poisson_tails(count: int, level: float) -> None:
    tail = (1 - level) / 2
    reach = (1e-9, 2 * count + 60)
    low = optimize.brentq(lambda mean: stats.poisson.sf(count - 1, mean) - tail, *reach, xtol=1e-13)
    high = optimize.brentq(lambda mean: stats.poisson.cdf(count, mean) - tail, *reach, xtol=1e-13)
    assert poisson_limits(count, level) == pytest.approx((low, high), rel=1e-9)


def test_poisson_limits_keep_shape_and_rise_with_fractional_counts() -> None:
    counts = np.linspace(0, 6, 121).reshape(11, 11)
    low, high = poisson_limits(counts)
    assert low.shape == high.shape == (11, 11)
    assert low[0, 0] == 0.0
    assert (np.diff(low.ravel()) > 0).sum() >= 119  # next to zero the lower limit underflows to zero
    assert (np.diff(high.ravel()) > 0).all()
    assert ((low <= counts) & (counts < high)).all()


def test_gamma_limits_with_poisson_variance_are_poisson_limits() -> None:
    counts = np.array([0.0, 0.4, 1.0, 12.0, 1e6])
    np.testing.assert_allclose(gamma_limits(counts, counts), poisson_limits(counts), rtol=1e-14)


def test_mean_time_limits_without_failure_or_time() -> None:
    low, high = mtbf_limits([1000.0, 0.0], [0, 3], 0.90)
    assert low[0] == pytest.approx(1000 / -math.log(0.05), rel=1e-12)
    assert np.isnan(high).tolist() == [True, True]
    assert np.isnan(low[1])


def test_one_sided_limit_is_the_two_sided_one_at_half_the_risk() -> None:
    one = mtbf_lower_limit(800.0, [0, 1, 2, 30], 0.95)
    two, _ = mtbf_limits(800.0, [0, 1, 2, 30], 0.90)
    np.testing.assert_allclose(one, two, rtol=1e-12)


def test_one_sided_limits_of_a_rate() -> None:
    """Without events the upper limit is -ln(1 - level) over the exposure; with some, the mean time's one-sided limit."""
    none = rate_intervals([0] * 6, [50.0] * 6, [0] * 6, 1, level=one_sided(0.95))
    assert none.high[0] == pytest.approx(-math.log(0.05) / 300, rel=1e-12)
    some = rate_intervals([3], [800.0], [0], 1, level=one_sided(0.9))
    assert 1 / some.high[0] == pytest.approx(float(mtbf_lower_limit(800.0, 3, 0.9)), rel=1e-12)
    with pytest.raises(ValueError, match="level"):
        one_sided(0.4)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"events": [1, -1]}, "events"),
        ({"events": [1, math.nan]}, "events"),
        ({"exposure": [1.0, math.inf]}, "exposure"),
        ({"exposure": [1.0]}, "one length"),
        ({"group": [0, 2]}, "0 to 1"),
        ({"group": [0, -1]}, "0 to 1"),
        ({"group": [0.0, 1.0]}, "whole numbers"),
        ({"level": 1.0}, "level"),
        ({"min_units": 1}, "min_units"),
        ({"between": [1.0]}, "between"),
    ],
)
def test_bad_input_is_refused(change: dict[str, Any], message: str) -> None:
    good: dict[str, Any] = {"events": [1, 2], "exposure": [1.0, 2.0], "group": [0, 1], "n_groups": 2}
    rate_intervals(**good)
    with pytest.raises(ValueError, match=message):
        rate_intervals(**(good | change))


def test_a_watch_ended_by_a_failure_has_one() -> None:
    with pytest.raises(ValueError, match="one failure at least"):
        mtbf_limits(100.0, 0, ended_by="failure")
    with pytest.raises(ValueError, match="ended_by"):
        mtbf_limits(100.0, 1, ended_by="boredom")  # type: ignore[arg-type]


@pytest.mark.parametrize("chance", [0.001, 0.025, 0.5, 0.975, 0.999])
def test_quantiles_of_counts_are_those_of_the_library(chance: float) -> None:
    mean = np.concatenate([np.geomspace(1e-6, 1e7, 300), np.arange(1, 50) / 2])
    got = count_quantile(chance, special.pdtrik(chance, mean), lambda k: special.pdtr(k, mean))
    np.testing.assert_array_equal(got, stats.poisson.ppf(chance, mean))
