"""One group against others within strata: against exact sums of binomials, counted out, and by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from repermit.statistics import strata
from repermit.statistics.comparison import rate_ratio
from repermit.statistics.strata import (
    chance_of_more,
    chance_of_more_hits,
    held_against,
    likeliest_start,
    paired_ratio,
)


def exact(events: np.ndarray, share: np.ndarray, ratio: float) -> np.ndarray:
    """The distribution of the group's count, by multiplying out one event after the other."""
    found = np.ones(1)
    for n, s in zip(events, share, strict=True):
        q = ratio * s / (ratio * s + 1 - s)
        for _ in range(int(n)):
            found = np.convolve(found, [1 - q, q])
    return found


def made(seed: int, most: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(5, most))
    return rng.integers(1, 4, n), rng.beta(*rng.uniform(0.5, 4, 2), n).clip(0.01, 0.95)


@pytest.mark.parametrize("seed", range(15))
def test_against_the_exact_distribution(seed: int) -> None:
    events, share = made(seed, 60)
    chance = exact(events, share, 1.0)
    for x in range(1, int(events.sum()) + 1):
        assert held_against(x, events, share).p == pytest.approx(float(chance[x:].sum()), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("seed", range(10))
def test_saddlepoint_within_two_hundredths(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the exact tail down to one in a hundred million, from 30 events up; strata as uneven as can be."""
    events, share = made(50 + seed, 200)
    if events.sum() < 30:
        events = events * 10
    chance = exact(events, share, 1.0)
    monkeypatch.setattr(strata, "EXACT", 0)
    for x in range(1, int(events.sum())):
        true = float(chance[x:].sum())
        if true > 1e-8:
            assert chance_of_more(x, events, share) == pytest.approx(true, rel=0.02)


@pytest.mark.parametrize("seed", range(15))
def test_limits_hold_the_tails(seed: int) -> None:
    """At the limits the exact tails are half of 1 - level, and the ratio expects the count."""
    rng = np.random.default_rng(100 + seed)
    n = int(rng.integers(10, 60))
    events, share = rng.integers(1, 3, n), rng.uniform(0.05, 0.6, n)
    x = int(rng.integers(2, events.sum() - 2))
    found = held_against(x, events, share)
    assert exact(events, share, found.low)[x:].sum() == pytest.approx(0.025, rel=1e-6)
    assert exact(events, share, found.high)[: x + 1].sum() == pytest.approx(0.025, rel=1e-6)
    q = found.ratio * share / (found.ratio * share + 1 - share)
    assert float(events @ q) == pytest.approx(x, rel=1e-7)
    assert found.low < found.ratio < found.high and found.expected == pytest.approx(x / found.ratio)
    assert chance_of_more(x, events, share) == found.p
    order = rng.permutation(n)
    assert held_against(x, events[order], share[order]).p == pytest.approx(found.p, rel=1e-9)


def test_equal_shares_are_the_binomial() -> None:
    for x in range(1, 12):
        found = held_against(x, [5, 4, 3], [0.3, 0.3, 0.3])
        assert found.p == pytest.approx(stats.binom.sf(x - 1, 12, 0.3), rel=1e-9)
        assert found.ratio == pytest.approx(x / (12 - x) * 0.7 / 0.3)


def test_what_tells_nothing() -> None:
    assert math.isnan(held_against(0, [], []).p)
    assert math.isnan(held_against(3, [3, 2], [1.0, 0.0]).ratio)
    plain = held_against(2, [6], [0.25])
    assert held_against(5, [3, 6, 9], [1.0, 0.25, 0.0]) == plain
    none = held_against(0, [6], [0.25])
    assert (none.p, none.ratio, none.low) == (1, 0, 0) and none.expected == pytest.approx(2)
    every = held_against(6, [6], [0.25])
    assert every.p == pytest.approx(0.25**6) and every.high == every.ratio == math.inf and every.low > 1


def test_refuses_what_makes_no_sense() -> None:
    for count, events, share in (
        (3, [2], [0.5]),
        (1, [2], [1.5]),
        (1, [-2], [0.5]),
        (0, [2], [1.0]),
        (1, [1.5], [0.5]),
    ):
        with pytest.raises(ValueError):
            held_against(count, events, share)
    with pytest.raises(ValueError):
        held_against(1, [2], [0.5], 1.0)


def test_start_by_hand() -> None:
    """Five months like the others, then three times their rate."""
    start = likeliest_start([1] * 5 + [2] * 5, [4] * 5 + [4] * 5, [0.25] * 10, range(10))
    assert start is not None and start.best == 5 and start.earliest <= 5 <= start.latest
    assert likeliest_start([1] * 5, [4] * 5, [0.25] * 5, range(5)) is None
    assert likeliest_start([], [], [], []) is None
    whole = likeliest_start([2] * 8, [4] * 8, [0.25] * 8, range(8))
    assert whole is not None and whole.best == 0
    # Months without events: the start is that of the next with some.
    gap = likeliest_start([0, 0, 4, 4], [9, 9, 5, 5], [0.25] * 4, [0, 1, 5, 6])
    assert gap is not None and gap.best == 5


@pytest.mark.parametrize("seed", range(10))
def test_start_is_the_likeliest(seed: int) -> None:
    """Against every start and every ratio of a fine grid."""
    rng = np.random.default_rng(seed)
    months, true = 18, int(rng.integers(3, 15))
    share = rng.uniform(0.1, 0.5, months)
    events = rng.integers(0, 9, months)
    ratio = np.where(np.arange(months) < true, 1.0, 5.0)
    counts = rng.binomial(events, ratio * share / (ratio * share + 1 - share))
    grid = np.exp(np.linspace(0, 8, 4001))[:, None]
    month = counts * np.log(grid) - events * np.log1p(share * (grid - 1))
    fits = np.array([month[:, s:].sum(axis=1).max() for s in range(months)])
    start = likeliest_start(counts, events, share, np.arange(months))
    if fits.max() < 1e-9:
        assert start is None
        return
    assert start is not None and start.gain == pytest.approx(fits.max(), abs=1e-4)
    assert fits[start.best] == pytest.approx(fits.max(), abs=1e-9)


@pytest.mark.parametrize("seed", range(10))
def test_hits_against_products_of_hypergeometrics(seed: int) -> None:
    rng = np.random.default_rng(seed)
    strata_ = int(rng.integers(1, 4))
    n, m = rng.integers(0, 9, strata_), rng.integers(0, 12, strata_)
    x, y = rng.binomial(n, 0.6), rng.binomial(m, 0.4)
    spread = np.ones(1)
    for a, b, hit in zip(n, m, x + y, strict=True):
        spread = np.convolve(spread, stats.hypergeom.pmf(np.arange(a + 1), a + b, hit, a))
    p, expected, least = chance_of_more_hits(x, n, y, m)
    assert p == pytest.approx(spread[x.sum() :].sum(), rel=1e-9, abs=1e-12)
    assert expected == pytest.approx(np.arange(spread.size) @ spread, rel=1e-9, abs=1e-12)
    assert least <= p * (1 + 1e-12) or p == 1


def test_the_lady_who_tasted_tea() -> None:
    """Fisher R.A. (1935) The Design of Experiments, chapter II: 3 of 4 right by chance in 17 of 70 orders, 4 in 1."""
    assert chance_of_more_hits([3], [4], [1], [4])[0] == pytest.approx(17 / 70)
    assert chance_of_more_hits([4], [4], [0], [4]) == pytest.approx((1 / 70, 2, 1 / 70))
    assert chance_of_more_hits([], [], [], []) == (1, 0, 1)
    assert chance_of_more_hits([2], [2], [0], [0]) == (1, 2, 1)
    with pytest.raises(ValueError):
        chance_of_more_hits([3], [2], [0], [1])


# --- the same units in two periods ------------------------------------------------------------------------


def test_paired_one_unit_is_the_ratio_of_two_counts() -> None:
    """With one unit there is nothing to scatter: the published limits of `rate_ratio`."""
    found = paired_ratio([41], [15], [28.01], [19.017])
    assert (found.ratio, found.low, found.high) == pytest.approx(rate_ratio(41, 28.01, 15, 19.017), rel=1e-9)
    assert (found.units, found.events) == (1, 56)


@pytest.mark.parametrize("seed", range(6))
def test_paired_against_a_slow_loop(seed: int) -> None:
    """The score equation by bisection, limits from the exact distribution, drawn out by the scatter over units."""
    rng = np.random.default_rng(300 + seed)
    n = int(rng.integers(4, 15))
    e, f = rng.uniform(0.2, 3, n), rng.uniform(0.2, 3, n)
    now, then = (rng.negative_binomial(1, 0.4, n) for _ in range(2))
    found = paired_ratio(now, then, e, f)
    y, s = now + then, e / (e + f)

    def due(ratio: float) -> float:
        return sum(k * ratio * q / (ratio * q + 1 - q) for k, q in zip(y, s, strict=True))

    ratio = bisected(lambda r: due(r) - now.sum())
    assert found.ratio == pytest.approx(ratio, rel=1e-8)
    x = int(now.sum())
    low = bisected(lambda r: exact(y, s, r)[x:].sum() - 0.025)
    high = bisected(lambda r: 0.025 - exact(y, s, r)[: x + 1].sum())
    pearson, units = 0.0, 0
    chances = [ratio * q / (ratio * q + 1 - q) for q in s]
    for a, k, p in zip(now, y, chances, strict=True):
        pearson += (a - k * p) ** 2
        units += k > 0
    times = pearson / sum(k * p * (1 - p) for k, p in zip(y, chances, strict=True)) * units / (units - 1)
    drawn = math.sqrt(times) * stats.t.ppf(0.975, units - 1) / stats.norm.ppf(0.975) if times > 1 else 1.0
    assert found.low == pytest.approx(ratio * (low / ratio) ** drawn, rel=1e-6)
    assert found.high == pytest.approx(ratio * (high / ratio) ** drawn, rel=1e-6)
    assert (found.units, found.events) == (units, int(y.sum()))


def bisected(rises: Callable[[float], float]) -> float:
    """Where a rising function of the ratio is zero."""
    low, high = 1e-6, 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if rises(middle) < 0 else (low, middle)
    return low


def test_paired_edges() -> None:
    none = paired_ratio([0, 0], [0, 0], [1, 1], [1, 1])
    assert math.isnan(none.ratio) and (none.low, none.high, none.units) == (0, math.inf, 0)
    assert paired_ratio([0, 0], [3, 1], [1, 1], [1, 1]).ratio == 0 == paired_ratio([0], [3], [1], [1]).low
    assert paired_ratio([3], [0], [1], [1]).high == math.inf
    only_now = paired_ratio([2, 9], [1, 0], [1, 5], [1, 0])  # the second unit was not there then
    assert only_now == paired_ratio([2], [1], [1], [1])
    assert (
        paired_ratio([1, 4], [2, 1], [1, 2], [2, 1]).ratio
        == paired_ratio([4, 1], [1, 2], [2, 1], [1, 2]).ratio
    )
    with pytest.raises(ValueError, match="one length"):
        paired_ratio([1], [1, 2], [1], [1])


@pytest.mark.slow
@pytest.mark.parametrize("shape", [1, 4])
@pytest.mark.parametrize("back", [0.0, 0.25])
@pytest.mark.parametrize(("units", "mean"), [(6, 4.0), (15, 1.5), (60, 1.5)])
def test_paired_false_alarms(units: int, mean: float, shape: int, back: float) -> None:
    """400 worlds without a change, of units that differ, a quarter of whose faults come back: at most 4.5 % on a side."""
    rng = np.random.default_rng(5)
    more = fewer = 0
    for _ in range(400):
        level = rng.gamma(shape, 1 / shape, units) * mean / (1 + back)
        e, f = rng.uniform(0.5, 1, units), rng.uniform(0.5, 1, units)
        now, then = rng.poisson(level * e), rng.poisson(level * f)
        now, then = now + rng.binomial(now, back), then + rng.binomial(then, back)
        found = paired_ratio(now, then, e, f)
        more, fewer = more + (found.low > 1), fewer + (found.high < 1)
    assert max(more, fewer) <= 18  # 10 are due at 2.5 %
