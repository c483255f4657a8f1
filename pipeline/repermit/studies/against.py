"""One shop's repairs held against the other shops' on the same mix of work.

Takes the pool of repairs and indices into it. May import `statistics` and its neighbours. Always against the rest
together, never shop to shop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from repermit.studies.holding import known_or_none
from repermit.studies.repaired import ALIKE, Repairs

if TYPE_CHECKING:
    from repermit.studies.repaired import IntArray

DAYS = 90.0


@dataclass(frozen=True)
class Against:
    """Repairs that have the like elsewhere, comebacks among them, the number expected, and the ratio with its limits."""

    compared: int
    back: float | None
    expected: float | None
    ratio: float | None
    low: float | None
    high: float | None


NOBODY = Against(0, None, None, None, None, None)


def against(
    repairs: Repairs, placed: IntArray, others: IntArray, level: float, alike: tuple[str, ...] = ALIKE
) -> Against:
    """Comebacks within 90 days against what the others' cumulative hazard leads to expect, stratum by stratum.

    At each repair's own follow-up. Strata are made of the columns `alike`; without any it is the crude comparison.
    Repairs whose stratum the others lack are left out.
    """
    import numpy as np

    from repermit.statistics.comparison import cumulative_hazard, rate_ratio

    back = np.where(repairs.days <= DAYS, repairs.share, 0.0)
    days = np.minimum(repairs.days, DAYS)
    strata, theirs_placed = repairs.strata(alike), others[repairs.placed[others]]
    expected, observed, reference, compared = 0.0, 0.0, 0.0, 0
    for stratum in np.intersect1d(strata[placed], strata[theirs_placed]):
        ours, theirs = placed[strata[placed] == stratum], theirs_placed[strata[theirs_placed] == stratum]
        expected += float(cumulative_hazard(days[theirs], back[theirs], days[ours]).sum())
        observed += float(back[ours].sum())
        reference += float(back[theirs].sum())
        compared += len(ours)
    if not compared:
        return NOBODY
    if not expected:
        return Against(compared, observed, expected, None, None, None)
    ratio, low, high = rate_ratio(observed, expected, reference, reference, level)
    return Against(compared, observed, expected, *(known_or_none(x) for x in (ratio, low, high)))


def explained_by_mix(crude: Against, fair: Against) -> float | None:
    """What share of a crude difference the mix of work explains: 0 none, 1 all, below 0 where the mix hid some of it.

    On the scale of logarithms. None where the crude difference is not clear of chance, so that there is none to explain.
    """
    if not crude.ratio or not fair.ratio or crude.low is None or crude.high is None:
        return None
    if crude.low <= 1 <= crude.high:
        return None
    return 1 - math.log(fair.ratio) / math.log(crude.ratio)
