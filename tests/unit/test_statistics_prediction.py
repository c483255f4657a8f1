"""Counts of months to come: hand-made cases, a slow second implementation by drawing, and worlds held against."""

from __future__ import annotations

import math

import numpy as np
import pytest

from repermit.statistics.prediction import Exposure, counts_ahead, exposure_ahead, predictive_limits

CALENDAR = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
KNOWN = np.zeros(3)
"""The error of an exposure that is known."""


def test_limits_of_a_poisson_count_and_of_nothing() -> None:
    low, high = predictive_limits([4.0, 0.0, 4.0], [4.0, 0.0, 3.0])
    assert list(low) == [1, 0, 1] and list(high) == [8, 0, 8]


@pytest.mark.parametrize(("mean", "variance"), [(3.0, 9.0), (0.2, 1.0), (40.0, 50.0), (1e4, 1e7)])
def test_limits_against_draws(mean: float, variance: float) -> None:
    """Counts drawn the long way: a gamma rate, then chance."""
    rng = np.random.default_rng(1)
    size = mean**2 / (variance - mean)
    drawn = rng.poisson(rng.gamma(size, mean / size, 400_000))
    low, high = predictive_limits(mean, variance)
    assert np.mean((drawn >= low) & (drawn <= high)) >= 0.949
    assert np.mean(drawn <= high - 1) < 0.976 and np.mean(drawn < low) <= 0.0255


def test_what_makes_no_sense_is_refused() -> None:
    for mean, variance in ((-1.0, 1.0), (1.0, math.nan), (math.inf, 1.0)):
        with pytest.raises(ValueError, match="finite"):
            predictive_limits(mean, variance)
    with pytest.raises(ValueError, match="two months"):
        counts_ahead([1], [1], [0], Exposure(np.ones(1), np.zeros(1)), [1])


