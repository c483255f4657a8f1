"""Cumulative incidence against published data sets, recomputed with R package survival."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.competing import CumulativeIncidence, aalen_johansen

FOLDER = Path(__file__).parent / "cases"
CASES: dict[str, Any] = tomllib.loads((FOLDER / "competing.toml").read_text(encoding="utf-8"))
SAME = 1e-8  # relative; the values are given to ten digits


def _estimate(case: dict[str, Any]) -> CumulativeIncidence:
    time, cause = np.loadtxt(FOLDER / case["file"], delimiter=",", skiprows=1, dtype=int, unpack=True)
    assert np.bincount(cause).tolist() == case["by_cause"]
    return aalen_johansen(time, cause, [row["at"] for row in case["row"]])


@pytest.mark.parametrize("name", ["mgus2", "melanoma"])
def test_incidence_and_standard_error(name: str) -> None:
    rows = CASES[name]["row"]
    estimate = _estimate(CASES[name])
    for column, values in (
        ("incidence", "incidence"),
        ("standard_error", "se"),
        ("event_free", "event_free"),
    ):
        want = np.array([row[values] for row in rows]).T
        np.testing.assert_allclose(getattr(estimate, column), want, rtol=SAME)


@pytest.mark.parametrize("name", ["mgus2", "melanoma"])
def test_ignoring_the_other_cause_overstates(name: str) -> None:
    """The usual mistake: other events taken as censored (one minus Kaplan-Meier)."""
    time, cause = np.loadtxt(FOLDER / CASES[name]["file"], delimiter=",", skiprows=1, dtype=int, unpack=True)
    at = [row["at"] for row in CASES[name]["row"]]
    naive = aalen_johansen(time, np.where(cause == 1, 1, 0), at)
    assert (naive.incidence[0] > _estimate(CASES[name]).incidence[0]).all()
