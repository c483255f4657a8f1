"""How many events a unit has had by an age: the mean cumulative function, its limits, two groups compared.

Touches numpy and scipy.special only. A unit may enter late, leave, and come back: it is at risk in stretches.

References
----------
[1] Nelson W. (1995) Confidence limits for recurrence data, applied to cost or number of product repairs.
    Technometrics 37, 147-157.
[2] Nelson W. (2003) Recurrent Events Data Analysis for Product Repairs, Disease Recurrences, and Other
    Applications. ASA-SIAM.
[3] Lawless J.F., Nadeau C. (1995) Some simple robust methods for the analysis of recurrent events.
    Technometrics 37, 158-168.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class MeanCumulative:
    """The function at each age with an event, arrays of length n_ages in rising order of age.

    ``at_risk`` units and ``events`` at that ``age``; ``mean`` events a unit up to and with it. ``se`` is
    the robust standard error [3], ``se_nelson`` the one of [1], nan from the first age on at which a single
    unit was at risk. ``low`` and ``high`` are limits from ``se`` on the log scale, nan with fewer than two
    units. ``units`` counts all, ``until`` is the last age at which any was at risk (nan if none ever was).
    """

    age: FloatArray
    at_risk: IntArray
    events: IntArray
    mean: FloatArray
    se: FloatArray
    se_nelson: FloatArray
    low: FloatArray
    high: FloatArray
    units: int
    until: float


@dataclass(frozen=True)
class MeanDifference:
    """Mean of one group less that of the other between two ages, with standard error and normal limits."""

    difference: float
    se: float
    low: float
    high: float


def mean_cumulative(
    age: ArrayLike,
    unit: ArrayLike,
    start: ArrayLike,
    stop: ArrayLike,
    stretch_unit: ArrayLike,
    *,
    resolution: float = 1.0,
    level: float = 0.95,
) -> MeanCumulative:
    """Mean cumulative number of events a unit [1] [2], with robust limits [3].

    ``age`` and ``unit`` (n_events): when which unit had an event. ``start``, ``stop``, ``stretch_unit``
    (n_stretches): the unit is at risk on (start, stop], so a unit whose history ends at an age is still at
    risk there, and one that enters at it is not yet. Units are whole numbers, any; rows in any order, which
    changes nothing. With d_i(s) events of unit i and Y(s) units at risk at age s,

        M(t) = sum over s <= t of d(s) / Y(s)
        robust variance = sum over i of [sum over s <= t, i at risk, of (d_i(s) - d(s)/Y(s)) / Y(s)]^2
        Nelson's: covariances over the units still at risk at the later age, divisor Y(later) - 1, over Y(earlier)

    Ties: ages are rounded to whole multiples of ``resolution`` (that of the log) before anything is counted;
    a unit may have several events at one age. A stretch shorter than the resolution is left out. Zero
    events: empty arrays. The function says nothing of ages at which nobody was at risk: it stays flat there.
    Raises ValueError for unequal lengths, numbers that are not finite, stretches of one unit that overlap,
    and an event of a unit that is not at risk at that age.
    """
    if not 0 < level < 1 or not resolution > 0:
        raise ValueError("a level in (0, 1), and a resolution above 0")
    when, who = _rounded(age, unit, resolution, "age")
    begins, whose = _rounded(start, stretch_unit, resolution, "start")
    ends, _ = _rounded(stop, stretch_unit, resolution, "stop")
    kept = begins < ends
    begins, ends, whose = begins[kept], ends[kept], whose[kept]
    units, codes = np.unique(np.concatenate([whose, who]), return_inverse=True)
    risk = _Stretches(begins, ends, codes[: whose.size])
    ages, step = np.unique(when, return_inverse=True)
    own = _Own(codes[whose.size :], step, ages)
    placed = risk.holding(own.unit, ages[own.step])
    at_risk = risk.count(ages)
    happened = np.bincount(own.step, weights=own.count, minlength=ages.size).astype(np.float64)
    robust, nelson = _variances(own, risk, placed, ages, at_risk, happened)
    mean = np.asarray(np.cumsum(happened / at_risk), dtype=np.float64)
    wide = special.ndtri(0.5 + level / 2) * robust / mean if units.size > 1 else np.full(ages.size, np.nan)
    until = float(ends.max()) * resolution if ends.size else float("nan")
    return MeanCumulative(
        np.asarray(ages * resolution, dtype=np.float64), at_risk, happened.astype(np.int64), mean, robust, nelson,
        mean * np.exp(-wide), mean * np.exp(wide), int(units.size), until,
    )  # fmt: skip


class Timeline:
    """Events and stretches at risk of many units, put in order of age once, so that any of their groups can be compared.

    Rows, ties and errors as for `mean_cumulative`; ages are whole numbers, in the resolution of the log.
    """

    def __init__(
        self, age: ArrayLike, unit: ArrayLike, start: ArrayLike, stop: ArrayLike, stretch_unit: ArrayLike
    ) -> None:
        when, who = _rounded(age, unit, 1.0, "age")
        self.begins, whose = _rounded(start, stretch_unit, 1.0, "start")
        self.ends, _ = _rounded(stop, stretch_unit, 1.0, "stop")
        units, codes = np.unique(np.concatenate([whose, who]), return_inverse=True)
        self.units, self.whose, kept = units.size, codes[: whose.size], self.begins < self.ends
        risk = _Stretches(self.begins[kept], self.ends[kept], self.whose[kept])
        risk.holding(codes[whose.size :], when)  # raises where one is outside
        # At one age events come first: who leaves then is still there, who enters is not yet.
        moment = 3 * np.concatenate([when, self.begins, self.ends])
        moment += np.repeat([0, 1, 2], [when.size, whose.size, whose.size])
        unit_of = np.concatenate([codes[whose.size :], self.whose, self.whose])
        self.order = np.lexsort((unit_of, moment))
        self.unit, moment = unit_of[self.order], moment[self.order]
        self.age, self.comes = moment // 3, np.array([0, 1, -1])[moment % 3]

    def longest(self, events: BoolArray, stretches: BoolArray, least: int) -> tuple[float, float]:
        """The longest run of ages at which a group has so many units or more at risk; 0 to infinity where never."""
        mine = self._of(events, stretches)
        enough = np.cumsum(self.comes * mine) >= least
        changes = np.flatnonzero(np.diff(np.concatenate([[0], enough, [0]])))
        if not changes.size:
            return 0.0, math.inf
        starts, ends = self.age[changes[::2]], self.age[np.minimum(changes[1::2], self.age.size - 1)]
        at = int(np.argmax(ends - starts))
        return float(starts[at]), float(ends[at])

    def apart(
        self, events: BoolArray, stretches: BoolArray, since: float, until: float, level: float = 0.95
    ) -> MeanDifference | None:
        """Mean events a unit of a group on (since, until] less that of all others, as long as both are followed.

        ``events`` and ``stretches``: which rows are the group's. Groups are taken to share no unit, so that variances
        add up [2]. That of a group is the robust one times n / (n - 1) for its n units, but never less than what it
        would be if both were alike: the sum over ages of pooled events / units at risk over its own units at risk,
        times how much more than chance the units of both scatter. Else a small group, or one in which nothing has
        happened yet, would be told from the rest by chance.

        Zero events in both: None. Ages at which nobody of a group is at risk add nothing to its variance. Raises
        ValueError for a level outside (0, 1).
        """
        if not 0 < level < 1:
            raise ValueError(f"level must lie between 0 and 1; it is {level}")
        mine, there = self._of(events, stretches), [stretches, ~stretches]
        until = min(until, *(self.ends[rows].max(initial=0) for rows in there))
        inside = (self.comes == 0) & (self.age > since) & (self.age <= until)
        if not inside.any():
            return None
        at_risk = [np.cumsum(self.comes * group) for group in (mine, ~mine)]
        mean, own, alike, free = np.zeros(2), np.zeros(2), np.zeros(2), np.zeros(2)
        for k, group in enumerate((mine, ~mine)):
            share = np.divide(1.0, at_risk[k], out=np.zeros(self.age.size), where=inside & (at_risk[k] > 0))
            alike[k] = np.sum(share[inside] / (at_risk[0] + at_risk[1])[inside])
            share *= group
            # Of a unit: 1 / Y at its events less the sum of d / Y^2 over its stretches, from where they begin to their end.
            pull = np.bincount(self.unit, (share + self.comes * np.cumsum(share**2)) * group, self.units)
            seen = there[k] & (self.begins < np.minimum(until, self.ends)) & (self.ends > since)
            free[k] = max(np.unique(self.whose[seen]).size - 1, 0)
            mean[k], own[k] = share.sum(), np.sum(pull**2) * (free[k] + 1) / max(free[k], 1)
        scatter = free @ np.divide(own, alike, out=np.ones(2), where=alike > 0) / max(free.sum(), 1)
        se = float(np.sqrt(np.maximum(own, alike * max(scatter, 1.0)).sum()))
        wide, found = float(special.ndtri(0.5 + level / 2)) * se, float(mean[0] - mean[1])
        return MeanDifference(found, se, found - wide, found + wide)

    def _of(self, events: BoolArray, stretches: BoolArray) -> BoolArray:
        """Which rows in order of age are a group's."""
        return np.asarray(np.concatenate([events, stretches, stretches])[self.order])


