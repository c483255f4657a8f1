"""Mean cumulative functions against a slow version by loops over units and ages, and by hand."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from repermit.statistics.recurrence import MeanCumulative, difference, mean_cumulative

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def fleet(seed: int, scale: float = 1.0) -> dict[str, Any]:
    """Units with late entry, gaps, ties within and between units, unequal rates, some without events."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[float, float, int]] = []
    events: list[tuple[float, int]] = []
    for unit in range(25):
        cuts = np.sort(rng.choice(np.arange(60), 2 * int(rng.integers(1, 4)), replace=False)).astype(float)
        rate = 0.12 * rng.gamma(0.8) * (unit % 5 > 0)
        for start, stop in zip(cuts[::2], cuts[1::2], strict=True):
            rows.append((start * scale, stop * scale, unit + 7))
            ages = rng.integers(int(start) + 1, int(stop) + 1, rng.poisson(rate * (stop - start)))
            events += [(float(age) * scale, unit + 7) for age in ages]
    start, stop, who = (np.array(column) for column in zip(*rows, strict=True))
    age, unit_of = (np.array(column) for column in zip(*events, strict=True))
    return {
        "age": age,
        "unit": unit_of,
        "start": start,
        "stop": stop,
        "stretch_unit": who,
        "resolution": scale,
    }


def slow(data: dict[str, Any]) -> list[tuple[float, ...]]:
    """The definitions, written out: a sum over units of squared sums over ages, and pairwise covariances."""
    stretches = list(zip(data["start"], data["stop"], data["stretch_unit"], strict=True))
    units = sorted(set(data["stretch_unit"].tolist()))
    ages = sorted(set(data["age"].tolist()))
    counts = {(u, a): 0 for u in units for a in ages}
    for a, u in zip(data["age"].tolist(), data["unit"].tolist(), strict=True):
        counts[u, a] += 1
    there = {a: {u for s, e, u in stretches if s < a <= e} for a in ages}
    rows, mean = [], 0.0
    for k, now in enumerate(ages):
        n = len(there[now])
        mean += sum(counts[u, now] for u in there[now]) / n
        robust = 0.0
        for u in units:
            terms = [
                (counts[u, a] - sum(counts[v, a] for v in there[a]) / len(there[a])) / len(there[a])
                for a in ages[: k + 1]
                if u in there[a]
            ]
            robust += math.fsum(terms) ** 2
        nelson = 0.0
        for i, early in enumerate(ages[: k + 1]):
            for late in ages[i : k + 1]:
                risk = there[late]
                if len(risk) < 2:
                    nelson = math.nan
                    continue
                middle = sum(counts[u, late] for u in risk) / len(risk)
                product = math.fsum(counts[u, early] * (counts[u, late] - middle) for u in risk)
                nelson += (1 if early == late else 2) * product / (len(risk) - 1) / len(there[early])
        rows.append((now, n, mean, math.sqrt(max(robust, 0)), math.sqrt(max(nelson, 0))))
    return rows


@pytest.mark.parametrize("scale", [1.0, 1e-6, 1e9])
@pytest.mark.parametrize("seed", range(4))
def test_same_as_the_slow_version(seed: int, scale: float) -> None:
    data = fleet(seed, scale)
    got = mean_cumulative(**data)
    want = slow(data)
    rows = zip(got.age, got.at_risk, got.mean, got.se, got.se_nelson, strict=True)
    for row, right in zip(rows, want, strict=True):
        assert [float(x) for x in row] == pytest.approx(right, rel=1e-9, abs=1e-12, nan_ok=True)
    assert got.events.sum() == data["age"].size and got.until == pytest.approx(data["stop"].max())


@pytest.mark.parametrize("seed", range(3))
def test_order_of_rows_changes_nothing(seed: int) -> None:
    data = fleet(seed)
    rng = np.random.default_rng(seed)
    events, stretches = rng.permutation(data["age"].size), rng.permutation(data["start"].size)
    turned = {
        name: values[events]
        if name in ("age", "unit")
        else values[stretches]
        if name != "resolution"
        else values
        for name, values in data.items()
    }
    first, second = mean_cumulative(**data), mean_cumulative(**turned)
    for name in MeanCumulative.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name), strict=True)


