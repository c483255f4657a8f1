"""Agreement, shares and failure on demand against statsmodels, root searches and integrals."""

import math

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from statsmodels.stats.inter_rater import cohens_kappa

from repermit.statistics.agreement import agreement
from repermit.statistics.proportions import failure_on_demand, wilson_limits


@pytest.mark.parametrize("seed", range(20))
def test_agreement_against_statsmodels(seed: int) -> None:
    rng = np.random.default_rng(seed)
    k = int(rng.integers(2, 7))
    table = rng.poisson(rng.uniform(0.3, 20), (k, k)) + rng.poisson(5, k) * np.eye(k, dtype=int)
    found, theirs = agreement(table), cohens_kappa(table)
    assert (found.low, found.high) == pytest.approx((theirs.kappa_low, theirs.kappa_upp), abs=1e-9)
    assert (found.kappa, found.se) == pytest.approx((theirs.kappa, theirs.std_kappa), rel=1e-9)
    order = rng.permutation(k)
    assert agreement(table[np.ix_(order, order)]).se == pytest.approx(found.se, rel=1e-9)


def test_agreement_by_hand() -> None:
    """Half agreed where chance alone brings half; whole agreement; a table that tells nothing."""
    assert agreement([[5, 5], [5, 5]]).kappa == 0
    whole = agreement([[5, 0], [0, 5]])
    assert (whole.kappa, whole.se, whole.low, whole.high) == (1, 0, 1, 1)
    assert agreement([[0, 5], [5, 0]]).kappa == -1
    one, none = agreement([[9, 0], [0, 0]]), agreement([[0]])
    assert one.agreed == one.by_chance == 1 and math.isnan(one.kappa) and math.isnan(none.kappa)
    for wrong in ([[1, 2]], [[-1, 0], [0, 1]]):
        with pytest.raises(ValueError):
            agreement(wrong)


@pytest.mark.parametrize("seed", range(10))
def test_wilson_by_its_definition(seed: int) -> None:
    """At a limit the share seen lies z standard errors of the limit away."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 500))
    x, level = int(rng.integers(1, n)), float(rng.uniform(0.5, 0.99))
    z = stats.norm.ppf((1 + level) / 2)

    def far(p: float) -> float:
        return float((x / n - p) ** 2 - z**2 * p * (1 - p) / n)

    low, high = wilson_limits(x, n, level)
    assert float(low) == pytest.approx(optimize.brentq(far, 1e-12, x / n), rel=1e-6)
    assert float(high) == pytest.approx(optimize.brentq(far, x / n, 1 - 1e-12), rel=1e-6)


def test_shares_of_nothing_and_of_all() -> None:
    low, high = wilson_limits([0, 0, 4], [0, 4, 4])
    assert math.isnan(low[0]) and math.isnan(high[0]) and low[1] == 0 and high[2] == 1
    with pytest.raises(ValueError):
        wilson_limits(5, 4)


@pytest.mark.parametrize("rate", [1e-9, 1e-5, 0.9e-4, 1.1e-4, 0.01, 0.5, 3.0, 50.0])
def test_failure_on_demand_is_the_mean_over_the_interval(rate: float) -> None:
    """The mean of 1 - exp(-rate t) from one test to the next; at small rates half of rate times interval."""
    mean = integrate.quad(lambda t: -math.expm1(-rate * t), 0, 2, epsabs=0, epsrel=1e-11)[0] / 2
    found = float(failure_on_demand(rate, 2))
    assert found == pytest.approx(mean, rel=1e-7)
    assert found <= rate * 2 / 2


def test_failure_on_demand_at_the_edges() -> None:
    assert failure_on_demand([0, 1, np.inf], [5, 0, 1]).tolist() == [0, 0, 1]
    assert math.isnan(float(failure_on_demand(np.nan, 1)))
    with pytest.raises(ValueError):
        failure_on_demand(-1, 1)
