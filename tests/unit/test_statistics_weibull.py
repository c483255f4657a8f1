"""Weibull lives: against slow likelihoods written out, at the edges, and on simulated lives of known truth."""

import math

import numpy as np
import pytest
from scipy import optimize

from repermit.statistics.renewal import UnknownBirths, remaining_survival, unknown_births
from repermit.statistics.weibull import WeibullFit, fit_weibull

DROP = 3.841458820694124 / 2
"""Half the 95 % point of chi-square on one degree of freedom."""


def likelihood(shape: float, scale: float, rows: list[tuple[float, float, float]]) -> float:
    """Log-likelihood of (entry, time, event), life by life."""
    found = 0.0
    for entry, time, event in rows:
        if event:
            found += event * (math.log(shape / scale) + (shape - 1) * math.log(time / scale))
        found -= (time / scale) ** shape - (entry / scale) ** shape
    return found


def slow_fit(rows: list[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Shape, scale and the greatest likelihood by a general search."""
    middle = math.log(np.mean([t for _, t, _ in rows]))
    found = optimize.minimize(
        lambda v: -likelihood(math.exp(v[0]), math.exp(v[1]), rows), [0.0, middle], method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000},
    )  # fmt: skip
    return math.exp(found.x[0]), math.exp(found.x[1]), -found.fun


def lives(
    seed: int, scale: float = 1000.0, n: int = 25, shape: float = 1.5
) -> list[tuple[float, float, float]]:
    """Lives with late entry for half of them, some lost from view, rounded so that some tie."""
    rng = np.random.default_rng(seed)
    rows = []
    while len(rows) < n:
        entry = float(round(rng.uniform(0, 0.6), 1)) if rng.random() < 0.5 else 0.0
        life = float(round(rng.weibull(shape), 2))
        if life > entry:
            end = round(entry + rng.uniform(0.05, 1.5), 2)
            rows.append((entry * scale, min(life, end) * scale, float(life <= end)))
    return rows


def fit_rows(rows: list[tuple[float, float, float]]) -> WeibullFit:
    entry, time, event = zip(*rows, strict=True)
    return fit_weibull(time, event, entry=entry)


@pytest.mark.parametrize("seed", range(12))
def test_peak_and_limits_as_a_slow_search_finds_them(seed: int) -> None:
    rows = lives(seed, (1e-7, 1000.0, 1e9)[seed % 3])
    fit, (shape, scale, peak) = fit_rows(rows), slow_fit(rows)
    assert fit.shape[0] == pytest.approx(shape, rel=1e-5)
    assert fit.scale[0] == pytest.approx(scale, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(peak, abs=1e-7)
    for limit in fit.shape[1:]:
        if math.isnan(limit):
            continue
        best = optimize.minimize_scalar(
            lambda y, s=limit: -likelihood(s, math.exp(y), rows),
            (math.log(scale) - 0.2, math.log(scale) + 0.2),
        )
        assert -best.fun == pytest.approx(peak - DROP, abs=1e-5)
    for limit in fit.quantile(0.5)[1:]:
        if math.isnan(limit):
            continue
        best = optimize.minimize_scalar(
            lambda x, m=limit: -likelihood(math.exp(x), m / math.log(2) ** math.exp(-x), rows),
            bounds=(math.log(shape) - 2.5, math.log(shape) + 2.5), method="bounded",
        )  # fmt: skip
        assert -best.fun == pytest.approx(peak - DROP, abs=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_limits_of_a_function_are_those_of_a_profile(seed: int) -> None:
    fit = fit_rows(lives(seed, n=60))
    half = fit.function(lambda shape, scale: scale * math.log(2) ** (1 / shape), rays=120)
    assert half == pytest.approx(fit.quantile(0.5), rel=3e-3)


def test_order_counts_and_units_change_nothing() -> None:
    rows = lives(3)
    fit = fit_rows(rows)
    other = fit_rows(rows[::-1])
    assert other.shape == pytest.approx(fit.shape, rel=1e-7)
    entry, time, event = (np.array(v) for v in zip(*rows, strict=True))
    twice = fit_weibull(np.tile(time, 2), np.tile(event, 2), entry=np.tile(entry, 2))
    weighted = fit_weibull(time, event, entry=entry, weights=np.full(time.size, 2.0))
    assert weighted.shape == pytest.approx(twice.shape, rel=1e-7)
    assert weighted.lives == 50 and weighted.failures == twice.failures
    years = fit_weibull(time / 365.25, event, entry=entry / 365.25)
    assert years.shape == pytest.approx(fit.shape, rel=1e-6)
    assert np.array(years.scale) * 365.25 == pytest.approx(fit.scale, rel=1e-6)


def test_what_lives_do_not_tell_is_not_told() -> None:
    for fit in (fit_weibull([], []), fit_weibull([3.0, 5.0], [0, 0]), fit_weibull([5.0, 5.0], [1, 1])):
        assert not fit.known and all(math.isnan(v) for v in (*fit.shape, *fit.scale, *fit.quantile(0.5)))
        assert math.isnan(fit.function(lambda shape, scale: scale)[0])
    one = fit_weibull([3.0, *[8.0] * 20], [1, *[0] * 20])
    assert one.known and one.failures == 1
    assert math.isnan(one.quantile(0.5)[2]) and one.quantile(0.5)[1] > 3  # no upper limit
    assert one.shape[1] < 1 < one.shape[2]


@pytest.mark.parametrize(
    ("time", "event", "entry"),
    [
        ([0.0], [1], [0.0]),
        ([1.0], [1], [1.0]),
        ([1.0], [1.5], [0.0]),
        ([1.0, 2.0], [1], [0.0]),
        ([np.nan], [1], [0.0]),
    ],
)
def test_what_makes_no_sense_is_refused(time: list[float], event: list[float], entry: list[float]) -> None:
    with pytest.raises(ValueError, match=r"."):
        fit_weibull(time, event, entry=entry)


def test_memoryless_lives_do_not_care_when_the_watch_began() -> None:
    step = 0.05
    found = remaining_survival(1.0, 3.0, step, 60, 40, other_rate=0.2)
    assert found == pytest.approx(np.tile(np.exp(-np.arange(41) * step / 3), (61, 1)), abs=1e-12)


def slow_remaining(shape: float, scale: float, gap: float, ahead: float, other_rate: float) -> float:
    """Cox's formula by convolutions: the density of the n-th renewal, summed, then the integral over the last one."""
    n = 2400
    step = gap / n
    middle = (np.arange(n) + 0.5) * step

    def survival(t: np.ndarray) -> np.ndarray:
        return np.exp(-((t / scale) ** shape))

    edges = np.arange(n + 1) * step
    life = -np.diff(survival(edges) * np.exp(-other_rate * edges))  # chance of a renewal in each cell
    density, nth = np.zeros(n), life
    for _ in range(60):
        density += nth
        nth = np.convolve(nth, life)[:n]
        nth = np.concatenate(([0.0], nth[:-1])) * 0.5 + nth * 0.5  # two middles add up to an edge
    age = gap - middle
    return float(
        survival(np.array(gap + ahead)) * np.exp(-other_rate * gap)
        + np.sum(density * np.exp(-other_rate * age) * survival(age + ahead))
    )


@pytest.mark.parametrize(("shape", "other_rate"), [(0.7, 0.0), (1.8, 0.0), (1.8, 0.3), (4.0, 0.1)])
def test_remaining_survival_as_convolutions_have_it(shape: float, other_rate: float) -> None:
    found = remaining_survival(shape, 3.0, 0.05, 160, 40, other_rate)
    for row, column in ((160, 20), (60, 40), (20, 10)):
        slow = slow_remaining(shape, 3.0, row * 0.05, column * 0.05, other_rate)
        assert found[row, column] == pytest.approx(slow, abs=1.5e-3 if shape < 1 else 5e-4)


def test_long_before_the_watch_lives_are_in_equilibrium() -> None:
    """After many renewals the remaining life has survival 1 - integral of S over the mean life (Cox 1962)."""
    shape, scale, step = 1.8, 1.0, 0.02
    found = remaining_survival(shape, scale, step, 600, 50)[600]
    fine = np.linspace(0, 12, 240001)
    survival = np.exp(-(fine**shape))
    mean = float(np.trapezoid(survival, fine))
    for column in (10, 50):
        x = column * step
        part = fine[fine <= x + 1e-12]
        expected = 1 - float(np.trapezoid(np.exp(-(part**shape)), part)) / mean
        assert found[column] == pytest.approx(expected, abs=2e-4)


def positions(
    rng: np.random.Generator, n: int, shape: float, scale: float, other: float, watch: float
) -> tuple[np.ndarray, np.ndarray]:
    """Known births (age, failed) and unknown ones (gap, time in view, failed) of n places, each a renewal process."""
    known, unknown = [], []
    for gap in rng.uniform(60, 3600, n):
        born = 0.0
        while born < gap + watch:
            life, swap = scale * rng.weibull(shape), rng.exponential(1 / other) if other else math.inf
            end = born + min(life, swap)
            seen, failed = min(end, gap + watch), life < swap and end <= gap + watch
            if end > gap:
                if born < gap:
                    unknown.append((gap, seen - gap, failed))
                else:
                    known.append((seen - born, failed))
            born = end
    return np.array(known, dtype=float).reshape(-1, 2), np.array(unknown, dtype=float)


@pytest.mark.parametrize(("shape", "other"), [(1.8, 0.0), (0.7, 1 / 4000)])
def test_truth_is_recovered_and_late_entry_must_not_be_ignored(shape: float, other: float) -> None:
    rng = np.random.default_rng(7)
    known, unknown = positions(rng, 2500, shape, 3000.0, other, 1095.0)
    births = unknown_births(unknown[:, 0], unknown[:, 1], unknown[:, 2], other_rate=other)
    both = fit_weibull(known[:, 0], known[:, 1], unknown=births)
    alone = fit_weibull(known[:, 0], known[:, 1])
    for fit in (both, alone):
        assert fit.shape[1] < shape < fit.shape[2]
        assert fit.scale[1] < 3000 < fit.scale[2]
    assert both.shape[2] - both.shape[1] < alone.shape[2] - alone.shape[1]
    ignored = fit_weibull(np.r_[known[:, 0], unknown[:, 1]], np.r_[known[:, 1], unknown[:, 2]])
    assert not ignored.shape[1] < shape < ignored.shape[2]


def test_unknown_births_that_make_no_sense_are_refused() -> None:
    for gap, time, event in (
        ([-1.0], [1.0], [1]),
        ([1.0], [1.0], [2]),
        ([0.0], [0.0], [0]),
        ([1.0], [1.0, 2.0], [0]),
    ):
        with pytest.raises(ValueError, match=r"."):
            unknown_births(gap, time, event)


def test_an_eighth_of_a_failure_on_four_lives_is_no_error() -> None:
    """Of positions that few trailers have: the likelihood is all but flat, and has more than one peak in the scale."""
    births = UnknownBirths(
        step=24.65, gaps=135, ahead=25, other_rate=2.191816851783865e-05, failures=0.125, lives=3,
        failed=(np.array([40]), np.array([7]), np.array([0.125])),
        lost=(np.array([40, 135, 135]), np.array([7, 14, 25]), np.array([0.875, 1.0, 1.0])),
        entered=(np.array([40, 135, 135]), np.array([0, 0, 14]), np.array([1.0, 1.0, 1.0])),
    )  # fmt: skip
    fit = fit_weibull([435.0], [0.0], unknown=births)
    assert fit.failures == 0.125 and fit.lives == 4
    shape, low, high = fit.shape
    assert shape > 0 and not (low > shape) and not (high < shape)  # a limit may not exist: nan