def test_two_units_by_hand() -> None:
    """One of two units has an event at age 1, the other enters late and has one at age 3, when the first has left."""
    got = mean_cumulative([1, 3], [0, 1], [0, 0.4], [2, 5], [0, 1], resolution=0.1)
    assert got.at_risk.tolist() == [2, 1] and got.mean.tolist() == [0.5, 1.5]
    assert got.se == pytest.approx(
        [math.sqrt(2) / 4] * 2
    )  # (1/2 - 1/4)^2 twice; the second age adds (1 - 1)^2
    assert got.se_nelson[0] == pytest.approx(0.5) and math.isnan(got.se_nelson[1])


def test_a_unit_is_at_risk_where_its_record_ends_and_not_where_it_begins() -> None:
    got = mean_cumulative([5], [0], [0, 5, 0], [5, 9, 4.9], [0, 1, 2], resolution=0.1)
    assert got.at_risk.tolist() == [1]
    with pytest.raises(ValueError, match="not at risk"):
        mean_cumulative([5], [1], [0, 5], [5, 9], [0, 1])


def test_ties_are_rounded_before_they_are_counted() -> None:
    """Clocks apart by seconds: at a resolution of a day there is one age, and the unit that left is still there."""
    ages = [9.98, 10.0, 10.02]
    got = mean_cumulative(ages, [0, 1, 2], [0] * 3, [9.99, 10, 30], [0, 1, 2])
    assert (got.age.tolist(), got.at_risk.tolist(), got.events.tolist()) == ([10.0], [3], [3])
    fine = mean_cumulative(
        [9.98, 10.0, 10.02], [0, 1, 2], [0] * 3, [9.99, 10, 30], [0, 1, 2], resolution=0.01
    )
    assert fine.at_risk.tolist() == [3, 2, 1]


def test_no_events_no_units_and_a_single_unit() -> None:
    none = mean_cumulative([], np.array([], int), [0], [10], [3])
    assert none.age.size == 0 and none.units == 1 and none.until == 10
    assert math.isnan(mean_cumulative([], np.array([], int), [], [], np.array([], int)).until)
    alone = mean_cumulative([2, 5], [3, 3], [0], [10], [3])
    assert alone.mean.tolist() == [1, 2] and np.isnan([alone.low, alone.high, alone.se_nelson]).all()


def test_difference_of_two_groups_is_followed_as_long_as_both_are() -> None:
    a = mean_cumulative([1, 2, 8], [0, 1, 1], [0, 0], [9, 9], [0, 1])
    b = mean_cumulative([2], [0], [0, 0], [6, 6], [0, 1])
    got = difference(a, b)
    assert got.age.tolist() == [1, 2]
    assert got.difference == pytest.approx([0.5, 0.5])
    # by hand: 1 and 3 events of four units at risk; alike, each of two units adds 1/4 / 2, then 2/4 / 2. At age 1 the
    # units of a scatter as 1/4 (0.5^2/2, times 2) against 1/8, those of b not at all: 1 on average.
    assert got.se[0] ** 2 == pytest.approx(max(2 * a.se[0] ** 2, 1 / 8) + 1 / 8)
    assert got.se == pytest.approx(slow_difference_se(a, b, got.age.tolist()))
    back = difference(b, a)
    assert back.low == pytest.approx(-got.high) and back.high == pytest.approx(-got.low)


def slow_difference_se(a: MeanCumulative, b: MeanCumulative, ages: list[float]) -> list[float]:
    """The rule by loops over ages: own variance, what two like groups would have, and the scatter of both."""
    found = []
    for now in ages:
        own, alike = [], []
        for curve in (a, b):
            steps = [i for i, age in enumerate(curve.age.tolist()) if age <= now]
            n = curve.units
            own.append(float(curve.se[steps[-1]]) ** 2 * n / (n - 1) if steps else 0.0)
            total = 0.0
            for age in (x for x in ages if x <= now):
                there = [sum(e < age for e in c.entered) - sum(o < age for o in c.left) for c in (a, b)]
                events = sum(int(k) for c in (a, b) for x, k in zip(c.age, c.events, strict=True) if x == age)
                mine = there[0] if curve is a else there[1]
                total += events / sum(there) / mine if mine else 0.0
            alike.append(total)
        weight = [a.units - 1, b.units - 1]
        scatter = sum(w * v / c for w, v, c in zip(weight, own, alike, strict=True)) / sum(weight)
        found.append(math.sqrt(sum(max(v, c * max(scatter, 1.0)) for v, c in zip(own, alike, strict=True))))
    return found


