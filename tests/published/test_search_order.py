"""The order of checks against values proved by exhaustive search."""

import tomllib
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.search_order import expected_minutes, least_expected_order

CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "cases" / "search.toml").read_text(encoding="utf-8")
)["case"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{len(c['minutes'])} checks")
def test_order_and_cost(case: dict[str, Any]) -> None:
    p, t = case["probability"], case["minutes"]
    order = least_expected_order(p, t)
    assert [i + 1 for i in order] == case["order"]
    assert expected_minutes(p, t, order)[-1] == pytest.approx(case["expected"], abs=1e-9)
    greedy = [int(i) for i in np.argsort(-np.array(p), kind="stable")]
    assert expected_minutes(p, t, greedy)[-1] == pytest.approx(case["by_probability"], abs=1e-9)
    worst = max(expected_minutes(p, t, o)[-1] for o in permutations(range(len(p))))
    assert worst == pytest.approx(case["worst"], abs=1e-9)