def test_exposure_follows_the_year_before_and_the_growth_since() -> None:
    """36 months that grow by a fifth a year, and twice as much in January."""
    t = np.arange(39)
    days = CALENDAR[t % 12].astype(float)
    per_day = 10 * 1.2 ** (t // 12) * np.where(t % 12 == 0, 2.0, 1.0)
    found = exposure_ahead((per_day * days)[:36], days[:36], days[36:])
    assert found.amount == pytest.approx((per_day * days)[36:], rel=1e-9)
    flat = exposure_ahead(days[:36] * 7, days[:36], days[36:])
    assert flat.amount == pytest.approx(days[36:] * 7) and flat.error == pytest.approx(0, abs=1e-12)


def test_exposure_of_few_months_and_of_none() -> None:
    few = exposure_ahead([30.0, 60.0, 90.0, 30.0], [30] * 4, [30, 31])
    assert few.amount == pytest.approx([60, 62]) and (few.error >= 0.1).all()
    assert (exposure_ahead([30.0] * 20 + [0.0] * 3, [30] * 23, [30] * 3).amount == 0).all()


def test_by_hand() -> None:
    """24 months of 10 each, no more scatter than chance: 10.02 to come, with the variance of it and of its mean."""
    ahead = Exposure(np.ones(3), KNOWN)
    found = counts_ahead(np.full(24, 10.0), np.ones(24), np.arange(24) % 12, ahead, [0, 1, 2])
    mean = 240.5 / 24
    low, high = predictive_limits(mean, mean + mean**2 / 240.5)
    assert found.expected == pytest.approx([mean] * 3)
    assert set(found.low) == {float(low)} and set(found.high) == {float(high)}
    assert found.total == (
        pytest.approx(3 * mean),
        *predictive_limits(3 * mean, 3 * mean + (3 * mean) ** 2 / 240.5),
    )
    assert not found.season_out


def test_nothing_seen_still_has_an_upper_limit_and_no_exposure_none() -> None:
    found = counts_ahead(
        np.zeros(24), np.ones(24), np.arange(24) % 12, Exposure(np.ones(3) * 24, KNOWN), [0, 1, 2]
    )
    assert (found.low == 0).all() and (found.high >= 1).all() and found.expected == pytest.approx([0.5] * 3)
    none = counts_ahead(np.ones(24), np.ones(24), np.arange(24) % 12, Exposure(np.zeros(3), KNOWN), [0, 1, 2])
    assert (none.expected == 0).all() and (none.high == 0).all()


def test_a_season_is_in_the_forecast() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(48)
    true = 40 * (1 + 0.5 * np.cos(2 * np.pi * t / 12))
    found = counts_ahead(
        rng.poisson(true[:45]), np.ones(45), t[:45] % 12, Exposure(np.ones(3), KNOWN), t[45:] % 12
    )
    assert found.season_out
    assert found.expected == pytest.approx(true[45:], rel=0.25)


def test_a_sum_of_sizes_against_draws() -> None:
    """Hours: visits at random, each of 1.5 hours on average with variance 1."""
    rng = np.random.default_rng(4)
    ahead = Exposure(np.ones(1), np.zeros(1))
    found = counts_ahead(
        np.full(400, 12.0), np.ones(400), np.arange(400) % 12, ahead, [0], size_mean=1.5, size_variance=1.0
    )
    visits = rng.poisson(12.0, 40_000)
    hours = np.array([rng.gamma(2.25, 1.5 / 2.25, n).sum() for n in visits])
    assert found.expected[0] == pytest.approx(hours.mean(), rel=0.01)
    assert np.mean((hours >= found.low[0]) & (hours <= found.high[0])) == pytest.approx(0.95, abs=0.015)


def held(
    worlds: int, n: int, mean: float, scatter: float, wave: float, growth: float = 0.0
) -> tuple[float, float]:
    """Shares of months, and of quarters, whose count lay within its limits."""
    rng = np.random.default_rng(5)
    t = np.arange(n + 3)
    months = quarters = 0
    for _ in range(worlds):
        e = CALENDAR[t % 12] / 30 * np.exp(growth * t / 12) * rng.lognormal(0, 0.04, n + 3)
        m = mean * e * (1 + wave * np.cos(2 * np.pi * t / 12))
        y = rng.poisson(rng.gamma(m / (scatter - 1), scatter - 1) if scatter > 1 else m)
        ahead = exposure_ahead(e[:n], CALENDAR[t[:n] % 12], CALENDAR[t[n:] % 12])
        found = counts_ahead(y[:n], e[:n], t[:n] % 12, ahead, t[n:] % 12)
        months += int(((found.low <= y[n:]) & (y[n:] <= found.high)).sum())
        quarters += bool(found.total[1] <= y[n:].sum() <= found.total[2])
    return months / worlds / 3, quarters / worlds


@pytest.mark.parametrize(
    "world",
    [(12, 7, 1.0, 0.0), (36, 2, 1.0, 0.0), (36, 7, 2.0, 0.0), (36, 30, 1.0, 0.5), (36, 30, 1.0, 0.0, -0.3)],
)
def test_limits_hold_what_came(world: tuple[float, ...]) -> None:
    months, quarters = held(60, *world)  # type: ignore[arg-type]
    assert months >= 0.91 and quarters >= 0.88


@pytest.mark.slow
@pytest.mark.parametrize("n", [12, 36, 60])
@pytest.mark.parametrize(
    ("mean", "scatter", "wave"), [(1, 1.0, 0.0), (7, 2.0, 0.0), (50, 1.0, 0.0), (50, 4.0, 0.0)]
)
def test_limits_hold_what_came_in_a_thousand_worlds(n: int, mean: float, scatter: float, wave: float) -> None:
    months, quarters = held(1000, n, mean, scatter, wave)
    print(f"{n} {mean} {scatter} {wave}: {months:.1%} of months, {quarters:.1%} of quarters")
    assert months >= 0.93 and quarters >= 0.92
