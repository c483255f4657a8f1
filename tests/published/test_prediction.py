"""Limits of a future count against recomputed examples of Nelson's problem."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from repermit.statistics.prediction import predictive_limits

CASES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "prediction.toml").read_text(encoding="utf-8")
)


def limits(x: int, n: float, m: float) -> tuple[int, int]:
    mean = (x + 0.5) * m / n
    low, high = predictive_limits(mean, mean + mean**2 / (x + 0.5))
    return int(low), int(high)


def exact(x: int, n: float, m: float, tail: float = 0.025) -> tuple[int, int]:
    """Nelson's: the smallest and largest y that the binomial of y in x + y does not refuse."""
    share = m / (m + n)
    low = next(y for y in range(1000) if stats.binom.cdf(y, x + y, share) > tail)
    high = next(y for y in range(low, 1000) if stats.binom.sf(y, x + y + 1, share) <= tail)
    return low, high


@pytest.mark.parametrize("row", CASES["row"], ids=lambda r: f"{r['x']} in {r['n']}, next {r['m']}")
def test_limits(row: dict[str, Any]) -> None:
    case = row["x"], row["n"], row["m"]
    assert limits(*case) == tuple(row["jeffreys"])
    assert exact(*case) == tuple(row["exact"])


@pytest.mark.parametrize("row", CASES["coverage"], ids=lambda r: f"rate {r['rate']}")
def test_coverage_by_enumeration(row: dict[str, Any]) -> None:
    """The exact limits hold as often as published; those of the program within the level, and less widely."""
    seen = np.arange(80)
    chance = stats.poisson.pmf(seen, 5 * row["rate"])
    held = {}
    for name, ask in (("exact", exact), ("ours", limits)):
        sums = 0.0
        for x, p in zip(seen, chance, strict=True):
            low, high = ask(int(x), 5.0, 1.0)
            sums += p * (stats.poisson.cdf(high, row["rate"]) - stats.poisson.cdf(low - 1, row["rate"]))
        held[name] = sums
    assert held["exact"] == pytest.approx(row["exact"], abs=1e-6)
    assert 0.94 < held["ours"] <= held["exact"] + 1e-12