def _rounded(values: ArrayLike, unit: ArrayLike, resolution: float, name: str) -> tuple[IntArray, IntArray]:
    """Ages as whole multiples of the resolution, and the units they belong to."""
    numbers, units = np.asarray(values, dtype=np.float64), np.asarray(unit)
    if numbers.ndim != 1 or numbers.shape != units.shape:
        raise ValueError(f"{name} and its units must be of one length")
    if units.size and not np.issubdtype(units.dtype, np.integer):
        raise ValueError("units must be whole numbers")
    if not np.isfinite(numbers).all() or (np.abs(numbers) > 2.0**53 * resolution).any():
        raise ValueError(f"{name} must be finite, and within what the resolution can tell apart")
    return np.rint(numbers / resolution).astype(np.int64), units.astype(np.int64)


class _Own:
    """Events by unit and age, in that order; ``before``: the unit's sum of count / at risk at earlier ages."""

    def __init__(self, unit: IntArray, step: IntArray, ages: IntArray) -> None:
        key, counts = np.unique(unit * max(ages.size, 1) + step, return_counts=True)
        self.unit, self.step = np.divmod(key, max(ages.size, 1))
        self.count = counts.astype(np.float64)
        self.ages = ages

    def shares(self, at_risk: IntArray) -> tuple[FloatArray, FloatArray]:
        """Running sum of count / at risk within the unit: before each entry, and over all entries with a 0 in front."""
        running = np.append(0.0, np.cumsum(self.count / at_risk[self.step]))
        first = np.searchsorted(self.unit, self.unit, side="left")
        return running[:-1] - running[first], running

    def sum_until(self, running: FloatArray, unit: IntArray, age: IntArray) -> FloatArray:
        """The unit's sum of count / at risk over ages up to and with ``age``."""
        steps = np.searchsorted(self.ages, age, side="right")
        here = self.unit * max(self.ages.size, 1) + self.step
        last = np.searchsorted(here, unit * max(self.ages.size, 1) + steps, side="left")
        first = np.searchsorted(self.unit, unit, side="left")
        return np.asarray(running[last] - running[first])


