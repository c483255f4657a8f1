"""The log-rank test against slow definitions and a library, with late entry, with clusters, and at its edges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from late_entries import Sample, sample
from repermit.statistics.log_rank import log_rank
from repermit.statistics.survival import expected_events


def clustered(seed: int, n: int = 40) -> Sample:
    """Times on a coarse grid (ties, zeros), weights of an event, two groups, few clusters that reach into both."""
    rng = np.random.default_rng(seed)
    time = rng.integers(0, 12, n) * 10.0
    weight = rng.choice([0.0, 0.3, 1.0], n) * (rng.random(n) < 0.7)
    return time, weight, rng.random(n) < 0.4, rng.integers(0, 9, n)


def slow_log_rank(
    entry: np.ndarray, time: np.ndarray, event: np.ndarray, group: np.ndarray
) -> tuple[list[float], float]:
    """Expected events and chi-square of two of three groups' differences, event age by event age."""
    expected, variance, beyond = np.zeros(3), np.zeros((3, 3)), np.zeros(3)
    for age in sorted(set(time[event > 0])):
        here = (entry < age) & (age <= time)
        n, d = here.sum(), ((time == age) & (event > 0)).sum()
        share = np.array([(here & (group == k)).sum() / n for k in range(3)])
        expected += d * share
        beyond += np.array([((time == age) & (event > 0) & (group == k)).sum() for k in range(3)]) - d * share
        if n > 1:
            variance += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    return list(expected), float(beyond[:2] @ np.linalg.solve(variance[:2, :2], beyond[:2]))


@pytest.mark.parametrize("seed", range(20))
def test_log_rank_is_its_definition(seed: int) -> None:
    entry, time, event, group = sample(seed, 50, scale=(1e-9, 1.0, 1e9)[seed % 3])
    found = log_rank(time, event, group, 3, entry=entry)
    expected, chi_square = slow_log_rank(entry, time, event, group)
    assert found.expected == pytest.approx(expected, rel=1e-12)
    assert found.chi_square == pytest.approx(chi_square, rel=1e-9) and found.degrees == 2
    each = expected_events(time, event, entry=entry)
    assert np.bincount(group, each, 3) == pytest.approx(expected, rel=1e-9)
    assert each.sum() == pytest.approx(event.sum(), rel=1e-12)


def test_log_rank_with_nothing_to_compare() -> None:
    assert log_rank([1.0, 2.0], [0, 0], [0, 1], 2).p == 1.0
    alone = log_rank([1.0, 2.0, 3.0], [1, 1, 0], [0, 0, 0], 2)
    assert (alone.degrees, alone.p) == (0, 1.0)
    together = log_rank([1.0, 2.0], [1, 1], [0, 1], 2, cluster=["a", "a"])
    assert (together.degrees, together.p) == (0, 1.0)


@pytest.mark.parametrize(
    ("time", "event", "group", "entry"),
    [
        ([1.0], [1], [3], None),
        ([1.0, 2.0], [1], [0, 1], None),
        ([1.0], [2.0], [0], None),
        ([-1.0], [1], [0], None),
        ([1.0], [1], [0], [1.0]),
    ],
)
def test_what_makes_no_sense_is_refused(
    time: list[float], event: list[float], group: list[int], entry: list[float] | None
) -> None:
    with pytest.raises(ValueError, match=r"."):
        log_rank(time, event, group, 2, entry=entry)


@pytest.mark.parametrize("seed", range(6))
def test_clusters_with_late_entry(seed: int) -> None:
    """Clusters of two: as the sum subject by subject; order changes nothing."""
    entry, time, event, group = sample(seed)
    scores = np.zeros((time.size, 3))
    for age in sorted(set(time[event > 0].tolist())):
        risk = (entry < age) & (age <= time)
        share = np.array([(risk & (group == k)).sum() for k in range(3)]) / risk.sum()
        hazard = event[time == age].sum() / risk.sum()
        for i in np.flatnonzero(risk):
            scores[i] += (np.eye(3)[group[i]] - share) * ((event[i] if time[i] == age else 0.0) - hazard)
    labels = np.arange(time.size) // 2
    table = np.array([scores[labels == c].sum(axis=0) for c in np.unique(labels)])
    m = len(table)
    alone = log_rank(time, event, group, 3, entry=entry)
    _, plain = slow_log_rank(entry, time, event, group)
    variance = slow_variance(time, event, group, entry)[:2, :2]
    effect = np.trace(np.linalg.inv(variance) @ (table.T @ table)[:2, :2] * m / (m - 1)) / 2
    found = log_rank(time, event, group, 3, entry=entry, cluster=labels)
    assert alone.chi_square == pytest.approx(plain, rel=1e-9)
    assert found.chi_square == pytest.approx(plain / max(1, effect), rel=1e-9)
    order = np.random.default_rng(0).permutation(time.size)
    again = log_rank(time[order], event[order], group[order], 3, entry=entry[order], cluster=labels[order])
    assert again.chi_square == pytest.approx(found.chi_square, rel=1e-12)


