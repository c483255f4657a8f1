"""Cumulative incidence, against a slow second implementation and a reference library.

The slow one walks through the event times one by one with Python numbers. Its derivatives by a subject's
weight are complex steps: the weight gets a tiny imaginary part, and the imaginary part of the answer over
it is the derivative, to rounding.
"""

import math
import time as clock
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.duration.survfunc import CumIncidenceRight  # type: ignore[import-untyped]

from repermit.statistics.competing import CumulativeIncidence, aalen_johansen, in_order

Floats = NDArray[np.float64]
STEP = 1e-40


def _slow(data: dict[str, Any], cause: int, at: float, weights: list[complex]) -> complex:
    """Incidence of one cause at one time."""
    people = list(zip(data["entry"], data["time"], data["share"], weights, strict=True))
    free, incidence = 1.0 + 0j, 0.0 + 0j
    for s in sorted({t for _, t, share, _ in people if sum(share) > 0 and t <= at}):
        at_risk = sum(w for start, end, _, w in people if start < s <= end)
        events = [sum(w * share[j] for _, end, share, w in people if end == s) for j in range(data["causes"])]
        incidence += free * events[cause] / at_risk
        free *= 1 - sum(events) / at_risk
    return incidence


def _slow_derivatives(data: dict[str, Any], cause: int, at: float) -> list[float]:
    answers = []
    for i in range(len(data["time"])):
        weights = [complex(w) for w in data["weights"]]
        weights[i] += 1j * STEP
        answers.append(_slow(data, cause, at, weights).imag / STEP)
    return answers


def _slow_known(data: dict[str, Any], at: float) -> int:
    """Least, over moments just after each time before `at` and just before `at`, of known subjects."""
    people = list(zip(data["entry"], data["time"], [sum(s) > 0 for s in data["share"]], strict=True))
    known = [sum(start < at for start, _, _ in people) - sum(end < at and not ev for _, end, ev in people)]
    for s in {0.0, *data["time"], *(e for e in data["entry"] if e > 0)}:
        if s < at:
            entered = sum(start <= s for start, _, _ in people)
            known.append(entered - sum(end <= s and not event for _, end, event in people))
    return int(min(known))


def _slow_limits(p: float, se: float, known: int, level: float) -> tuple[float, float]:
    low, high = p, p
    if 0 < p < 1:
        z = stats.norm.isf((1 - level) / 2) * se / (p * math.log(p))
        low, high = (math.exp(-math.exp(math.log(-math.log(p)) + sign * z)) for sign in (-1, 1))
    if known == 0:
        return 0.0, 1.0
    none_of_known = stats.binomtest(0, known).proportion_ci(level, method="exact").high
    return min(low, 1 - none_of_known), max(high, none_of_known)