class _Stretches:
    """Stretches at risk in order of unit and start."""

    def __init__(self, begins: IntArray, ends: IntArray, unit: IntArray) -> None:
        order = np.lexsort((ends, begins, unit))
        self.begins, self.ends, self.unit = begins[order], ends[order], unit[order]
        same = self.unit[1:] == self.unit[:-1]
        if (same & (self.begins[1:] < self.ends[:-1])).any():
            raise ValueError("stretches of one unit overlap")
        self.entered, self.left = np.sort(begins), np.sort(ends)

    def count(self, ages: IntArray) -> IntArray:
        """Units at risk at each age."""
        entered = np.searchsorted(self.entered, ages, side="left")
        return np.asarray(entered - np.searchsorted(self.left, ages, side="left"), dtype=np.int64)

    def holding(self, unit: IntArray, age: IntArray) -> IntArray:
        """Index of the stretch in which the unit is at risk at the age."""
        grid = np.unique(np.concatenate([self.begins, age]))
        wide = grid.size + 1
        key = self.unit * wide + np.searchsorted(grid, self.begins)
        index = np.searchsorted(key, unit * wide + np.searchsorted(grid, age), side="left") - 1
        inside = index >= 0
        safe = np.where(inside, index, 0)
        if unit.size and not self.unit.size:
            raise ValueError("an event of a unit that is not at risk")
        if unit.size and not (inside & (self.unit[safe] == unit) & (age <= self.ends[safe])).all():
            raise ValueError("an event of a unit that is not at risk at that age")
        return np.asarray(safe, dtype=np.int64)

    def sums(self, ages: IntArray, entry: FloatArray, leaving: FloatArray) -> FloatArray:
        """At each age: what stretches that began before bring in, less what those that ended before take away."""
        brought = np.append(0.0, np.cumsum(entry[np.argsort(self.begins, kind="stable")]))
        taken = np.append(0.0, np.cumsum(leaving[np.argsort(self.ends, kind="stable")]))
        return np.asarray(
            brought[np.searchsorted(self.entered, ages, side="left")]
            - taken[np.searchsorted(self.left, ages, side="left")]
        )


