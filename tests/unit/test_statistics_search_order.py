"""The order of least expected minutes against every order, in exact fractions."""

from collections.abc import Sequence
from fractions import Fraction
from itertools import permutations

import numpy as np
import pytest

from repermit.statistics.search_order import expected_minutes, least_expected_order


def slow_cost(p: Sequence[int], t: Sequence[int], order: Sequence[int]) -> Fraction:
    """Expected minutes: each job's own finding time, weighted with how often it finds."""
    clock, cost = 0, Fraction(0)
    for job in order:
        clock += t[job]
        cost += Fraction(p[job] * clock, sum(p))
    return cost


def allowed(order: Sequence[int], after: Sequence[int | None]) -> bool:
    where = {job: i for i, job in enumerate(order)}
    return all(a is None or where[a] < where[job] for job, a in enumerate(after))


@pytest.mark.parametrize("seed", range(60))
def test_against_every_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 8))
    # few values, so that ties, zero minutes and openings (no probability) are common
    p, t = ([int(x) for x in rng.integers(0, 5, n)] for _ in range(2))
    p[int(rng.integers(n))] += 1
    after: list[int | None] = [
        None if i == 0 or rng.random() < 0.4 else int(rng.integers(i)) for i in range(n)
    ]
    shift = rng.permutation(n)  # so that a job may follow one of a higher index
    p, t = [p[i] for i in shift], [t[i] for i in shift]
    new = {int(old): i for i, old in enumerate(shift)}
    moved = [after[i] for i in shift]
    after = [None if a is None else new[a] for a in moved]
    order = least_expected_order(p, t, after)
    assert allowed(order, after)
    least = min(slow_cost(p, t, o) for o in permutations(range(n)) if allowed(o, after))
    assert slow_cost(p, t, order) == least
    assert expected_minutes(p, t, order)[-1] == pytest.approx(float(least), abs=1e-9)


def test_an_opening_is_paid_once() -> None:
    # housing: opening of 10 min (job 0), then two checks of 1 min; a check elsewhere of 12 min
    p, t, after = [0, 4, 4, 2], [10, 1, 1, 12], [None, 0, 0, None]
    order = least_expected_order(p, t, after)
    assert order == (0, 1, 2, 3)
    # 10 min surely, 1 min surely, 1 min with 6 in 10, 12 min with 2 in 10
    assert list(expected_minutes(p, t, order)) == pytest.approx([10, 11, 11.6, 14.0])


def test_probabilities_need_not_sum_to_one() -> None:
    assert expected_minutes([0.2, 0.1], [6, 3], [0, 1])[-1] == pytest.approx(6 + 3 / 3)


@pytest.mark.parametrize(
    ("p", "t", "after", "words"),
    [
        ([0.5], [1, 2], None, "one length"),
        ([-0.5, 1], [1, 2], None, "0 or more"),
        ([0.5, float("nan")], [1, 2], None, "known"),
        ([0.5, 0.5], [1, 2], [1, 0], "circle"),
        ([0.5, 0.5], [1, 2], [0, None], "circle"),
        ([0.5, 0.5], [1, 2], [None, 7], "not there"),
        ([0.5, 0.5], [1, 2], [None], "as long"),
    ],
)
def test_wrong_calls(p: list[float], t: list[float], after: list[int | None] | None, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        least_expected_order(p, t, after)


def test_wrong_orders() -> None:
    with pytest.raises(ValueError, match="every job once"):
        expected_minutes([0.5, 0.5], [1, 1], [0, 0])
    with pytest.raises(ValueError, match="no job"):
        expected_minutes([0.0], [1], [0])
