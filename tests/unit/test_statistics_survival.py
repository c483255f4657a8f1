"""Product-limit curve and restricted mean against slow definitions, and at their edges."""

import math
from fractions import Fraction

import numpy as np
import pytest
from statsmodels.duration.survfunc import SurvfuncRight

from late_entries import sample
from repermit.statistics.survival import product_limit, restricted_mean


def slow_curve(entry: np.ndarray, time: np.ndarray, event: np.ndarray) -> list[tuple[float, int, Fraction]]:
    """(age, at risk, survival) by the definition, in exact fractions."""
    survival, steps = Fraction(1), []
    for age in sorted({t for t, d in zip(time, event, strict=True) if d}):
        at_risk = sum(1 for e, t in zip(entry, time, strict=True) if e < age <= t)
        events = sum(1 for t, d in zip(time, event, strict=True) if d and t == age)
        survival *= 1 - Fraction(events, at_risk)
        steps.append((age, at_risk, survival))
    return steps


@pytest.mark.parametrize("seed", range(30))
def test_curve_is_its_definition(seed: int) -> None:
    entry, time, event, _ = sample(seed, scale=(1e-9, 1.0, 1e9)[seed % 3])
    curve = product_limit(time, event, entry=entry)
    for step, (age, at_risk, survival) in enumerate(slow_curve(entry, time, event)):
        assert (curve.time[step], curve.at_risk[step]) == (age, at_risk)
        assert curve.survival[step] == pytest.approx(float(survival), abs=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_curve_as_a_library_has_it(seed: int) -> None:
    entry, time, event, _ = sample(seed, 60)
    entry += 0.5 * (entry > 0)  # the library treats entries at an event's age otherwise
    curve = product_limit(time, event, entry=entry)
    other = SurvfuncRight(time, event, entry=entry)
    assert curve.survival == pytest.approx(other.surv_prob, abs=1e-12)
    alive = curve.survival > 0
    assert curve.standard_error[alive] == pytest.approx(other.surv_prob_se[alive], abs=1e-12)


def test_order_and_weights_by_half() -> None:
    entry, time, event, _ = sample(5)
    order = np.random.default_rng(0).permutation(time.size)
    a, b = (product_limit(time[o], event[o], entry=entry[o]) for o in (np.arange(time.size), order))
    assert (a.survival == b.survival).all() and (a.low == b.low).all()
    assert product_limit([1.0, 2.0], [0.5, 1.0]).survival.tolist() == [0.75, 0.0]


def test_edges_of_the_curve() -> None:
    nothing = product_limit([], [])
    assert nothing.time.size == 0 and nothing.until == 0
    censored = product_limit([3.0, 5.0], [0, 0])
    assert censored.at([0, 5, 6])[0].tolist()[:2] == [1.0, 1.0] and math.isnan(censored.at([6])[0][0])
    assert all(math.isnan(v) for v in censored.quantile(0.5))
    gone = product_limit([2.0, 2.0], [1, 1])
    assert gone.survival.tolist() == [0.0] and math.isnan(gone.low[0]) and gone.at([9])[0][0] == 0
    # Late entry: nobody at risk at first; one early death of one subject would send the curve to zero for good.
    trap = product_limit([2.0, 9.0, 9.0], [1, 1, 0], entry=[1.0, 5.0, 5.0])
    assert trap.survival.tolist() == [0.0, 0.0]
    later = product_limit([2.0, 9.0, 9.0], [1, 1, 0], entry=[1.0, 5.0, 5.0], start=2.0)
    assert later.survival.tolist() == [0.5] and later.at_risk.tolist() == [2]


@pytest.mark.parametrize(
    ("time", "event", "entry"),
    [
        ([1.0], [1, 0], None),
        ([-1.0], [1], None),
        ([1.0], [2], None),
        ([1.0], [1], [1.0]),
        ([np.inf], [1], None),
    ],
)
def test_what_makes_no_sense_is_refused(
    time: list[float], event: list[float], entry: list[float] | None
) -> None:
    with pytest.raises(ValueError, match=r"."):
        product_limit(time, event, entry=entry)


@pytest.mark.parametrize("seed", range(12))
def test_restricted_mean_is_the_area(seed: int) -> None:
    _, time, event, _ = sample(seed)
    curve = product_limit(time, event)
    until = 8.0
    grid = np.linspace(0, until, 80001)[:-1] + until / 160000
    area = float(np.mean(curve.at(grid)[0]) * until)
    mean, low, high = restricted_mean(curve, until)
    assert mean == pytest.approx(area, abs=1e-9)
    assert low < mean < high


def test_restricted_mean_by_hand() -> None:
    # Three subjects, events at 1 and 2, one lost at 4: area to 3 is 1 + 2/3 + 1/3 = 2.
    curve = product_limit([1.0, 2.0, 4.0], [1, 1, 0])
    mean, low, high = restricted_mean(curve, 3.0)
    assert mean == pytest.approx(2.0)
    variance = 1.0**2 * 1 / (3 * 2) + (1 / 3) ** 2 * 1 / (2 * 1)
    reach = 1.959963984540054 * math.sqrt(variance)
    assert (low, high) == pytest.approx((2 - reach, 2 + reach))
    assert math.isnan(restricted_mean(curve, 5.0)[0])
    quiet = restricted_mean(product_limit([4.0], [0]), 3.0)
    assert quiet[0] == 3.0 and math.isnan(quiet[1])