@pytest.mark.parametrize("seed", range(3))
def test_error_of_the_difference_as_loops_have_it(seed: int) -> None:
    """With late entry, gaps, ties and unequal units."""
    a, b = mean_cumulative(**fleet(seed)), mean_cumulative(**fleet(seed + 50))
    got = difference(a, b)
    assert got.se == pytest.approx(slow_difference_se(a, b, got.age.tolist()), rel=1e-9)


def test_a_small_group_in_which_nothing_happened_is_not_fewer() -> None:
    """Five units without events, where forty others had eight: one would be expected, none comes in 1 of 3."""
    none = mean_cumulative([], np.array([], int), [0] * 5, [10] * 5, range(5))
    some = mean_cumulative(list(range(1, 9)), list(range(8)), [0] * 40, [10] * 40, range(40))
    got = difference(none, some)
    assert got.difference[-1] == pytest.approx(-0.2) and got.high[-1] > 0
    many = mean_cumulative([1, 2, 3] * 40, np.repeat(np.arange(40), 3), [0] * 40, [10] * 40, range(40))
    assert difference(none, many).high[-1] < 0


@pytest.mark.parametrize(("first", "second"), [(5, 55), (15, 45)])
def test_false_alarms_of_small_and_rare_groups(first: int, second: int) -> None:
    """0.3 events a unit, alike: below, the limits miss zero in at most about 2.5 of 100 pairs, and so above."""
    rng, missed = np.random.default_rng(6), np.zeros(2)
    for _ in range(300):
        curves = []
        for size in (first, second):
            unit = np.repeat(np.arange(size), rng.poisson(0.3, size))
            age = 1 + rng.integers(300, size=unit.size)
            curves.append(mean_cumulative(age, unit, [0] * size, [300] * size, np.arange(size)))
        last = difference(*curves)
        if last.age.size:
            missed += last.high[-1] < 0, last.low[-1] > 0
    assert (missed <= 15).all()


def test_limits_of_the_difference_of_like_groups_hold() -> None:
    """Groups of one process, with units that differ: the 95 % limits miss zero in about 5 of 100 pairs."""
    rng = np.random.default_rng(5)
    missed = 0
    for _ in range(400):
        curves = []
        for _ in range(2):
            rate = 0.01 * rng.gamma(2.0, 0.5, 40)
            counts = rng.poisson(rate * 300)
            unit = np.repeat(np.arange(40), counts)
            age = np.ceil(rng.random(unit.size) * 300)
            curves.append(mean_cumulative(age, unit, [0] * 40, [300] * 40, np.arange(40)))
        last = difference(*curves)
        missed += bool(last.low[-1] > 0 or last.high[-1] < 0)
    assert 8 <= missed <= 36


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"age": [1.0]}, "one length"),
        ({"age": [1.0, math.nan]}, "finite"),
        ({"unit": [0.0, 1.0]}, "whole numbers"),
        ({"start": [0, 3], "stretch_unit": [0, 0]}, "overlap"),
        ({"age": [1.0, 12.0]}, "not at risk"),
        ({"level": 1.0}, "level"),
        ({"resolution": 0.0}, "resolution"),
    ],
)
def test_bad_input_is_refused(change: dict[str, Any], message: str) -> None:
    good = {"age": [1.0, 2.0], "unit": [0, 1], "start": [0, 0], "stop": [9, 9], "stretch_unit": [0, 1]}
    mean_cumulative(**good)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        mean_cumulative(**(good | change))  # type: ignore[arg-type]


@pytest.mark.slow
def test_a_million_events_in_seconds() -> None:
    rng = np.random.default_rng(1)
    n = 100_000
    enter, length = rng.uniform(0, 2000, n).round(), rng.uniform(200, 3000, n).round()
    unit = rng.integers(0, n, 1_000_000)
    age = enter[unit] + np.ceil(rng.random(unit.size) * length[unit] * 1440) / 1440
    since = time.perf_counter()
    got = mean_cumulative(age, unit, enter, enter + length, np.arange(n), resolution=1 / 1440)
    assert time.perf_counter() - since < 30
    assert got.events.sum() == 1_000_000