def _people(seed: int) -> dict[str, Any]:
    """A few subjects with tied times, shared-out causes, late entries, weights and clusters."""
    rng = np.random.default_rng(seed)
    n, causes = int(rng.integers(1, 26)), int(rng.integers(1, 4))
    time = rng.integers(1, 9, n) * float(rng.choice([1e-9, 1.0, 1e9]))
    kind = rng.random(n)
    share = np.where(kind[:, None] < 0.5, np.eye(causes)[rng.integers(0, causes, n)], 0.0)
    share[kind > 0.8] = rng.dirichlet(np.ones(causes), n)[kind > 0.8]
    late = bool(seed % 2)
    entry = np.where(rng.random(n) < 0.4, time * rng.choice([0.25, 0.5, 0.75], n), 0.0)
    return {
        "time": time.tolist(),
        "entry": entry.tolist() if late else [-math.inf] * n,
        "late": late,
        "share": share.tolist(),
        "weights": rng.choice([0.5, 1.0, 2.0], n).tolist() if seed % 3 == 0 else [1.0] * n,
        "cluster": rng.integers(0, max(1, n // 2), n).tolist(),
        "causes": causes,
        "at": [0.0, *np.unique(time), float(time.mean()), float(time.max()) * 0.99],
    }


def _estimate(data: dict[str, Any], **more: Any) -> CumulativeIncidence:
    entry = data["entry"] if data["late"] else None
    given: dict[str, Any] = {"event_weight": data["share"], "entry": entry, "weights": data["weights"]}
    return aalen_johansen(data["time"], None, data["at"], **(given | more))


@pytest.mark.parametrize("seed", range(40))
def test_same_as_the_slow_version(seed: int) -> None:
    data = _people(seed)
    alone = _estimate(data, level=0.9)
    together = _estimate(data, cluster=data["cluster"], min_clusters=2)
    spans = list(zip(data["entry"], data["time"], strict=True))
    for k, at in enumerate(data["at"]):
        assert alone.at_risk[k] == sum(start < at <= end for start, end in spans)
    for j in range(data["causes"]):
        for k, at in enumerate(data["at"]):
            want = _slow(data, j, at, [complex(w) for w in data["weights"]]).real
            pulls = np.multiply(_slow_derivatives(data, j, at), data["weights"])
            se = math.sqrt(sum(pulls**2))
            assert alone.incidence[j, k] == pytest.approx(want, rel=1e-12, abs=1e-15)
            assert alone.standard_error[j, k] == pytest.approx(se, rel=1e-9, abs=1e-14)
            limits = _slow_limits(want, se, _slow_known(data, at), 0.9)
            # next to 0 and 1 the logarithms magnify rounding
            assert (alone.low[j, k], alone.high[j, k]) == pytest.approx(limits, rel=1e-7, abs=1e-9)
            if not together.clusters_too_few:
                by_cluster = np.bincount(data["cluster"], weights=pulls)
                clustered = math.sqrt(sum(by_cluster**2))
                assert together.standard_error[j, k] == pytest.approx(clustered, rel=1e-9, abs=1e-14)


@pytest.mark.parametrize("seed", range(6))
def test_order_of_subjects_changes_nothing(seed: int) -> None:
    data = _people(seed)
    order = np.random.default_rng(seed).permutation(len(data["time"])).tolist()
    columns = ("time", "entry", "share", "weights", "cluster")
    mixed = data | {name: [data[name][i] for i in order] for name in columns}
    first = _estimate(data, cluster=data["cluster"], min_clusters=2)
    second = _estimate(mixed, cluster=mixed["cluster"], min_clusters=2)
    for name, value in vars(first).items():
        np.testing.assert_array_equal(value, getattr(second, name))


@pytest.mark.parametrize("kinds", [1, 4, 1_000_000])
def test_order_is_that_of_a_sort_by_all_keys(kinds: int) -> None:
    rng = np.random.default_rng(kinds)
    for n in (0, 1, 2, 300):
        keys = [rng.integers(0, 3, n), rng.random(n).round(1), rng.integers(0, kinds, n).astype(np.float64)]
        assert in_order(keys).tolist() == np.lexsort(keys).tolist()


def test_reference_library_gives_the_same_incidence() -> None:
    rng = np.random.default_rng(5)
    time, cause = rng.integers(1, 30, 400), rng.integers(0, 4, 400)
    reference = CumIncidenceRight(time, cause)
    got = aalen_johansen(time, cause, reference.times)
    np.testing.assert_allclose(got.incidence, reference.cinc, rtol=1e-12)


def test_without_censoring_it_is_a_share_with_binomial_error() -> None:
    rng = np.random.default_rng(7)
    time, cause = rng.integers(1, 20, 60), rng.integers(1, 3, 60)
    got = aalen_johansen(time, cause, [4, 11])
    for k, at in enumerate((4, 11)):
        share = np.array([np.mean((time <= at) & (cause == j)) for j in (1, 2)])
        np.testing.assert_allclose(got.incidence[:, k], share, rtol=1e-12)
        np.testing.assert_allclose(got.standard_error[:, k], np.sqrt(share * (1 - share) / 60), rtol=1e-12)


def test_counts_and_what_adds_up() -> None:
    got = aalen_johansen([5, 5, 5, 8, 9], [1, 2, 0, 1, 0], [4, 5, 6, 9])
    assert got.at_risk.tolist() == [5, 5, 2, 1]
    assert got.events.tolist() == [[0, 1, 1, 2], [0, 1, 1, 1]]
    assert got.incidence.tolist() == pytest.approx(np.array([[0, 0.2, 0.2, 0.5], [0, 0.2, 0.2, 0.2]]))
    np.testing.assert_allclose(got.incidence.sum(axis=0) + got.event_free, 1.0, rtol=1e-14)


def test_no_event_has_the_exact_binomial_upper_limit() -> None:
    got = aalen_johansen([10.0] * 12 + [1.0] * 5, [0] * 12 + [2] * 2 + [0] * 3, [0.5, 9, 10], n_causes=2)
    for k, known in enumerate((17, 14, 14)):  # the three lost at time 1 tell nothing about time 9
        exact = stats.binomtest(0, known).proportion_ci(0.95, method="exact")
        assert got.incidence[0, k] == got.low[0, k] == 0.0
        assert got.high[0, k] == pytest.approx(exact.high, rel=1e-12)


def test_nothing_but_events_has_the_exact_binomial_lower_limit() -> None:
    got = aalen_johansen([1.0, 2.0, 3.0, 3.0], [1, 1, 1, 1], [3.0, 50.0])
    assert got.event_free.tolist() == [0.0, 0.0]  # nobody left: known for good
    for k in (0, 1):
        assert got.incidence[0, k] == pytest.approx(1.0, rel=1e-14)
        assert got.high[0, k] == pytest.approx(1.0, rel=1e-14)
        assert got.low[0, k] == pytest.approx(0.025**0.25, rel=1e-12)


def test_a_single_subject() -> None:
    event = aalen_johansen([3.0], [1], [2.0, 3.0])
    assert event.incidence.tolist() == [[0.0, 1.0]]
    assert (event.low[0, 1], event.high[0, 0]) == pytest.approx((0.025, 0.975))
    shared = aalen_johansen([3.0], None, [3.0], event_weight=[[0.3, 0.7]])
    assert shared.incidence[:, 0] == pytest.approx([0.3, 0.7])
    assert shared.low[:, 0] == pytest.approx([0.025, 0.025])
    assert shared.high[:, 0] == pytest.approx([0.975, 0.975])


def test_a_small_part_of_an_event_does_not_narrow_the_interval() -> None:
    none = aalen_johansen([90.0] * 20, [0] * 20, [90.0])
    share = [[0.001, 0.999]] + [[0.0, 0.0]] * 19
    part = aalen_johansen([90.0] * 20, None, [90.0], event_weight=share)
    assert part.incidence[0, 0] == pytest.approx(0.001 / 20)
    assert part.high[0, 0] >= none.high[0, 0]


def test_after_the_last_was_lost_nothing_is_known() -> None:
    got = aalen_johansen([4.0, 9.0], [1, 0], [9.0, 9.1])
    assert got.incidence[0, 0] == 0.5
    columns = (got.incidence, got.standard_error, got.low, got.high, got.event_free)
    assert all(np.isnan(column[..., 1]).all() for column in columns)
    assert got.at_risk.tolist() == [1, 0]
    everyone_lost = aalen_johansen([4.0, 9.0], [0, 0], [5.0, 20.0])
    assert everyone_lost.high[0, 0] == pytest.approx(0.975)
    assert np.isnan(everyone_lost.incidence[0, 1])
    nobody = aalen_johansen([], [], [5.0], n_causes=2)
    assert np.isnan(nobody.incidence).all() and nobody.incidence.shape == (2, 1)


@pytest.mark.parametrize("scale", [2.0**-200, 2.0**200])
def test_unit_of_time_does_not_matter(scale: float) -> None:
    rng = np.random.default_rng(11)
    time, cause, at = rng.exponential(1.0, 80), rng.integers(0, 3, 80), np.array([0.2, 1.0, 2.0])
    first, second = aalen_johansen(time, cause, at), aalen_johansen(time * scale, cause, at * scale)
    np.testing.assert_array_equal(first.incidence, second.incidence)
    np.testing.assert_array_equal(first.low, second.low)


def test_entry_at_the_start_is_no_late_entry() -> None:
    rng = np.random.default_rng(13)
    time, cause = rng.integers(1, 12, 70), rng.integers(0, 3, 70)
    first = aalen_johansen(time, cause, [3, 8], cluster=time % 7)
    second = aalen_johansen(time, cause, [3, 8], cluster=time % 7, entry=np.zeros(70))
    for name, value in vars(first).items():
        np.testing.assert_array_equal(value, getattr(second, name))


def test_a_time_when_nobody_was_in_view_leaves_everything_open() -> None:
    got = aalen_johansen([6.0, 7.0, 8.0], [0, 0, 0], [7.0], entry=[2.0, 2.0, 3.0])
    assert (got.low[0, 0], got.high[0, 0]) == (0.0, 1.0)


def test_copies_within_a_cluster_add_no_certainty() -> None:
    rng = np.random.default_rng(17)
    time, cause = rng.integers(1, 12, 50), rng.integers(0, 3, 50)
    once = aalen_johansen(time, cause, [4, 9])
    copies = (np.repeat(time, 4), np.repeat(cause, 4), [4, 9])
    alone = aalen_johansen(*copies)
    together = aalen_johansen(*copies, cluster=np.repeat(np.arange(50), 4))
    np.testing.assert_allclose(together.standard_error, once.standard_error, rtol=1e-12)
    np.testing.assert_allclose(alone.standard_error, once.standard_error / 2, rtol=1e-12)
    assert (together.low < alone.low).all() and (together.high > alone.high).all()
    widening = (stats.t.isf(0.025, 49) / stats.norm.isf(0.025)) ** 2
    independent, clustered = alone.standard_error**2, once.standard_error**2 * 50 / 49
    error = np.sqrt(independent + (clustered - independent) * widening)
    for j, k in ((0, 0), (0, 1), (1, 0), (1, 1)):
        limits = _slow_limits(together.incidence[j, k], error[j, k], 200, 0.95)
        assert (together.low[j, k], together.high[j, k]) == pytest.approx(limits, rel=1e-9)


def test_clusters_never_narrow_and_few_are_flagged() -> None:
    rng = np.random.default_rng(19)
    time, cause = rng.integers(1, 12, 90), rng.integers(0, 3, 90)
    alone = aalen_johansen(time, cause, [5, 10])
    many = aalen_johansen(time, cause, [5, 10], cluster=np.arange(90) % 30)
    few = aalen_johansen(time, cause, [5, 10], cluster=np.arange(90) % 4)
    assert (many.low <= alone.low).all() and (many.high >= alone.high).all()
    assert (many.clusters, many.clusters_too_few) == (30, False)
    assert (few.clusters, few.clusters_too_few) == (4, True)
    np.testing.assert_allclose(few.high, alone.high, rtol=1e-12)
    np.testing.assert_allclose(few.standard_error, alone.standard_error, rtol=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_limits_of_some_causes_alone(seed: int) -> None:
    data = _people(seed)
    every, first = _estimate(data), _estimate(data, told=1)
    for name in ("incidence", "events", "event_free", "at_risk"):
        np.testing.assert_array_equal(getattr(first, name), getattr(every, name))
    for name in ("standard_error", "low", "high"):
        np.testing.assert_array_equal(getattr(first, name)[0], getattr(every, name)[0])
        assert np.isnan(getattr(first, name)[1:]).all()


def test_a_hundred_thousand_subjects_in_under_a_second() -> None:
    rng = np.random.default_rng(23)
    n = 100_000
    time, cause, cluster = rng.exponential(300.0, n), rng.integers(0, 3, n), rng.integers(0, 3000, n)
    start = clock.perf_counter()
    got = aalen_johansen(time, cause, [30, 90, 180], cluster=cluster)
    assert clock.perf_counter() - start < 1.0
    # hazards of 1/900 a day each: incidence (1 - exp(-2 t / 900)) / 2
    truth = (1 - np.exp(-2 * got.at / 900)) / 2
    assert (np.abs(got.incidence - truth) < 5 * got.standard_error).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"time": [1.0, -1.0]}, "time"),
        ({"time": [1.0, math.nan]}, "time"),
        ({"time": [1.0, math.inf]}, "time"),
        ({"cause": [1, -1]}, "cause"),
        ({"cause": [1, 3], "n_causes": 2}, "cause"),
        ({"cause": [1.0, 0.0]}, "whole numbers"),
        ({"cause": [1]}, "one entry"),
        ({"cause": None}, "one entry"),
        ({"event_weight": [[1.0], [0.0]]}, "not both"),
        ({"cause": None, "event_weight": [[0.5, 0.4], [0, 0]]}, "add up"),
        ({"cause": None, "event_weight": [[1.5, -0.5], [0, 0]]}, "below 0"),
        ({"cause": None, "event_weight": [1.0, 0.0]}, "row a subject"),
        ({"entry": [0.0, 2.0]}, "entry"),
        ({"weights": [1.0, 0.0]}, "weights"),
        ({"cluster": [1]}, "one entry"),
        ({"at": [-1.0]}, "at must"),
        ({"at": [math.nan]}, "at must"),
        ({"level": 0.0}, "level"),
        ({"min_clusters": 1}, "min_clusters"),
    ],
)
def test_bad_input_is_refused(change: dict[str, Any], message: str) -> None:
    good: dict[str, Any] = {"time": [1.0, 2.0], "cause": [1, 0], "at": [1.0]}
    aalen_johansen(**good)
    with pytest.raises(ValueError, match=message):
        aalen_johansen(**(good | change))
