"""Adjusted p-values against the definitions written out, and against statsmodels."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from repermit.statistics.multiple import benjamini_hochberg, holm


def slow_holm(p: list[float]) -> list[float]:
    """For each p the greatest of (how many are not smaller, itself included) times p over those up to it."""
    n = len(p)
    ranked = sorted(range(n), key=lambda i: p[i])
    found = [0.0] * n
    for k, i in enumerate(ranked):
        found[i] = min(1.0, max((n - j) * p[ranked[j]] for j in range(k + 1)))
    return found


def slow_hochberg(p: list[float]) -> list[float]:
    """For each p the least of p_j n / (how many are at or below p_j) over those at or above it."""
    n = len(p)
    return [min(min(1.0, q * n / sum(r <= q for r in p)) for q in p if q >= own) for own in p]


@pytest.mark.parametrize("seed", range(30))
def test_against_definitions(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 25))
    p = rng.random(n) ** rng.integers(1, 12)
    if seed % 3 == 0:
        p = np.round(p, 1)  # ties, zeros and ones
    assert holm(p) == pytest.approx(slow_holm(p.tolist()), rel=1e-12)
    assert benjamini_hochberg(p) == pytest.approx(slow_hochberg(p.tolist()), rel=1e-12)
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], rel=1e-12)
    order = rng.permutation(n)
    assert benjamini_hochberg(p[order]) == pytest.approx(benjamini_hochberg(p)[order], rel=1e-12)


def test_missing_ones_do_not_count() -> None:
    for method in (holm, benjamini_hochberg):
        found = method([0.01, np.nan, 0.2])
        assert np.isnan(found[1])
        assert found[[0, 2]] == pytest.approx(method([0.01, 0.2]))
        assert method([]).size == 0 and method([0.3]) == pytest.approx([0.3])


def test_refuses_what_makes_no_sense() -> None:
    for wrong in ([-0.1], [1.1], [[0.1]]):
        with pytest.raises(ValueError):
            holm(wrong)
        with pytest.raises(ValueError):
            benjamini_hochberg(wrong)
