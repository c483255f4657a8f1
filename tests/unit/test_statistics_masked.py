"""Counts known in part: against direct maximisation, by hand, and at the edges."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from repermit.statistics.masked import Block, Ways, fit, posterior


def random_problem(seed: int) -> tuple[Ways, np.ndarray]:
    """Two kinds of unit, four rates, a block of three names for each rate; patterns of one to four ways."""
    r = np.random.default_rng(seed)
    of = [sorted(r.choice(12, size=r.integers(1, 5), replace=False)) for _ in range(14)] + [
        [w] for w in range(12)
    ]
    pattern = np.array([i for i, ways in enumerate(of) for _ in ways])
    way = np.array([w for ways in of for w in ways])
    block = Block(index=way, group=np.arange(12) // 3)
    group = r.integers(0, 2, len(of))
    opportunity = np.array([[1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 1.0]])
    ways = Ways(pattern, way // 3, np.ones(len(way)), group, opportunity, (block,))
    return ways, r.integers(0, 30, len(of)).astype(float) + np.repeat([0.0, 1.0], [14, 12])


def minus_log_likelihood(free: np.ndarray, ways: Ways, counts: np.ndarray) -> float:
    """Of the patterns given how many events each kind of unit has; plain loops."""
    rates = np.exp(free[:4]) / np.exp(free[:4]).sum()
    shares = np.exp(free[4:].reshape(4, 3))
    shares = (shares / shares.sum(axis=1, keepdims=True)).ravel()
    total = 0.0
    for i, n in enumerate(counts):
        p = sum(
            rates[r] * shares[b]
            for of, r, b in zip(ways.pattern, ways.rate, ways.blocks[0].index, strict=True)
            if of == i
        )
        total += n * np.log(p / (ways.opportunity[ways.group[i]] @ rates))
    return -total


@pytest.mark.parametrize("seed", range(4))
def test_it_is_the_maximum_of_the_likelihood(seed: int) -> None:
    ways, counts = random_problem(seed)
    found = fit(ways, counts, steps=20_000, within=1e-12)
    best = optimize.minimize(
        minus_log_likelihood, np.zeros(16), (ways, counts), method="BFGS", options={"gtol": 1e-7}
    )
    rates = np.exp(best.x[:4]) / np.exp(best.x[:4]).sum()
    assert found.settled and found.rates == pytest.approx(rates, abs=2e-5)
    at = np.concatenate([np.log(found.rates), np.log(np.maximum(found.shares[0], 1e-300))])
    assert minus_log_likelihood(at, ways, counts) <= best.fun + 1e-6


def test_no_step_lowers_the_likelihood() -> None:
    ways, counts = random_problem(9)
    now, last = fit(ways, counts, steps=1), np.inf
    for _ in range(30):
        now = fit(ways, counts, start=now, steps=1)
        value = minus_log_likelihood(np.log(np.concatenate([now.rates, now.shares[0]])), ways, counts)
        assert value <= last + 1e-9
        last = value


def test_shares_are_shrunk_to_the_parent_by_hand() -> None:
    """Names a and b of causes 0 (9 and 1) and 1 (1 and 1): all 10 and 2; 3 pseudo-events bring 2.5 and 0.5 each."""
    parent = Block(np.zeros(0, dtype=np.int64), np.array([0, 0]))
    block = Block(np.arange(4), np.array([0, 0, 1, 1]), parent, np.array([0, 1, 0, 1]), 3.0)
    ways = Ways(
        np.arange(4),
        np.array([0, 0, 1, 1]),
        np.ones(4),
        np.zeros(4, dtype=np.int64),
        np.ones((1, 2)),
        (block,),
    )
    found = fit(ways, np.array([9.0, 1.0, 1.0, 1.0]))
    assert found.shares[0] == pytest.approx([11.5 / 13, 1.5 / 13, 3.5 / 5, 1.5 / 5])
    assert found.rates == pytest.approx([10 / 12, 2 / 12])
    even = replace(ways, blocks=(Block(np.arange(4), np.array([0, 0, 1, 1]), pseudo=2.0),))
    assert fit(even, np.array([9.0, 1.0, 0.0, 0.0])).shares[0] == pytest.approx([10 / 12, 2 / 12, 0.5, 0.5])


def test_opportunities_are_divided_out() -> None:
    """Rate 1 has one place on units of kind 0 and three on those of kind 1; equal counts, so a third there."""
    ways = Ways(
        np.arange(2), np.array([0, 1]), np.ones(2), np.zeros(2, dtype=np.int64), np.array([[1.0, 3.0]])
    )
    assert fit(ways, np.array([6.0, 6.0])).rates == pytest.approx([0.75, 0.25])


def test_edges() -> None:
    ways, counts = random_problem(3)
    assert fit(ways, 0 * counts).rates == pytest.approx([0.25] * 4)
    impossible = replace(ways, chance=np.where(ways.pattern == 0, 0.0, 1.0))
    found = fit(impossible, counts)
    assert not posterior(impossible, found)[ways.pattern == 0].any()
    again = fit(ways.of(np.arange(ways.patterns) > 0), counts[1:])
    assert found.rates == pytest.approx(again.rates, abs=1e-9), "what no way makes possible is left out"
    sums = np.bincount(ways.pattern, weights=posterior(ways, fit(ways, counts)))
    assert sums == pytest.approx(np.ones(ways.patterns))
    huge = fit(ways, counts * 1e12)
    assert huge.rates == pytest.approx(fit(ways, counts).rates, abs=1e-8)
    for wrong in (counts[1:], -counts - 1, counts * np.nan):
        with pytest.raises(ValueError, match="counts must be"):
            fit(ways, wrong)


def test_the_order_of_patterns_changes_nothing() -> None:
    ways, counts = random_problem(5)
    order = np.random.default_rng(1).permutation(ways.patterns)
    number = np.argsort(order)[ways.pattern]
    by = np.argsort(number, kind="stable")
    shuffled = Ways(
        number[by], ways.rate[by], ways.chance[by], ways.group[order], ways.opportunity,
        (replace(ways.blocks[0], index=ways.blocks[0].index[by]),),
    )  # fmt: skip
    assert fit(shuffled, counts[order], within=1e-12).rates == pytest.approx(
        fit(ways, counts, within=1e-12).rates, abs=1e-9
    )
