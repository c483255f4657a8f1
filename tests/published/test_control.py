"""Control charts of counts and cumulative sums against published examples and run lengths."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from repermit.statistics.control import shift_scores, sigma_z, u_limits

CASES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "control.toml").read_text(encoding="utf-8")
)
KNOWN = 1e13
"""Exposure behind a rate so well known that the sum is that of a known centre."""


def test_limits_of_a_chart_of_counts() -> None:
    case = CASES["wafers"]
    y = np.array(case["events"], dtype=float)
    low, high = u_limits(y.mean(), np.ones(y.size))
    assert y.mean() == pytest.approx(case["centre"], abs=1e-9)
    assert low == pytest.approx(np.full(y.size, case["low"]), abs=1e-9)
    assert high == pytest.approx(np.full(y.size, case["high"]), abs=1e-9)
    assert [int(i) + 1 for i in np.flatnonzero((y > high) | (y < low))] == case["outside"]


def test_limits_with_varying_exposure_and_laneys_spread() -> None:
    case = CASES["cloth"]
    y, e = np.array(case["events"], dtype=float), np.array(case["exposure"], dtype=float)
    centre, spread = y.sum() / e.sum(), sigma_z(y, e)
    assert centre == pytest.approx(case["centre"], abs=1e-8)
    assert spread == pytest.approx(case["sigma_z"], abs=1e-8)
    low, high = u_limits(centre, e)
    assert low == pytest.approx(case["low"], abs=1e-6)
    assert high == pytest.approx(case["high"], abs=1e-6)
    assert high == pytest.approx(case["printed_high"], abs=5e-7)
    low, high = u_limits(centre, e, spread)
    assert low == pytest.approx(case["laney_low"], abs=1e-6)
    assert high == pytest.approx(case["laney_high"], abs=1e-6)


def test_low_limit_is_not_below_zero() -> None:
    case = CASES["lots"]
    y = np.array(case["events"], dtype=float)
    centre = y.sum() / (case["exposure"] * y.size)
    assert centre == pytest.approx(case["centre"], abs=1e-12)
    low, high = u_limits(centre, case["exposure"])
    assert (low, high) == (case["low"], pytest.approx(case["high"], abs=1e-6))


def one_step(level: float, count: int, k: float) -> float:
    """The sum after one more month, starting from `level`, by the function under test.

    A first month brings the sum to `level` (its count is large enough for any k behind it); the next has the
    reference value k. In units of events, as the published ones are.
    """
    ratio = 1.5
    to_exposure = np.log(ratio) / (ratio - 1)  # a month's reference value is its expectation over this
    first = float(np.ceil(level)) + 1
    events = np.array([first, count])
    exposure = np.array([(first - level) * to_exposure, k * to_exposure])
    scores, _ = shift_scores(events, exposure, ratio, known=(KNOWN, KNOWN))
    return max(0.0, float(scores.max()) / float(np.log(ratio)))


@pytest.mark.parametrize("case", CASES["run_length"], ids=lambda c: f"k {c['k']}, h {c['h']}")
def test_run_length_of_the_cumulative_sum(case: dict[str, Any]) -> None:
    """The chain of sums below the limit, each transition by the function; run lengths solve (I - P) L = 1."""
    k, h, step = case["k"], case["h"], case["step"]
    states = round(h / step)
    for mean, arl in zip(case["mean"], case["arl"], strict=True):
        chain = np.zeros((states, states))
        for state in range(states):
            for count in range(int(h + k) + 2):
                after = one_step(state * step, count, k) / step
                assert abs(after - round(after)) < 0.02  # the lattice; rounding of sums with 1e13 behind them
                if round(after) < states:
                    chain[state, round(after)] += stats.poisson.pmf(count, mean)
        lengths = np.linalg.solve(np.eye(states) - chain, np.ones(states))
        assert lengths[0] == pytest.approx(arl, abs=case["within"] * max(1.0, arl if step == 1 else 1.0))
        if "printed" in case:
            assert round(lengths[0]) == case["printed"]
            assert lengths[states // 2] == pytest.approx(case["from_half"], abs=case["within"])
            assert round(lengths[states // 2]) == case["printed_from_half"]
