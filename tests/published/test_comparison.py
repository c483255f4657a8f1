"""Ratio of two rates against published counts."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.comparison import rate_ratio, rate_ratio_p
from repermit.statistics.standardised import funnel_limits, standardised_ratio
from repermit.statistics.strata import held_against

READ = tomllib.loads((Path(__file__).parent / "cases" / "comparison.toml").read_text(encoding="utf-8"))
CASES = READ["case"]
PERSONS = [case for case in CASES if case["a"][1] < 1000]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_exact_conditional_limits(case: dict[str, Any]) -> None:
    ratio, low, high = rate_ratio(*case["a"], *case["b"])
    assert ratio == pytest.approx(case["ratio"], rel=1e-9)
    assert (low, high) == pytest.approx(case["limits"], rel=1e-9)
    turned = rate_ratio(*case["b"], *case["a"])
    assert turned == pytest.approx((1 / ratio, 1 / high, 1 / low), rel=1e-9)
    for first, second in ((case["a"], case["b"]), (case["b"], case["a"])):
        assert rate_ratio_p(*first, *second) == pytest.approx(case["p_twice"], rel=1e-8)


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_within_one_stratum(case: dict[str, Any]) -> None:
    """One stratum is the plain conditional comparison."""
    (x, t), (y, u) = case["a"], case["b"]
    found = held_against(x, [x + y], [t / (t + u)])
    assert found.p == pytest.approx(case["p_greater"], rel=1e-8)
    assert found.ratio == pytest.approx(case["ratio"], rel=1e-8)
    assert (found.low, found.high) == pytest.approx(case["limits"], rel=1e-8)
    assert found.expected == pytest.approx(y * t / u, rel=1e-8)


@pytest.mark.parametrize("case", PERSONS, ids=lambda c: c["id"])
def test_standardised_on_the_other_group(case: dict[str, Any]) -> None:
    """Each person followed alike, one stratum: observed over what the other group's rate leads to expect."""
    (x, t), (y, u) = case["a"], case["b"]
    person = np.arange(t + u)
    events = (person < x) | ((person >= t) & (person < t + y))
    found = standardised_ratio(np.ones(t + u), events, np.zeros(t + u, int), person < t, person)
    assert found.expected == pytest.approx(t * y / u, rel=1e-9)
    assert found.ratio == pytest.approx(case["ratio"], rel=1e-9)
    assert (found.low, found.high) == pytest.approx(case["limits"], rel=1e-9)


@pytest.mark.parametrize("case", READ["funnel"], ids=lambda c: c["id"])
def test_funnel_limits(case: dict[str, Any]) -> None:
    """From the printed distribution: the count less the share of its step that lies beyond the chance, over the mean."""
    below, upto = case["distribution"]
    count = case["count"] - (upto - case["chance"]) / (upto - below)
    tolerance = 0.0001 / (upto - below) / case["mean"]  # two entries, each right to half of the fourth digit
    assert float(funnel_limits(case["mean"], case["chance"])) == pytest.approx(
        count / case["mean"], abs=tolerance
    )
