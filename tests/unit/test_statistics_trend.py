"""Trend tests against slow versions written from the definitions, and by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from repermit.statistics.trend import MIN_UNITS, SeasonalCounts, lewis_robinson, trend_tests


def fleet(seed: int, units: int = 14, scale: float = 1.0) -> dict[str, Any]:
    """Own windows of unequal length, unequal rates, units without events, ties."""
    rng = np.random.default_rng(seed)
    start = rng.integers(0, 300, units).astype(float)
    end = start + rng.integers(50, 700, units)
    counts = rng.poisson(rng.gamma(1.0, 4.0, units))
    counts[0] = 0
    who = np.repeat(np.arange(units), counts)
    time = start[who] + np.ceil(rng.random(who.size) * (end - start)[who])
    return {"time": time * scale, "unit": who, "start": start * scale, "end": end * scale}


@pytest.mark.parametrize("scale", [1.0, 1e-7, 1e9])
@pytest.mark.parametrize("seed", range(5))
def test_same_as_the_definitions(seed: int, scale: float) -> None:
    data = fleet(seed, scale=scale)
    got = trend_tests(**data)
    rows = list(zip(data["time"].tolist(), data["unit"].tolist(), strict=True))
    a, b = data["start"], data["end"]
    scores = [sum(t - (a[u] + b[u]) / 2 for t, v in rows if v == u) for u in range(a.size)]
    z = sum(scores) / math.sqrt(sum((b[u] - a[u]) ** 2 for _, u in rows) / 12)
    chi2 = -2 * sum(math.log((t - a[u]) / (b[u] - a[u])) for t, u in rows)
    below = stats.chi2(2 * len(rows)).cdf(chi2)
    want = (z, 2 * stats.norm.sf(abs(z)), sum(scores) / math.sqrt(sum(s * s for s in scores)))
    assert (got.laplace_z, got.laplace_p, got.robust_z) == pytest.approx(want, rel=1e-9)
    assert (got.chi2, got.chi2_p) == pytest.approx((chi2, 2 * min(below, 1 - below)), rel=1e-7)
    assert (got.events, got.chi2_df, got.units) == (len(rows), 2 * len(rows), a.size)


@pytest.mark.parametrize("seed", range(3))
def test_order_of_rows_changes_nothing(seed: int) -> None:
    data = fleet(seed)
    order = np.random.default_rng(seed).permutation(data["time"].size)
    turned = data | {"time": data["time"][order], "unit": data["unit"][order]}
    assert trend_tests(**data) == trend_tests(**turned)
    assert trend_tests(**data, ended_by="failure") == trend_tests(**turned, ended_by="failure")


def test_two_units_by_hand() -> None:
    """Windows (0, 10] and (5, 15]; events at 8 and at 14: 3 and 4 after the middle, variance 100/12 each."""
    got = trend_tests([8, 14], [0, 1], [0, 5], [10, 15])
    assert got.laplace_z == pytest.approx(7 / math.sqrt(200 / 12))
    assert got.chi2 == pytest.approx(2 * (math.log(10 / 8) + math.log(10 / 9)))
    assert math.isnan(got.robust_z) and got.units == 2


def test_turned_round_in_time_the_sign_turns() -> None:
    data = fleet(3)
    back = data | {"time": -data["time"] - 1e-9, "start": -data["end"] - 1, "end": -data["start"]}
    shifted = data | {name: data[name] + 1e4 for name in ("time", "start", "end")}
    assert trend_tests(**shifted).laplace_z == pytest.approx(trend_tests(**data).laplace_z, rel=1e-9)
    assert np.sign(trend_tests(**back).laplace_z) == -np.sign(trend_tests(**data).laplace_z)


def test_zero_events_and_few_units() -> None:
    none = trend_tests([], np.array([], int), [0.0] * 12, [10.0] * 12)
    assert none.events == 0 and math.isnan(none.laplace_z) and math.isnan(none.chi2_p)
    few = trend_tests([3.0], [0], [0.0] * (MIN_UNITS - 1), [10.0] * (MIN_UNITS - 1))
    enough = trend_tests([3.0], [0], [0.0] * MIN_UNITS, [10.0] * MIN_UNITS)
    assert math.isnan(few.robust_z) and enough.robust_z == pytest.approx(-1)
    last = trend_tests([3.0, 7.0], [0, 0], [0.0], [10.0], ended_by="failure")
    assert last.events == 1 and last.laplace_z == pytest.approx((3 - 3.5) / math.sqrt(49 / 12))


def test_lewis_robinson_by_hand_and_where_it_can_t_be_told() -> None:
    gaps = [1.0, 2.0, 4.0]  # mean 7/3, standard deviation sqrt(7/3)
    z = sum(t - 5 for t in (1, 3, 7)) / math.sqrt(3 * 100 / 12)
    assert lewis_robinson([7, 1, 3], 0, 10) == pytest.approx(z * (7 / 3) / math.sqrt(7 / 3))
    assert np.std(gaps, ddof=1) == pytest.approx(math.sqrt(7 / 3))
    assert math.isnan(lewis_robinson([1, 2], 0, 10)) and math.isnan(lewis_robinson([2, 4, 6], 0, 10))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"time": [1.0]}, "one length"),
        ({"time": [1.0, math.inf]}, "finite"),
        ({"time": [0.0, 1.0]}, "outside"),
        ({"time": [1.0, 9.5]}, "outside"),
        ({"unit": [0, 2]}, "units"),
        ({"end": [9.0, 0.0]}, "window"),
    ],
)
def test_bad_input_is_refused(change: dict[str, Any], message: str) -> None:
    good: dict[str, Any] = {"time": [1.0, 2.0], "unit": [0, 1], "start": [0.0, 0.0], "end": [9.0, 9.0]}
    trend_tests(**good)
    with pytest.raises(ValueError, match=message):
        trend_tests(**(good | change))


# --- with the season taken out ---------------------------------------------------------------------------------


def cells(seed: int, units: int = 20, months: int = 36, per_cell: float = 1.5) -> dict[str, Any]:
    """Counts by unit and month with a season, late entry and months without exposure."""
    rng = np.random.default_rng(seed)
    who, month = (part.ravel() for part in np.meshgrid(np.arange(units), np.arange(months), indexing="ij"))
    exposure = rng.uniform(20, 31, who.size) * (month >= rng.integers(0, 12, units)[who])
    season = 1 + 0.5 * np.sin(2 * np.pi * month / 12)
    rate = rng.gamma(2, 0.5, units)[who] * season * per_cell / 30
    return {"events": rng.poisson(rate * exposure), "exposure": exposure, "unit": who, "month": month}


def test_season_against_a_regression() -> None:
    """With many events the pseudo-events don't matter: expected counts and z are those of a Poisson regression with
    a factor a unit and a factor a month of the year, and of its score test with variance over units."""
    data = cells(1, per_cell=40.0)
    got = SeasonalCounts(**data)
    there = data["exposure"] > 0
    y, e, u, m = (data[name][there] for name in ("events", "exposure", "unit", "month"))
    x = np.column_stack([u[:, None] == np.arange(20), (m % 12)[:, None] == np.arange(1, 12)]).astype(float)
    mu = sm.GLM(y, x, family=sm.families.Poisson(), offset=np.log(e)).fit().fittedvalues
    order = np.lexsort((e, y, m, u))
    assert got.expected == pytest.approx(mu[order], rel=2e-3)
    root = np.sqrt(mu)
    left = m / 12 - x @ np.linalg.lstsq(x * root[:, None], m / 12 * root, rcond=None)[0]
    scores = np.array([(left * (y - mu))[u == i].sum() for i in range(20)])
    assert got.trend(np.ones(20, bool)).z == pytest.approx(
        scores.sum() / np.sqrt((scores**2).sum()), abs=0.02
    )


def test_season_in_any_order() -> None:
    data = cells(2)
    order = np.random.default_rng(0).permutation(data["events"].size)
    tested = np.arange(20) < 12
    first = SeasonalCounts(**data)
    second = SeasonalCounts(**{name: values[order] for name, values in data.items()})
    assert first.trend(tested) == second.trend(tested)
    assert first.factors[3] > 1.3 and first.factors[9] < 0.7  # sin at 3 and 9 twelfths


def test_a_trend_in_some_units_is_seen_there_alone() -> None:
    data = cells(5, units=40)
    rng = np.random.default_rng(9)
    rising = data["unit"] < 20
    data["events"] = np.where(
        rising, rng.poisson(data["events"] * (0.4 + data["month"] / 24)), data["events"]
    )
    got = SeasonalCounts(**data)
    assert got.trend(np.arange(40) < 20).z > 3
    assert abs(got.trend(np.arange(40) >= 20).z) < 2.6


def test_few_events_make_no_season_and_none_no_test() -> None:
    data = cells(3, per_cell=0.002)
    got = SeasonalCounts(**data)
    assert got.factors.min() > 0.5 and got.factors.max() < 2
    none = SeasonalCounts(**(data | {"events": np.zeros(data["unit"].size)}))
    assert none.factors == pytest.approx(np.ones(12)) and math.isnan(none.trend(np.ones(20, bool)).z)
    assert math.isnan(got.trend(np.arange(20) < MIN_UNITS - 1).z)
    with pytest.raises(ValueError, match="one length"):
        SeasonalCounts([1], [1.0, 2.0], [0, 0], [0, 1])
    with pytest.raises(ValueError, match="not negative"):
        SeasonalCounts([1, -1], [1.0, 2.0], [0, 0], [0, 1])
