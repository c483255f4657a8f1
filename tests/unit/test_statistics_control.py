"""Control charts of counts: hand-made cases, slow second implementations, planted shifts and seasons."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.random import Generator
from scipy import stats

from repermit.statistics.control import Watch, season_factors, shift_scores, sigma_z, u_limits, watch

MONTHS = np.arange(48) % 12


def chance(rng: Generator, mean: float, n: int, spread2: float = 1.0) -> np.ndarray:
    """Counts by month, with variance `spread2` times the mean."""
    if spread2 == 1.0:
        return rng.poisson(mean, n).astype(float)
    return rng.poisson(rng.gamma(mean / (spread2 - 1), spread2 - 1, n)).astype(float)


def same(a: Watch, b: Watch, n: int) -> None:
    """The two say the same of the first n months."""
    for name in ("centre", "low", "high", "signal", "judged", "season_out"):
        np.testing.assert_allclose(getattr(a, name)[:n], getattr(b, name)[:n], rtol=1e-9, err_msg=name)


# --- the parts --------------------------------------------------------------------------------------------


def test_spread_by_hand() -> None:
    """Counts 4, 8, 4 over one unit each, expected 4 each: scores 0, 2, 0, ranges 2 and 2."""
    assert sigma_z([4, 8, 4], [1, 1, 1], [4, 4, 4]) == pytest.approx(math.sqrt(math.pi))
    assert sigma_z([3], [1]) == 1.0
    assert sigma_z([0, 0, 0], [1, 1, 1]) == 1.0


@pytest.mark.parametrize("seed", range(5))
def test_spread_of_counts_is_what_it_was_made_with(seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert sigma_z(chance(rng, 40, 4000), np.ones(4000)) == pytest.approx(1.0, abs=0.05)
    assert sigma_z(chance(rng, 40, 4000, 4.0), np.ones(4000)) == pytest.approx(2.0, abs=0.12)


def test_limits_without_exposure_are_not_known() -> None:
    low, high = u_limits([1.0, 1.0], [0.0, 9.0])
    assert np.isnan([low[0], high[0]]).all()
    assert (low[1], high[1]) == (0.0, 2.0)


@pytest.mark.parametrize("ratio", [1.5, 2 / 3, 3.0])
def test_scores_against_predictive_probabilities(ratio: float) -> None:
    """The slow way: probabilities of the later sum, negative binomial as the rate before is gamma."""
    rng = np.random.default_rng(3)
    y, e = rng.poisson(3, 20).astype(float), rng.uniform(0.01, 1000, 20)
    y[4:9] = 0
    scores, months = shift_scores(y, e, ratio, first=2)
    for score, b in zip(scores, months, strict=True):
        size, before, since = 0.5 + y[:b].sum(), e[:b].sum(), e[b:].sum()
        shifted, not_ = (
            stats.nbinom.logpmf(y[b:].sum(), size, before / (before + r * since)) for r in (ratio, 1.0)
        )
        assert score == pytest.approx(shifted - not_, rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("ratio", [1.5, 2 / 3])
def test_greatest_score_is_the_recursive_sum_when_the_rate_is_known(ratio: float) -> None:
    rng = np.random.default_rng(8)
    y, e = rng.poisson(2, 60).astype(float), rng.uniform(0.5, 2, 60)
    page = 0.0
    for i in range(60):
        page = max(0.0, page + y[i] * math.log(ratio) - 2.0 * e[i] * (ratio - 1))
        scores, _ = shift_scores(y[: i + 1], e[: i + 1], ratio, known=(2e11, 1e11))
        assert max(0.0, scores.max()) == pytest.approx(page, abs=1e-3)


def test_scores_of_no_shift_are_refused() -> None:
    for ratio in (1.0, 0.0, -2.0):
        with pytest.raises(ValueError, match="ratio"):
            shift_scores([1, 2], [1, 1], ratio)


def test_season_by_hand_and_slowly() -> None:
    """Two years, twice the mean in March: the factor lies between 1 and what March shows, others near 1."""
    season = np.arange(24) % 12
    m = np.full(24, 10.0)
    y = np.where(season == 2, 20.0, 10.0 * 10 / 11)
    factor, unsure = season_factors(y, m, season)
    totals = [(sum(y[i] for i in range(24) if season[i] == k), 20.0) for k in range(12)]
    between = (sum((a - b) ** 2 - b for a, b in totals) + 240 / 12) / (12 * 400) * 12 / 11
    a = 1 / between
    assert factor == pytest.approx([(t + a) / (b + a) for t, b in totals])
    assert unsure == pytest.approx([1 / (t + a) for t, _ in totals])
    assert 1.4 < factor[2] < 2.0 and (factor[[0, 5, 11]] < 1).all()


def test_no_season_where_months_scatter_less_than_chance() -> None:
    factor, unsure = season_factors(np.full(36, 7.0), np.full(36, 7.0), np.arange(36) % 12)
    assert (factor == 1).all() and (unsure == 0).all()
    factor, _ = season_factors(np.zeros(36), np.zeros(36), np.arange(36) % 12)
    assert (factor == 1).all()


def test_season_planted_is_found() -> None:
    rng = np.random.default_rng(5)
    season = np.arange(600) % 12
    true = 1 + 0.5 * np.cos(2 * np.pi * np.arange(12) / 12)
    m = np.full(600, 20.0)
    factor, _ = season_factors(rng.poisson(m * true[season]), m, season)
    assert factor == pytest.approx(true, abs=0.1)


# --- months judged ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_a_verdict_stays_when_later_months_come(seed: int) -> None:
    """With a shift, a season and a month without exposure on the way."""
    rng = np.random.default_rng(seed)
    e = rng.uniform(0.5, 1.5, 48)
    e[7] = 0
    y = rng.poisson(12 * e * np.where(np.arange(48) >= 20, 2.5, 1) * (1 + 0.4 * np.sin(MONTHS)))
    whole = watch(y, e, MONTHS)
    for n in (5, 13, 30, 47):
        same(watch(y[:n], e[:n], MONTHS[:n]), whole, n)
    assert not whole.judged[7]


def test_the_unit_of_exposure_changes_nothing() -> None:
    rng = np.random.default_rng(2)
    e = rng.uniform(0.5, 1.5, 48)
    y = rng.poisson(9 * e)
    a = watch(y, e, MONTHS)
    for scale in (1e-9, 1e9):
        b = watch(y, e * scale, MONTHS)
        assert (a.signal == b.signal).all()
        np.testing.assert_allclose(a.high, b.high * scale, rtol=1e-9)


def test_first_twelve_months_are_not_judged_and_limits_are_those_of_the_months_before() -> None:
    y = np.full(14, 9.0)
    found = watch(y, np.ones(14), MONTHS[:14])
    assert not found.judged[:12].any() and found.judged[12:].all()
    assert found.centre[12] == 9.0
    assert found.high[12] == pytest.approx(9 + 3 * math.sqrt(9 + 9 / 12))  # chance, and the mean of twelve
    assert found.low[13] == 0.0


def test_one_wild_month_is_a_signal_and_no_shift() -> None:
    y = np.array([7, 6, 8, 7, 5, 9] * 6, dtype=float)
    y[30] = 40
    found = watch(y, np.ones(36), MONTHS[:36])
    assert list(np.flatnonzero(found.signal)) == [30] and found.signal[30] == 1
    assert not found.shifts
    assert found.centre[31] == pytest.approx(7.0, abs=0.5)  # the wild month is left out


@pytest.mark.parametrize(("ratio", "sign"), [(0.4, -1), (2.0, 1)])
def test_a_lasting_shift_is_dated_and_measured(ratio: float, sign: int) -> None:
    rng = np.random.default_rng(6)
    y = rng.poisson(20 * np.where(np.arange(48) >= 30, ratio, 1.0))
    (shift,) = watch(y, np.ones(48), MONTHS).shifts
    assert abs(shift.began - 30) <= 1 and shift.shown <= 36
    assert shift.low <= ratio <= shift.high
    assert (shift.ratio > 1) == (sign > 0)


def test_no_events_and_the_first_one() -> None:
    found = watch(np.zeros(40), np.ones(40), MONTHS[:40])
    assert not found.signal.any() and not found.shifts and found.judged[12:].all()
    found = watch(np.concatenate((np.zeros(30), [1.0, 0.0])), np.ones(32), MONTHS[:32])
    assert found.judged[30:].all() and not found.shifts


def test_what_makes_no_sense_is_refused() -> None:
    for y, e in (([1, -1], [1, 1]), ([1, 1], [1, math.nan]), ([1], [1, 1])):
        with pytest.raises(ValueError, match=r"length|finite"):
            watch(y, e, [0, 1])


@pytest.mark.parametrize(("mean", "spread2", "wave"), [(7, 1.0, 0.0), (7, 2.0, 0.0), (20, 1.0, 0.5)])
def test_false_alarms_are_rare(mean: float, spread2: float, wave: float) -> None:
    """120 worlds of 36 months without a signal: with more scatter than chance, and with a season."""
    rng = np.random.default_rng(11)
    e = rng.uniform(0.8, 1.2, 36)
    signals = judged = shifted = 0
    for _ in range(120):
        m = mean * e * (1 + wave * np.cos(2 * np.pi * MONTHS[:36] / 12))
        y = rng.poisson(m if spread2 == 1 else rng.gamma(m / (spread2 - 1), spread2 - 1))
        found = watch(y, e, MONTHS[:36])
        signals += np.abs(found.signal).sum()
        judged += found.judged.sum()
        shifted += bool(found.shifts)
    assert judged >= 119 * 24
    assert signals / judged < 0.02
    assert shifted / 120 < 0.06


@pytest.mark.slow
@pytest.mark.parametrize("months", [36, 60])
@pytest.mark.parametrize(
    ("mean", "spread2", "wave"), [(2, 1.0, 0.0), (7, 2.0, 0.0), (7, 1.0, 0.5), (50, 2.0, 0.5)]
)
def test_false_alarms_of_a_thousand_worlds(months: int, mean: float, spread2: float, wave: float) -> None:
    """What DEVELOPERS.md says: 1 in 100 months at most, and a shift told in 7 of 100 worlds at most."""
    rng = np.random.default_rng(7)
    season = np.arange(months) % 12
    signals = judged = shifted = 0
    for _ in range(1000):
        e = rng.uniform(0.8, 1.2, months)
        m = mean * e * (1 + wave * np.cos(2 * np.pi * season / 12))
        found = watch(
            rng.poisson(m if spread2 == 1 else rng.gamma(m / (spread2 - 1), spread2 - 1)), e, season
        )
        signals += np.abs(found.signal).sum()
        judged += found.judged.sum()
        shifted += bool(found.shifts)
    print(
        f"{months} {mean} {spread2} {wave}: {signals / judged:.2%} of months, shift in {shifted / 1000:.1%}"
    )
    assert signals / judged < 0.0125
    assert shifted / 1000 < 0.085
