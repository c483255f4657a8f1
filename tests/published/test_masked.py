"""Counts known in part against published examples."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.masked import Block, Fitted, Ways, fit

CASES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "masked.toml").read_text(encoding="utf-8")
)


def ints(*values: int) -> Any:
    return np.array(values, dtype=np.int64)


def candidates(sets: list[list[int]], components: int) -> Ways:
    """Each pattern a set of components (from 0) of one kind of unit."""
    pattern = np.array([i for i, s in enumerate(sets) for _ in s], dtype=np.int64)
    rate = np.array([c for s in sets for c in s], dtype=np.int64)
    return Ways(
        pattern,
        rate,
        np.ones(len(rate)),
        np.zeros(len(sets), dtype=np.int64),
        np.ones((1, components)),
    )


def linkage() -> tuple[Ways, np.ndarray]:
    """Pattern 0 has two ways, of which one is half for certain; share 0 is t, share 1 is 1 - t."""
    block = Block(index=ints(-1, 0, 1, 1, 0), group=ints(0, 0))
    chance = np.array([0.5, 0.25, 0.25, 0.25, 0.25])
    ways = Ways(ints(0, 0, 1, 2, 3), ints(*[-1] * 5), chance, ints(*[0] * 4), np.ones((1, 1)), (block,))
    return ways, np.array(CASES["linkage"]["counts"], dtype=float)


def test_every_step_of_the_linkage_example() -> None:
    ways, counts = linkage()
    t = CASES["linkage"]["start"]
    for printed in CASES["linkage"]["iterates"][1:]:
        start = Fitted(np.ones(1), (np.array([t, 1 - t]),), False, 0)
        t = fit(ways, counts, start=start, steps=1).shares[0][0]
        assert t == pytest.approx(printed, abs=5e-10)


def test_the_maximum_of_the_linkage_example() -> None:
    ways, counts = linkage()
    found = fit(ways, counts, within=1e-13)
    assert found.settled
    assert found.shares[0][0] == pytest.approx(CASES["linkage"]["maximum"], abs=5e-11)


def test_two_components_have_a_closed_form() -> None:
    case = CASES["two_components"]
    counts = np.array([case["n1"], case["n2"], case["n12"]], dtype=float)
    found = fit(candidates([[0], [1], [0, 1]], 2), counts, within=1e-15)
    rates = found.rates * counts.sum() / case["total_time"]
    assert rates == pytest.approx(case["lambda"], abs=1e-12)
    n1, n2, n = case["n1"], case["n2"], counts.sum()
    assert rates[0] == pytest.approx(n1 * n / ((n1 + n2) * case["total_time"]), abs=1e-12)


def test_thirty_series_systems() -> None:
    case = CASES["series"]
    sets = [[c - 1 for c in s] for s in case["candidates"]]
    found = fit(candidates(sets, 3), np.ones(len(sets)), within=1e-13)
    assert found.rates == pytest.approx(case["shares"], abs=5e-11)
    assert found.rates * len(sets) / case["total_time"] == pytest.approx(case["lambda"], rel=4e-10)