def test_log_rank_false_alarms() -> None:
    """Three alike groups with late entry: about one in twenty is told apart."""
    rng = np.random.default_rng(11)
    alarms = 0
    for _ in range(600):
        entry = rng.uniform(0, 1, 60) * (rng.random(60) < 0.5)
        life = entry + rng.exponential(1.0, 60)
        end = entry + rng.uniform(0.2, 1.5, 60)
        alarms += (
            log_rank(np.minimum(life, end), life <= end, rng.integers(0, 3, 60), 3, entry=entry).p < 0.05
        )
    assert 0.03 < alarms / 600 < 0.075


@pytest.mark.parametrize("seed", range(8))
def test_two_groups_against_a_library(seed: int) -> None:
    time, weight, here, _ = clustered(seed)
    event = weight == 1
    x, y = (stats.CensoredData(uncensored=time[g & event], right=time[g & ~event]) for g in (here, ~here))
    expected = stats.logrank(x, y)
    found = log_rank(time, event.astype(float), here.astype(int), 2)
    assert found.degrees == 1
    assert found.chi_square == pytest.approx(expected.statistic**2, rel=1e-9)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_clustered_scores_against_loops(seed: int) -> None:
    time, weight, _, cluster = clustered(seed)
    rng = np.random.default_rng(seed)
    group, event = rng.integers(0, 3, time.size), weight
    found = log_rank(time, event, group, 3, cluster=cluster)
    assert found.degrees == 2
    scores = {c: np.zeros(3) for c in cluster.tolist()}
    for t in sorted(set(time[event > 0].tolist())):
        risk = time >= t
        share = np.array([(risk & (group == g)).sum() for g in range(3)]) / risk.sum()
        hazard = event[time == t].sum() / risk.sum()
        for i in np.flatnonzero(risk):
            own = event[i] if time[i] == t else 0.0
            scores[int(cluster[i])] += (np.eye(3)[group[i]] - share) * (own - hazard)
    table = np.array(list(scores.values()))
    total, m = table.sum(axis=0)[:2], len(scores)
    robust = (table.T @ table)[:2, :2] * m / (m - 1)
    alone = log_rank(time, event, group, 3)
    variance = slow_variance(time, event, group)[:2, :2]
    effect = np.trace(np.linalg.inv(variance) @ robust) / 2
    assert alone.chi_square == pytest.approx(float(total @ np.linalg.inv(variance) @ total), rel=1e-8)
    assert found.chi_square == pytest.approx(alone.chi_square / max(1, effect), rel=1e-8)
    assert (found.observed - found.expected)[:2] == pytest.approx(total, rel=1e-8, abs=1e-10)


def slow_variance(
    time: np.ndarray, event: np.ndarray, group: np.ndarray, entry: np.ndarray | float = -1.0
) -> np.ndarray:
    """The hypergeometric covariance, one event time after another."""
    found = np.zeros((3, 3))
    for t in sorted(set(time[event > 0].tolist())):
        risk = (entry < t) & (time >= t)
        n, d = risk.sum(), event[time == t].sum()
        p = np.array([(risk & (group == g)).sum() for g in range(3)]) / n
        if n > 1:
            found += d * (n - d) / (n - 1) * (np.diag(p) - np.outer(p, p))
    return found


@pytest.mark.parametrize("groups", [2, 7])
def test_a_false_alarm_in_twenty(groups: int) -> None:
    """400 worlds of 60 trailers that differ, groups that don't: 2 to 8 % of tests below 0.05; ignoring trailers, more."""
    rng = np.random.default_rng(groups)
    alarms = np.zeros(2, dtype=int)
    for _ in range(400):
        trailer = np.repeat(np.arange(60), 5)
        time = rng.exponential(200 / rng.gamma(0.5, 2.0, 60)[trailer])
        group = rng.integers(0, groups, 60)[trailer]  # a trailer keeps to one way
        event = (time < 180).astype(float)
        found = [log_rank(np.minimum(time, 180), event, group, groups, cluster=c) for c in (trailer, None)]
        alarms += [f.p < 0.05 for f in found]
    assert 8 <= alarms[0] <= 32 < alarms[1]
