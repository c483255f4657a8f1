"""Trend tests and the power-law process against published histories."""

import tomllib
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest

from repermit.statistics.power_law import PowerLaw, power_law
from repermit.statistics.trend import lewis_robinson, trend_tests

CASES: dict[str, Any] = tomllib.loads(
    (Path(__file__).parent / "cases" / "trend.toml").read_text(encoding="utf-8")
)
BY_ID = {case["id"]: case for case in CASES["tests"]}


def events(case: dict[str, Any]) -> tuple[list[float], list[int], list[float]]:
    """Times, units and the ends of windows."""
    histories = case.get("times") or [np.cumsum(gaps).tolist() for gaps in case["intervals"]]
    ends = case.get("ends") or [times[-1] for times in histories]
    return [t for h in histories for t in h], [i for i, h in enumerate(histories) for _ in h], ends


@pytest.mark.parametrize("case", CASES["tests"], ids=lambda c: c["id"])
def test_trend_tests(case: dict[str, Any]) -> None:
    times, units, ends = events(case)
    ended: Literal["time", "failure"] = "failure" if case.get("failure_ended") else "time"
    found = trend_tests(times, units, [0.0] * len(ends), ends, ended_by=ended)
    assert found.chi2_df == case["df"] and found.events == case["df"] / 2
    for name in ("laplace_z", "laplace_p", "chi2", "chi2_p"):
        if name in case:
            assert getattr(found, name) == pytest.approx(case[name], rel=1e-8), name


def test_one_unit_with_uneven_intervals() -> None:
    case = CASES["lewis_robinson"]
    times = np.cumsum(BY_ID["five aircraft"]["intervals"][case["plane"]])
    z = lewis_robinson(times, 0.0, float(times[-1]), ended_by="failure")
    assert z == pytest.approx(case["laplace_z"] / case["variation"], rel=1e-8)


def fitted(case: dict[str, Any], level: float = 0.95) -> PowerLaw:
    source = BY_ID[case["like"]] if "like" in case else case
    times, units, ends = events(source)
    if source.get("failure_ended"):  # the last event is given, so that it says nothing more
        kept = [(t, u) for t, u in zip(times, units, strict=True) if t < ends[u]]
        times, units = [t for t, _ in kept], [u for _, u in kept]
    return power_law(times, units, [0.0] * len(ends), ends, recent=1e-9 * max(ends), level=level)


@pytest.mark.parametrize("case", CASES["power_law"], ids=lambda c: c["id"])
def test_power_law(case: dict[str, Any]) -> None:
    found = fitted(case)
    assert found.shape == pytest.approx(case["shape"], rel=1e-8)
    if "distance" in case:
        assert found.fit == pytest.approx(case["distance"], rel=1e-7)
    if "mean_now" in case:
        assert found.mean_now == pytest.approx(case["mean_now"], rel=2e-7)


LIMITS = [(case, name) for case in CASES["power_law"] for name in ("limits_90", "limits_95") if name in case]


@pytest.mark.parametrize(("case", "name"), LIMITS, ids=lambda c: c if isinstance(c, str) else c["id"])
def test_limits_of_few_units_are_near_the_exact_ones(case: dict[str, Any], name: str) -> None:
    """Of the likelihood ratio, so not to the last digit: within 3 per cent of the chi-square limits, exact from new."""
    found = fitted(case, int(name[-2:]) / 100)
    assert (found.low, found.high) == pytest.approx(case[name], rel=0.03)


def test_mean_time_now_has_limits_near_the_exact_ones() -> None:
    case = next(c for c in CASES["power_law"] if "mean_now_90" in c)
    found = fitted(case, 0.90)
    assert (found.mean_now_low, found.mean_now_high) == pytest.approx(case["mean_now_90"], rel=0.04)
