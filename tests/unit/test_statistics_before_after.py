"""Before and after: hand-made cases, a slow second fit, and worlds in which the worst units are chosen."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.random import Generator
from scipy import optimize, special

from repermit.statistics.before_after import Change, change_ratio
from repermit.statistics.comparison import rate_ratio

PERIODS, AT = 24, 12
Cells = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def world(
    rng: Generator, *, units: int = 40, changed: int = 10, rate: float = 0.2, effect: float = 1.0,
    worst: bool = True, drift: float = 0.0, twice: float = 0.0,
) -> Cells:  # fmt: skip
    """Units whose levels are gamma of shape 4, periods with a season of half up and down; the worst are changed."""
    level = rng.gamma(4, 0.25, units)
    months = np.arange(PERIODS)
    mean = level[:, None] * rate * (1 + 0.5 * np.cos(months / 12 * 2 * np.pi)) * np.exp(drift * months / 12)
    e = rng.uniform(0.6, 1.4, (units, PERIODS))
    before = rng.poisson((mean * e)[:, :AT])
    before += rng.binomial(before, twice)
    order = np.argsort(-before.sum(axis=1) + rng.random(units)) if worst else rng.permutation(units)
    is_changed = np.zeros(units, dtype=bool)
    is_changed[order[:changed]] = True
    after = rng.poisson((mean * e)[:, AT:] * np.where(is_changed, effect, 1.0)[:, None])
    unit, period = np.meshgrid(np.arange(units), months, indexing="ij")
    late = is_changed[:, None] & (period >= AT)
    after += rng.binomial(after, twice)
    y = np.hstack([before, after]).astype(float)
    return y.ravel(), e.ravel(), unit.ravel(), period.ravel(), late.ravel()


def naive_high(cells: Cells) -> float:
    """The upper limit of the plain rate of the changed after over before."""
    y, e, u, _, late = cells
    before = np.isin(u, np.unique(u[late])) & ~late
    return rate_ratio(y[late].sum(), e[late].sum(), y[before].sum(), e[before].sum())[2]


def slow_fit(y: np.ndarray, e: np.ndarray, u: np.ndarray, m: np.ndarray) -> tuple[np.ndarray, float]:
    """Rates by period and shape: the likelihood of the counts, negative binomial by unit, maximised at once."""
    size, n = int(m.max()) + 1, int(u.max()) + 1
    sums = np.array([y[u == i].sum() for i in range(n)])

    def loss(p: np.ndarray) -> float:
        a, mean = math.exp(p[size]), np.exp(p[:size])[m] * e
        past = np.array([mean[u == i].sum() for i in range(n)])
        by_unit = (
            special.gammaln(a + sums) - special.gammaln(a) + a * math.log(a) - (a + sums) * np.log(a + past)
        )
        return -float((y * np.log(mean)).sum() + by_unit.sum())

    start = np.append(np.full(size, math.log(y.sum() / e.sum())), 0.5)
    found = optimize.minimize(loss, start, method="BFGS", options={"gtol": 1e-5})
    return np.exp(found.x[:size]), math.exp(found.x[size])


def slow(cells: Cells) -> tuple[float, float]:
    """Expected events and shape, after counts are divided by what a unit's own scatter in quarters shows."""
    y, e, u, m, late = cells
    fit, n = ~late, int(u.max()) + 1
    rate, _ = slow_fit(y[fit], e[fit], u[fit], m[fit])
    mean, pearson, freedom = rate[m] * e, 0.0, -len(set(m[fit] // 3))
    for i in range(n):
        mine = fit & (u == i)
        for block in set(m[mine] // 3):
            cell = mine & (m // 3 == block)
            share = y[mine].sum() * mean[cell].sum() / mean[mine].sum()
            pearson += (y[cell].sum() - share) ** 2 / share
            freedom += 1
        freedom -= 1
    bursts = max(1.0, pearson / freedom)
    rate, a = slow_fit(y[fit] / bursts, e[fit] / bursts, u[fit], m[fit])
    expected = 0.0
    for i in range(n):
        past = (rate[m] * e)[fit & (u == i)].sum() / bursts
        level = (a + y[fit & (u == i)].sum() / bursts) / (a + past)
        expected += level * (rate[m] * e)[late & (u == i)].sum()
    return expected, a


@pytest.mark.parametrize("seed", range(3))
def test_against_the_slow_fit(seed: int) -> None:
    cells = world(np.random.default_rng(seed), units=15, changed=4, rate=0.8)
    found = change_ratio(*cells)
    expected, shape = slow(cells)
    assert found.expected == pytest.approx(expected, rel=2e-4)
    assert found.shape == pytest.approx(shape, rel=5e-3)
    assert found.events == cells[0][cells[4]].sum() and found.units == 4


def test_alike_units_by_hand() -> None:
    """Many unchanged units, all alike: what is expected is their rate in each period, times the exposure."""
    unit = np.repeat(np.arange(50), 2)
    period = np.tile([0, 1], 50)
    y = np.where(period == 0, 10.0, 20.0)
    late = (unit < 5) & (period == 1)
    y[late] = 8
    found = change_ratio(y, np.ones(100), unit, period, late)
    assert found.expected == pytest.approx(100.0, rel=1e-3)
    assert found.ratio == pytest.approx(0.4, rel=1e-3)
    assert found.low < 0.4 < found.high < 0.6


@pytest.mark.parametrize("seed", range(3))
def test_order_and_unit_of_exposure_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = world(rng)
    a = change_ratio(*cells)
    order = rng.permutation(cells[0].size)
    shuffled: Any = tuple(of[order] for of in cells)
    y, e, *codes = cells
    for b in (change_ratio(*shuffled), change_ratio(y, e * 1e6, *codes), change_ratio(y, e / 1e6, *codes)):
        assert [b.expected, b.ratio, b.low, b.high] == pytest.approx(
            [a.expected, a.ratio, a.low, a.high], rel=1e-6
        )


def test_no_events_after() -> None:
    y, *rest = world(np.random.default_rng(1))
    y[rest[-1]] = 0
    found = change_ratio(y, *rest)
    assert (found.ratio, found.low) == (0.0, 0.0) and 0 < found.high < 0.5


def test_nothing_to_hold_against() -> None:
    """No events before; no unchanged unit since; nobody changed."""
    y, e, u, m, late = world(np.random.default_rng(2))
    silent = change_ratio(np.where(late, y, 0), e, u, m, late)
    alone = np.isin(u, np.unique(u[late]))
    without = change_ratio(y[alone], e[alone], u[alone], m[alone], late[alone])
    nobody = change_ratio(y, e, u, m, np.zeros(late.size, dtype=bool))
    for found in (silent, without, nobody, change_ratio([], [], [], [], [])):
        assert isinstance(found, Change) and math.isnan(found.ratio) and math.isnan(found.high)


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="one length"):
        change_ratio([1], [1, 2], [0, 0], [0, 0], [False, True])
    for bad in (-1.0, math.nan):
        with pytest.raises(ValueError, match="not negative"):
            change_ratio([bad], [1], [0], [0], [False])


def shares(worlds: int, **how: Any) -> dict[str, float]:
    """Of so many worlds: the share in which the plain ratio and ours show fewer, ours shows more, ours holds the truth."""
    rng = np.random.default_rng(3)
    counts = dict.fromkeys(("naive_fewer", "fewer", "more", "holds"), 0)
    for _ in range(worlds):
        cells = world(rng, **how)
        found = change_ratio(*cells)
        counts["naive_fewer"] += naive_high(cells) < 1
        counts["fewer"] += found.high < 1
        counts["more"] += found.low > 1
        counts["holds"] += found.low <= how.get("effect", 1.0) <= found.high
    return {name: n / worlds for name, n in counts.items()}


def test_the_worst_units_come_down_by_themselves() -> None:
    """No effect, the worst quarter chosen: the plain ratio shows an improvement in many worlds, this one hardly ever."""
    found = shares(80)
    assert found["naive_fewer"] > 0.3
    assert found["fewer"] <= 0.075 and found["more"] <= 0.075


def test_bursts_are_not_taken_for_bad_units() -> None:
    """Every third fault comes twice; the worst quarter chosen, no effect."""
    found = shares(80, twice=0.3)
    assert found["naive_fewer"] > 0.3
    assert found["fewer"] <= 0.1 and found["more"] <= 0.1


def test_a_planted_effect_is_held() -> None:
    found = shares(80, effect=0.5)
    assert found["holds"] >= 0.9 and found["fewer"] > 0.4


@pytest.mark.slow
@pytest.mark.parametrize(
    "how", [{}, {"worst": False}, {"twice": 0.3}, {"effect": 0.5}, {"units": 20, "changed": 8}]
)
def test_limits_hold_the_truth_in_five_hundred_worlds(how: dict[str, Any]) -> None:
    found = shares(500, **how)
    print(how, found)
    assert found["holds"] >= 0.92
