"""One shop's repairs held against the other shops' on the same mix of work; shops drawn together; the funnel.

Takes the pool of repairs and indices into it. May import `statistics` and its neighbours. Always against the rest
together, never shop to shop.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from repermit.studies.repairs.holding import LEAST_FIXES, Estimate, known_or_none
from repermit.studies.repairs.repaired import ALIKE, Repairs

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import BoolArray, IntArray

DAYS = 90.0
LEAST_SHOPS = 5
"""Of fewer shops nobody can say what shops are like."""
LEAST_ALIKE = 10
"""Of a kind of repair that the others have fewer of, too little is known to expect anything."""


@dataclass(frozen=True)
class Against:
    """Repairs that have the like elsewhere, comebacks among them, the number expected, and the ratio with its limits.

    `scatter`: how many times the variance of the comebacks is that of independent ones, as trailers differ.
    """

    compared: int
    back: float | None
    expected: float | None
    ratio: float | None
    low: float | None
    high: float | None
    scatter: float | None = None

    @property
    def ranked(self) -> bool:
        """Whether there are enough repairs to hold the shop against the others."""
        return self.compared >= LEAST_FIXES and self.ratio is not None

    @property
    def apart(self) -> bool:
        """Whether the shop is told apart from the others."""
        return self.ranked and ((self.low or 0) > 1 or (self.high is not None and self.high < 1))


NOBODY = Against(0, None, None, None, None, None)


def against(
    repairs: Repairs, placed: IntArray, others: IntArray, level: float, alike: tuple[str, ...] = ALIKE
) -> Against:
    """Comebacks within 90 days against what the others' cumulative hazard leads to expect, stratum by stratum.

    At each repair's own follow-up, as long as any of the others is. Strata are made of the columns `alike`; without any
    it is the crude comparison. Repairs whose stratum the others lack are left out. Limits allow for comebacks that
    come in trailers.
    """
    import numpy as np

    from repermit.statistics.standardised import standardised_ratio

    if not len(placed):
        return NOBODY
    index = np.concatenate([placed, others[repairs.placed[others]]])
    ours = np.arange(len(index)) < len(placed)
    found = standardised_ratio(
        np.minimum(repairs.days[index], DAYS),
        np.where(repairs.days[index] <= DAYS, repairs.share[index], 0.0),
        _strata(repairs, index, ours, alike),
        ours,
        repairs.trailer[index],
        level,
    )
    if not found.compared:
        return NOBODY
    ratio, low, high = (known_or_none(x) for x in (found.ratio, found.low, found.high))
    return Against(found.compared, found.observed, found.expected, ratio, low, high, found.scatter)


def _strata(repairs: Repairs, index: IntArray, ours: BoolArray, alike: tuple[str, ...]) -> IntArray:
    """A number a kind of repair; kinds that the others have few of are joined, alike in one column less each time.

    Kinds that the others have none of stay by themselves, to be left out.
    """
    import numpy as np

    kinds = repairs.strata(alike)[index]
    open_ = np.isin(kinds, kinds[~ours])
    for columns in range(len(alike) - 1, 0, -1):
        thin = open_ & (np.bincount(kinds[~ours], minlength=kinds.max() + 1)[kinds] < LEAST_ALIKE)
        kinds = np.where(thin, kinds.max() + 1 + repairs.strata(alike[:columns])[index], kinds)
    return kinds


def explained_by_mix(crude: Against, fair: Against) -> float | None:
    """What share of a crude difference the mix of work explains: 0 none, 1 all, below 0 where the mix hid some of it.

    On the scale of logarithms. None where the crude difference is not clear of chance, so that there is none to explain.
    """
    if not crude.ratio or not fair.ratio or crude.low is None or crude.high is None:
        return None
    if crude.low <= 1 <= crude.high:
        return None
    return 1 - math.log(fair.ratio) / math.log(crude.ratio)


def drawn_together(shops: Sequence[Against | None], level: float) -> list[Estimate]:
    """Each shop's ratio drawn towards what shops are like, the further the less is known of it.

    Gamma-Poisson over the shops that can be ranked, their counts divided by their scatter. Without a value where fewer
    than `LEAST_SHOPS` can.
    """
    from repermit.statistics.shrinkage import shrink

    told = [(i, a) for i, a in enumerate(shops) if a and a.ranked and a.expected]
    found = [Estimate(a.compared if a else 0) for a in shops]
    if len(told) < LEAST_SHOPS or not any(a.back for _, a in told):
        return found
    worth = [(a.back or 0.0, a.expected or 0.0, a.scatter or 1.0) for _, a in told]
    result = shrink([y / d for y, _, d in worth], [e / d for _, e, d in worth], level=level)
    for (i, a), *values in zip(told, result.mean, result.low, result.high, strict=True):
        found[i] = Estimate(a.compared, *(float(x) for x in values))
    return found


@dataclass(frozen=True)
class Funnel:
    """How far chance alone takes the ratio of a shop like the others, by the comebacks expected: limits in which 95 and
    99.8 of 100 stay. `scatter`: that of all ranked shops together, by which the limits are widened."""

    scatter: float
    expected: tuple[float, ...]
    low_95: tuple[float, ...]
    high_95: tuple[float, ...]
    low_998: tuple[float, ...]
    high_998: tuple[float, ...]


def funnel(shops: Sequence[Against | None], points: int = 60) -> Funnel | None:
    """The funnel around shops that can be ranked; None without any."""
    import numpy as np

    from repermit.statistics.standardised import funnel_limits

    told = [a for a in shops if a and a.ranked and a.expected and a.back is not None and a.scatter]
    if not told:
        return None
    most = max(a.expected or 0.0 for a in told)
    back = sum(a.back or 0.0 for a in told)
    scatter = sum((a.back or 0.0) * (a.scatter or 1.0) for a in told) / back if back else 1.0
    at = np.linspace(most / points, most * 1.15, points)
    limits = (funnel_limits(at, chance, scatter) for chance in (0.025, 0.975, 0.001, 0.999))
    return Funnel(scatter, tuple(at.tolist()), *(tuple(x.tolist()) for x in limits))
