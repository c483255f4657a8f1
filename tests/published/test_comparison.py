"""Ratio of two rates against published counts."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from repermit.statistics.comparison import rate_ratio, rate_ratio_p
from repermit.statistics.strata import held_against

CASES = tomllib.loads((Path(__file__).parent / "cases" / "comparison.toml").read_text(encoding="utf-8"))[
    "case"
]


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
