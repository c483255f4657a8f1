"""Rates and mean times between events against published tables and examples."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.rates import gamma_limits, mtbf_limits, mtbf_lower_limit, poisson_limits

CASES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "rates.toml").read_text(encoding="utf-8")
)
SAME = 1e-8  # relative; the values are given to ten digits


@pytest.mark.parametrize("row", CASES["garwood"]["row"], ids=lambda r: f"{r['count']} at {r['level']}")
def test_exact_poisson_limits(row: dict[str, Any]) -> None:
    limits = poisson_limits(row["count"], row["level"])
    assert limits == pytest.approx(row["limits"], rel=SAME, abs=1e-12)
    for limit, printed in zip(limits, row.get("printed", ()), strict="printed" in row):
        decimals = len(printed.partition(".")[2])
        assert float(limit) == pytest.approx(float(printed), abs=0.5 * 10**-decimals if decimals else 0)


def test_observed_against_expected() -> None:
    case = CASES["nickel"]
    low, high = poisson_limits(case["observed"])
    assert case["observed"] / case["expected"] == pytest.approx(case["ratio"], rel=SAME)
    assert [low / case["expected"], high / case["expected"]] == pytest.approx(case["limits"], rel=SAME)


def test_gamma_limits_of_a_weighted_count() -> None:
    case = CASES["weighted"]
    cases, births, standard = (np.array(case[k], dtype=float) for k in ("cases", "births", "standard"))
    weight = case["per"] * standard / standard.sum() / births
    rate = float(weight @ cases)
    limits = gamma_limits(rate, weight**2 @ cases, case["level"], step=weight.max())
    assert rate == pytest.approx(case["printed_rate"], abs=5e-6)
    assert limits == pytest.approx(case["printed_limits"], abs=5e-6)


def test_mean_time_between_failures_of_the_handbook_example() -> None:
    case = CASES["nist_example"]
    limits = mtbf_limits(case["total_time_h"], case["failures"], case["level"])
    assert limits == pytest.approx(case["limits_h"], rel=SAME)
    assert limits == pytest.approx(case["printed_h"], abs=0.0005)
    assert case["total_time_h"] / case["failures"] == case["mtbf_h"]


def test_factors_of_the_handbook_tables() -> None:
    rows = CASES["nist_factors"]["row"]
    assert len(rows) == 20
    for row in rows:
        limits = mtbf_limits(row["failures"], row["failures"], row["level"])  # time / failures = 1
        assert limits == pytest.approx(row["factors"], rel=SAME)


def test_one_sided_lower_limit_without_a_failure() -> None:
    case = CASES["zero_failures"]
    for row in case["row"]:
        lower = mtbf_lower_limit(case["total_time_h"], 0, row["level"])
        assert float(lower) == pytest.approx(row["lower_h"], rel=SAME)
        assert np.isnan(mtbf_limits(case["total_time_h"], 0, row["level"])[1])


def test_what_ended_the_watch_moves_the_lower_limit_only() -> None:
    case = CASES["ended_by"]
    for row in case["row"]:
        limits = mtbf_limits(case["total_time_h"], row["failures"], case["level"], ended_by=row["ended_by"])
        assert limits == pytest.approx(row["limits_h"], rel=SAME)


@pytest.mark.parametrize("plane", CASES["aircraft"]["plane"], ids=lambda p: p["name"])
def test_mean_time_of_aircraft_watched_until_a_failure(plane: dict[str, Any]) -> None:
    hours, level = plane["hours"], CASES["aircraft"]["level"]
    limits = mtbf_limits(sum(hours), len(hours), level, ended_by="failure")
    assert limits == pytest.approx(plane["limits_h"], rel=SAME)