def _variances(
    own: _Own, risk: _Stretches, placed: IntArray, ages: IntArray, at_risk: IntArray, happened: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Standard errors, robust and Nelson's, in one pass: squares grow by 2 W dW + dW^2, and the sum of W over
    the units at risk changes only where units come or go, as the terms of one age add up to zero."""
    n = at_risk.astype(np.float64)
    hazard = np.append(0.0, np.cumsum(happened / n**2))
    begun = hazard[np.searchsorted(ages, risk.begins, side="right")]
    spent = hazard[np.searchsorted(ages, risk.ends, side="right")] - begun
    total = np.append(0.0, np.cumsum(spent))
    earlier = total[:-1] - total[np.searchsorted(risk.unit, risk.unit, side="left")]
    before, running = own.shares(at_risk)
    at_entry = own.sum_until(running, risk.unit, risk.begins)
    at_end = own.sum_until(running, risk.unit, risk.ends)

    residual = before - earlier[placed] - (hazard[own.step] - begun[placed])
    together = risk.sums(ages, at_entry - earlier, at_end - earlier - spent)
    squares = np.bincount(own.step, weights=own.count**2, minlength=ages.size)
    cross = np.bincount(own.step, weights=own.count * residual, minlength=ages.size)
    robust = 2 * (cross - happened / n * together) / n + (squares - happened**2 / n) / n**2

    seen = risk.sums(ages, at_entry, at_end) + np.append(0.0, np.cumsum(happened / n))[:-1]
    cross = np.bincount(own.step, weights=own.count * before, minlength=ages.size)
    others = np.where(n > 1, n - 1, np.nan)
    nelson = (squares - happened**2 / n) / (n * others) + 2 * (cross - happened / n * seen) / others
    return tuple(np.sqrt(np.maximum(np.cumsum(part), 0.0)) for part in (robust, nelson))
