"""Mean cumulative functions against a slow version by loops over units and ages, and by hand."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from repermit.statistics.recurrence import MeanCumulative, MeanDifference, Timeline, mean_cumulative

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


def apart(
    one: dict[str, Any], other: dict[str, Any], since: float = 0, until: float = math.inf
) -> MeanDifference | None:
    """The first group less the second, whose units are others."""
    both = {
        name: np.concatenate([one[name], np.asarray(other[name]) + 1000 * name.endswith("unit")])
        for name in ("age", "unit", "start", "stop", "stretch_unit")
    }
    mine = (np.arange(both[name].size) < len(one[name]) for name in ("age", "start"))
    return Timeline(**both).apart(*mine, since, until)


def group(ages: Any, units: Any, ends: Any, starts: Any = None) -> dict[str, Any]:
    """Units watched without gaps."""
    first = [0] * len(ends) if starts is None else starts
    return {
        "age": ages, "unit": np.array(units, int), "start": first, "stop": ends, "stretch_unit": np.arange(len(ends)),
    }  # fmt: skip


def test_difference_of_two_groups_is_followed_as_long_as_both_are() -> None:
    a, b = group([1, 2, 8], [0, 1, 1], [9, 9]), group([2], [0], [6, 6])
    first, last = apart(a, b, until=1), apart(a, b)
    assert first is not None and last is not None and last == apart(a, b, until=7)
    assert first.difference == pytest.approx(0.5) and last.difference == pytest.approx(0.5)
    # by hand: 1 and 3 events of four units at risk; alike, each of two units adds 1/4 / 2, then 2/4 / 2. At age 1 the
    # units of a scatter as 1/4 (0.5^2/2, times 2) against 1/8, those of b not at all: 1 on average.
    assert first.se**2 == pytest.approx(1 / 4 + 1 / 8)
    assert last.se == pytest.approx(slow_difference(a, b, 0, 6)[1])
    back = apart(b, a)
    assert back is not None and (back.low, back.high) == pytest.approx((-last.high, -last.low))
    assert apart(a, b, since=2) is None


def slow_difference(
    one: dict[str, Any], other: dict[str, Any], since: float, until: float
) -> tuple[float, float]:
    """The rule by loops over units and ages: own variance, what two like groups would have, and the scatter of both."""
    groups, found = (one, other), []
    until = min(until, *(max(g["stop"]) for g in groups))
    there = [
        {x: {u for s, e, u in zip(g["start"], g["stop"], g["stretch_unit"], strict=True) if s < x <= e} for x in range(1, 200)}
        for g in groups
    ]  # fmt: skip
    ages = sorted({x for g in groups for x in g["age"] if since < x <= until})
    for k, g in enumerate(groups):
        when = list(zip(g["age"], g["unit"], strict=True))
        units = set().union(*(there[k][x] for x in there[k] if since < x <= until))
        mean, alike, pulls = 0.0, 0.0, dict.fromkeys(units, 0.0)
        for x in ages:
            n, d = len(there[k][x]), sum(age == x for age, _ in when)
            if n:
                mean += d / n
                every = sum(int(age == x) for h in groups for age in h["age"])
                alike += every / sum(len(t[x]) for t in there) / n
            for u in there[k][x]:
                pulls[u] += (sum(age == x and who == u for age, who in when) - d / n) / n
        own = sum(p**2 for p in pulls.values()) * len(units) / (len(units) - 1)
        found.append((mean, own, alike, len(units) - 1))
    scatter = sum(f * v / c for _, v, c, f in found) / sum(f for *_, f in found)
    return found[0][0] - found[1][0], math.sqrt(sum(max(v, c * max(scatter, 1.0)) for _, v, c, _ in found))


@pytest.mark.parametrize(("since", "until"), [(0, math.inf), (11, 40)])
@pytest.mark.parametrize("seed", range(3))
def test_difference_and_its_error_as_loops_have_them(seed: int, since: float, until: float) -> None:
    """With late entry, gaps, ties and unequal units."""
    a, b = fleet(seed), fleet(seed + 50)
    for data in (a, b):
        del data["resolution"]
    got = apart(a, b, since, until)
    assert got is not None
    assert (got.difference, got.se) == pytest.approx(slow_difference(a, b, since, until), rel=1e-9)
    rng = np.random.default_rng(seed)
    order = rng.permutation(a["age"].size), rng.permutation(a["start"].size)
    assert got == apart({name: values[order[name not in ("age", "unit")]] for name, values in a.items()}, b, since, until)  # fmt: skip


def test_the_longest_run_of_ages_with_enough_units() -> None:
    data = group([], [], [5, 9, 30, 40, 34], [0, 3, 20, 21, 20])
    line, rows = Timeline(**data), np.ones(5, dtype=bool)
    none = np.zeros(0, dtype=bool)
    assert line.longest(none, rows, 1) == (20, 40)
    assert line.longest(none, rows, 2) == (20, 34)
    assert line.longest(none, rows & (np.arange(5) < 2), 2) == (3, 5)
    assert line.longest(none, rows, 4) == (0, math.inf)


def test_a_small_group_in_which_nothing_happened_is_not_fewer() -> None:
    """Five units without events, where forty others had eight: one would be expected, none comes in 1 of 3."""
    none, some = group([], [], [10] * 5), group(list(range(1, 9)), range(8), [10] * 40)
    got = apart(none, some)
    assert got is not None and got.difference == pytest.approx(-0.2) and got.high > 0
    got = apart(none, group([1, 2, 3] * 40, np.repeat(np.arange(40), 3), [10] * 40))
    assert got is not None and got.high < 0


@pytest.mark.parametrize(("first", "second"), [(5, 55), (15, 45)])
def test_false_alarms_of_small_and_rare_groups(first: int, second: int) -> None:
    """0.3 events a unit, alike: below, the limits miss zero in at most about 2.5 of 100 pairs, and so above."""
    rng, missed = np.random.default_rng(6), np.zeros(2)
    for _ in range(300):
        groups = []
        for size in (first, second):
            unit = np.repeat(np.arange(size), rng.poisson(0.3, size))
            groups.append(group(1 + rng.integers(300, size=unit.size), unit, [300] * size))
        last = apart(*groups)
        if last is not None:
            missed += last.high < 0, last.low > 0
    assert (missed <= 15).all()


def test_limits_of_the_difference_of_like_groups_hold() -> None:
    """Groups of one process, with units that differ: the 95 % limits miss zero in about 5 of 100 pairs."""
    rng = np.random.default_rng(5)
    missed = 0
    for _ in range(400):
        groups = []
        for _ in range(2):
            rate = 0.01 * rng.gamma(2.0, 0.5, 40)
            unit = np.repeat(np.arange(40), rng.poisson(rate * 300))
            groups.append(group(np.ceil(rng.random(unit.size) * 300), unit, [300] * 40))
        last = apart(*groups)
        missed += last is not None and bool(last.low > 0 or last.high < 0)
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
