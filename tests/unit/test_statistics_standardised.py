"""Observed over expected of strata and clusters, beside a slow loop; the funnel beside sums of the distribution."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest
from scipy import stats

from repermit.statistics.comparison import rate_ratio
from repermit.statistics.standardised import funnel_limits, standardised_ratio

Subject = tuple[float, float, int, bool, int]
"""Time, event, stratum, of the group, cluster."""


def subjects(seed: int, n: int = 80) -> list[Subject]:
    """Whole days, so that times tie; few clusters; a stratum that one side lacks; events that may be shared out."""
    draw = np.random.default_rng(seed)
    time = (
        draw.integers(0, 12, n) * draw.choice([1e-3, 1.0, 1e5]) if seed % 3 else draw.integers(1, 40, n) * 1.0
    )
    event = np.where(draw.random(n) < 0.5, draw.choice([1.0, 1.0, 0.4], n), 0.0)
    ours = draw.random(n) < 0.4
    stratum = np.where(ours, draw.integers(0, 4, n), draw.integers(1, 5, n))
    return list(zip(time.tolist(), event.tolist(), stratum.tolist(), ours.tolist(), draw.integers(0, 25, n).tolist(), strict=True))  # fmt: skip


def slow(rows: list[Subject], level: float = 0.95) -> tuple[float, float, float, float]:
    """Observed, expected and the limits, each sum by a loop over subjects and the times of events."""
    both = {s for _, _, s, ours, _ in rows if ours} & {s for _, _, s, ours, _ in rows if not ours}
    rows = [row for row in rows if row[2] in both]
    observed = expected = reference = 0.0
    own: dict[int, float] = defaultdict(float)
    theirs: dict[int, float] = defaultdict(float)
    residuals = []
    for stratum in sorted(both):
        group = [r for r in rows if r[2] == stratum and r[3]]
        rest = [r for r in rows if r[2] == stratum and not r[3]]
        last = max(t for t, *_ in rest)

        def at_risk(side: list[Subject], t: float) -> int:
            return sum(other >= t for other, *_ in side)

        steps = {
            t: sum(e for u, e, *_ in rest if u == t) / at_risk(rest, t) for t in {t for t, e, *_ in rest if e}
        }
        for t, e, _, _, c in group:
            hazard = sum(h for u, h in steps.items() if u <= t)
            counted = e if t <= last else 0.0
            observed += counted
            expected += hazard
            residuals.append((c, counted, hazard))
        for t, e, _, _, c in rest:
            reference += e
            theirs[c] += e * at_risk(group, t) / at_risk(rest, t)
            theirs[c] -= sum(h * at_risk(group, u) / at_risk(rest, u) for u, h in steps.items() if u <= t)
    ratio = observed / expected
    for c, counted, hazard in residuals:
        own[c] += counted - ratio * hazard
    own_v = sum((x / observed) ** 2 for x in own.values())
    their_v = sum((x / expected) ** 2 for x in theirs.values())
    all_v = sum((own.get(c, 0) / observed - theirs.get(c, 0) / expected) ** 2 for c in {*own, *theirs})
    t = float(stats.t.ppf((1 + level) / 2, len(own) - 1) / stats.norm.ppf((1 + level) / 2))
    wider = all_v / (own_v + their_v) * t**2
    a, b = observed / max(1.0, own_v * wider * observed), reference / max(1.0, their_v * wider * reference)
    low, high = stats.beta.ppf((1 - level) / 2, a, b + 1), stats.beta.ppf((1 + level) / 2, a + 1, b)
    return observed, expected, *(x / (1 - x) * b / (a / ratio) for x in (low, high))


@pytest.mark.parametrize("seed", range(30))
def test_beside_a_slow_loop(seed: int) -> None:
    rows = subjects(seed)
    found = standardised_ratio(*zip(*rows, strict=True))
    assert (found.observed, found.expected, found.low, found.high) == pytest.approx(slow(rows), rel=1e-9)
    assert found.ratio == pytest.approx(found.observed / found.expected, rel=1e-12)
    assert found.low < found.ratio < found.high and found.scatter >= 1
    shuffled = [rows[i] for i in np.random.default_rng(seed).permutation(len(rows))]
    again = standardised_ratio(*zip(*shuffled, strict=True))
    assert (again.ratio, again.low, again.high) == pytest.approx(
        (found.ratio, found.low, found.high), rel=1e-9
    )


def test_independent_events_have_the_exact_limits() -> None:
    """Each subject its own cluster and events rare: nothing scatters more than chance."""
    time, ours = np.ones(4000), np.arange(4000) < 1000
    events = np.isin(np.arange(4000), [*range(12), *range(1000, 1040)])
    found = standardised_ratio(time, events, np.zeros(4000, int), ours, np.arange(4000))
    assert (found.ratio, found.low, found.high) == pytest.approx(rate_ratio(12, 1000, 40, 3000), rel=1e-9)
    # the same events in threes, of a trailer each: worth a third
    three = standardised_ratio(time, events, np.zeros(4000, int), ours, np.where(events, -(np.arange(4000) // 3), np.arange(4000)))  # fmt: skip
    assert three.scatter == pytest.approx(3, rel=0.05)
    assert three.low < found.low < found.high < three.high


def test_where_the_others_are_out_of_view_nothing_counts() -> None:
    """The other was seen for 5 days only; an event on day 7 has nothing to be held against."""
    found = standardised_ratio(
        [3, 7, 5, 4], [1, 1, 0, 1], [0, 0, 0, 0], [True, True, False, False], [1, 2, 3, 4]
    )
    assert (found.observed, found.expected) == (1, pytest.approx(1 / 2))


def test_nothing_there() -> None:
    nobody = standardised_ratio([1.0, 1.0], [1, 1], [0, 1], [True, False], [1, 2])
    assert (nobody.compared, nobody.observed) == (0, 0) and math.isnan(nobody.ratio)
    none_expected = standardised_ratio([1.0, 1.0], [1, 0], [0, 0], [True, False], [1, 2])
    assert (none_expected.expected, math.isnan(none_expected.high)) == (0, True)
    none_seen = standardised_ratio(
        [1.0] * 6, [0, 0, 1, 0, 1, 0], [0] * 6, [True, True] + [False] * 4, range(6)
    )
    assert (none_seen.ratio, none_seen.low) == (0, 0) and none_seen.high > 1
    with pytest.raises(ValueError, match="entry"):
        standardised_ratio([1.0], [1, 0], [0, 0], [True, False], [1, 2])


@pytest.mark.parametrize("chance", [0.001, 0.025, 0.5, 0.975, 0.999])
@pytest.mark.parametrize("expected", [0.2, 1.0, 7.7, 60.0, 2000.0])
def test_the_funnel_beside_sums_of_the_distribution(chance: float, expected: float) -> None:
    """The distribution function, drawn straight between whole counts, reaches the chance at the limit."""
    terms = [math.exp(k * math.log(expected) - expected - math.lgamma(k + 1)) for k in range(3000)]
    limit = float(funnel_limits(expected, chance)) * expected
    whole = math.floor(limit)
    reached = math.fsum(terms[: whole + 1]) + (limit - whole) * terms[whole + 1]
    if limit == 0:
        assert terms[0] >= chance
    else:
        assert reached == pytest.approx(chance, abs=1e-9)
    assert funnel_limits(3 * expected, chance, 3.0) == pytest.approx(limit / expected, rel=1e-9)


@pytest.mark.parametrize(("expected", "chance", "scatter"), [(0.0, 0.5, 1), (1.0, 0, 1), (1.0, 0.5, 0.9)])
def test_the_funnel_refuses(expected: float, chance: float, scatter: float) -> None:
    with pytest.raises(ValueError, match="expected"):
        funnel_limits(expected, chance, scatter)
