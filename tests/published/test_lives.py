"""Product-limit curves, log-rank tests, Weibull fits, age replacement and shrunken rates against published data."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.age_replacement import best_age
from repermit.statistics.log_rank import log_rank
from repermit.statistics.shrinkage import shrink
from repermit.statistics.survival import product_limit
from repermit.statistics.weibull import fit_weibull


def cases(name: str) -> Any:
    return tomllib.loads((Path(__file__).parent / "cases" / f"{name}.toml").read_text(encoding="utf-8"))


SURVIVAL = cases("survival")["case"]
WEIBULL = cases("weibull")["case"]
REPLACED = cases("age_replacement")
PUMPS = cases("shrinkage")


def subjects(case: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Entry, time, event, group; those with no time in view left out."""
    if "rows" in case:
        time, event, group = np.array(case["rows"], dtype=float).T
        return np.zeros_like(time), time, event, group.astype(int)
    entry, time, event, group = np.array(case["entries"], dtype=float).T
    kept = time > np.maximum(entry, case["start"])
    return entry[kept], time[kept], event[kept], group[kept].astype(int)


@pytest.mark.parametrize("case", SURVIVAL, ids=lambda c: c["id"])
def test_product_limit(case: dict[str, Any]) -> None:
    entry, time, event, group = subjects(case)
    for k, expected in enumerate(case.get("curves", [])):
        mine = group == k
        curve = product_limit(time[mine], event[mine], entry=entry[mine], start=case.get("start", 0.0))
        for t, at_risk, events, *values in expected:
            step = int(np.flatnonzero(curve.time == t)[0])
            assert (curve.at_risk[step], curve.events[step]) == (at_risk, events)
            found = (curve.survival[step], curve.standard_error[step], curve.low[step], curve.high[step])
            assert found == pytest.approx(values, rel=1e-9)
        if k < len(case.get("median", [])):
            assert curve.quantile(0.5)[0] == case["median"][k]


@pytest.mark.parametrize("case", [c for c in SURVIVAL if "chi_square" in c], ids=lambda c: c["id"])
def test_log_rank(case: dict[str, Any]) -> None:
    entry, time, event, group = subjects(case)
    test = log_rank(time, event, group, int(group.max()) + 1, entry=entry)
    assert test.expected == pytest.approx(case["expected"], rel=1e-8)
    assert test.chi_square == pytest.approx(case["chi_square"], rel=1e-8)
    assert (test.degrees, test.p) == (case["degrees"], pytest.approx(case["p"], rel=1e-7))


@pytest.mark.parametrize("case", WEIBULL, ids=lambda c: c["id"])
def test_weibull(case: dict[str, Any]) -> None:
    age, failed, count = zip(*case["rows"], strict=True)
    fit = fit_weibull(age, failed, weights=count)
    scale, shape, likelihood, tenth = case["tolerance"]
    assert fit.scale[0] == pytest.approx(case["scale"], abs=scale)
    assert fit.shape[0] == pytest.approx(case["shape"], abs=shape)
    assert fit.log_likelihood == pytest.approx(case["log_likelihood"], abs=likelihood)
    assert fit.quantile(0.1)[0] == pytest.approx(case["age_of_10_percent"], abs=tenth)


@pytest.mark.parametrize("row", REPLACED["rows"], ids=str)
def test_age_replacement(row: list[float]) -> None:
    found = best_age(*row[:4])
    assert (found.age, found.cost, found.cost_at_failure) == pytest.approx(row[4:], rel=1e-9)


@pytest.mark.parametrize("row", REPLACED["never"], ids=str)
def test_never_replace_what_does_not_wear_out(row: list[float]) -> None:
    found = best_age(*row)
    assert found.age == np.inf and found.cost == found.cost_at_failure


def test_shrunken_rates_of_ten_pumps() -> None:
    found = shrink(PUMPS["events"], PUMPS["exposure"])
    assert found.shape == pytest.approx(PUMPS["shape"], rel=1e-6)
    assert found.rate == pytest.approx(PUMPS["rate"], rel=1e-6)
    assert found.log_likelihood == pytest.approx(PUMPS["log_likelihood"], abs=1e-8)
    expected = np.array(PUMPS["shrunken"])
    assert np.column_stack([found.mean, found.low, found.high]) == pytest.approx(expected, rel=1e-6)
