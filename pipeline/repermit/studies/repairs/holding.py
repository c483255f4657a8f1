"""What says whether a group of repairs holds: risk by completed loads, first-time fixes, time gained over others, a test.

Takes the pool of repairs and indices into it. May import `statistics` and its neighbour `repaired`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.studies.repairs.repaired import Repairs

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import FloatArray, IntArray

LOADS = (50, 150, 300)
"""Completed loads after which the risk is told: about 30, 90 and 180 days of a trailer that loads twice on working days."""
FIRST_TIME_DAYS = 30
"""A first-time fix needs no further visit, and no fault at its place within so many days (*common practice*)."""
LONGEST_DAYS = 180
LEAST_BACK, LEAST_FIXES = 5, 10
"""Fewer comebacks in both groups together, or fewer fixes in either, tell nothing of the time gained."""


@dataclass(frozen=True)
class Estimate:
    """A value with its limits and the number of repairs it speaks of; None where it can't be told."""

    n: int
    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Difference:
    """Whether the groups of one question differ in how soon their repairs come back: k groups, statistic, p-value."""

    groups: int
    chi2: float
    p: float


def shares_of(repairs: Repairs, index: IntArray) -> FloatArray:
    """For each repair, the probability that its next fault was at its position, and that it was elsewhere: (n, 2)."""
    import numpy as np

    there = repairs.share[index]
    return np.column_stack([there, np.where(repairs.failed[index], 1 - there, 0.0)])


def in_loads(repairs: Repairs, placed: IntArray, level: float) -> tuple[Estimate, ...]:
    """The risk of a comeback within each of `LOADS` completed loads; none where loads are not on record."""
    import numpy as np

    from repermit.statistics.competing import aalen_johansen

    known = placed[np.isfinite(repairs.loads[placed])]
    if not len(known):
        return tuple(Estimate(0) for _ in LOADS)
    found = aalen_johansen(
        repairs.loads[known],
        None,
        np.array(LOADS, dtype=float),
        event_weight=shares_of(repairs, known),
        cluster=repairs.trailer[known],
        level=level,
        told=1,
    )
    limits = zip(found.incidence[0], found.low[0], found.high[0], strict=True)
    return tuple(Estimate(len(known), *(known_or_none(x) for x in values)) for values in limits)


def first_time_fix(repairs: Repairs, first: IntArray, level: float) -> Estimate:
    """The share of first visits that ended the matter: no further visit for the same stop, no comeback within 30 days.

    `first` are the first visits of their episodes. A further visit counts as a failure at once; faults elsewhere
    compete. Of a visit without a position, its next fault was there with the probability that the pool gives.
    """
    import numpy as np

    from repermit.statistics.competing import aalen_johansen

    if not len(first):
        return Estimate(0)
    again = repairs.frame["visits"].to_numpy()[first] > 1
    shares = shares_of(repairs, first)
    shares[again] = [1.0, 0.0]
    found = aalen_johansen(
        np.where(again, 0.0, repairs.days[first]),
        None,
        [float(FIRST_TIME_DAYS)],
        event_weight=shares,
        cluster=repairs.trailer[first],
        level=level,
        told=1,
    )
    back, low, high = (known_or_none(x[0, 0]) for x in (found.incidence, found.low, found.high))
    return Estimate(len(first), *(None if x is None else 1 - x for x in (back, high, low)))


def days_gained(repairs: Repairs, mine: IntArray, rest: IntArray, level: float) -> Estimate:
    """Days without a comeback that these fixes gain over the others within 180 days of the return.

    None under 5 comebacks in both together or 10 fixes in either, or where one side was not followed so long.
    """
    import numpy as np

    from repermit.statistics.time_lost import time_gained

    index = np.concatenate([mine, rest])
    soon = repairs.days[index] <= LONGEST_DAYS
    if min(len(mine), len(rest)) < LEAST_FIXES or repairs.share[index][soon].sum() < LEAST_BACK:
        return Estimate(len(mine))
    found = time_gained(
        repairs.days[index],
        shares_of(repairs, index),
        np.arange(len(index)) < len(mine),
        float(LONGEST_DAYS),
        cluster=repairs.trailer[index],
        level=level,
    )
    if found is None:
        return Estimate(len(mine))
    return Estimate(len(mine), found.gained, found.low, found.high)


def difference(repairs: Repairs, groups: Sequence[IntArray]) -> Difference | None:
    """The k-sample test over groups of placed repairs, of comebacks within 180 days; None where it can't be made."""
    import numpy as np

    from repermit.statistics.log_rank import log_rank

    groups = [g for g in groups if len(g)]
    if len(groups) < 2:
        return None
    index = np.concatenate(groups)
    days = np.minimum(repairs.days[index], float(LONGEST_DAYS))
    back = np.where(repairs.days[index] <= LONGEST_DAYS, repairs.share[index], 0.0)
    codes = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    found = log_rank(days, back, codes, len(groups), cluster=repairs.trailer[index])
    return Difference(found.degrees + 1, found.chi_square, found.p) if found.degrees else None


def known_or_none(value: Any) -> float | None:
    """A number, or None where it is not finite."""
    return float(value) if math.isfinite(value) else None
