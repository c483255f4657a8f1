"""Do fixes hold: which share of repairs is followed by a fault at the same position, and by any fault.

Marts in, `Fixes` out. May import `errors`, `statistics`, `warehouse` and its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.repaired import Repairs, load
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, settings_of

if TYPE_CHECKING:
    from repermit.studies.repaired import IntArray

KEYS = ("action", "shop", "cause", "method", "lot")
HORIZONS = (30, 90, 180)


@dataclass(frozen=True)
class Horizon:
    """Within so many days of the return: comebacks (weighted count and its bounds), risks with limits.

    Fractions and counts; None where nothing was followed so long.
    """

    days: int
    back: float
    back_least: int
    back_most: int
    risk: float | None
    risk_low: float | None
    risk_high: float | None
    any_fault: float | None
    any_fault_low: float | None
    any_fault_high: float | None


@dataclass(frozen=True)
class Fix:
    """One row: how many repairs, of how many trailers, and what followed.

    `placed` repairs have a position and so a comeback risk; all have a risk of any fault. Expected within 90
    days, of the placed ones: by chance, from the background rate of faults at their positions; and, of one
    shop, from the other shops' repairs of the same mix (`compared`: how many had the like elsewhere, `compared_back_90d`:
    how many of these came back).
    """

    key: str | None
    fixes: int
    placed: int
    trailers: int
    horizons: tuple[Horizon, ...]
    expected_background_90d: float | None
    compared: int | None
    compared_back_90d: float | None
    expected_90d: float | None
    ratio_90d: float | None
    ratio_90d_low: float | None
    ratio_90d_high: float | None

    def as_dict(self, by: str) -> dict[str, Any]:
        """For JSON: one field a horizon and quantity."""
        found: dict[str, Any] = {
            by: self.key,
            "fixes": self.fixes,
            "placed": self.placed,
            "trailers": self.trailers,
        }
        for h in self.horizons:
            found |= {
                f"back_{h.days}d": h.back,
                f"back_least_{h.days}d": h.back_least,
                f"back_most_{h.days}d": h.back_most,
                f"risk_{h.days}d": h.risk,
                f"risk_{h.days}d_low": h.risk_low,
                f"risk_{h.days}d_high": h.risk_high,
                f"any_fault_{h.days}d": h.any_fault,
                f"any_fault_{h.days}d_low": h.any_fault_low,
                f"any_fault_{h.days}d_high": h.any_fault_high,
            }
        found["expected_background_90d"] = self.expected_background_90d
        if by == "shop":
            names = (
                "compared",
                "compared_back_90d",
                "expected_90d",
                "ratio_90d",
                "ratio_90d_low",
                "ratio_90d_high",
            )
            found |= {name: getattr(self, name) for name in names}
        return found


@dataclass(frozen=True)
class Fixes:
    """The rows by one key, most repairs first, and the total over all of them."""

    about: About
    by: str
    rows: tuple[Fix, ...]
    total: Fix


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"fixes cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


def fixes(con: Connection, store: str, selection: Selection, by: str) -> Fixes:
    """What followed each repair returned before the window's end, on all records before it."""
    import polars as pl

    level = settings_of(con).level
    pool = load(con, Selection(selection.window))
    chosen = pool.of(selection)
    found = []
    for key, mine in pool.groups(chosen, by):
        others = pool.where(pl.col("shop").ne_missing(key)) if by == "shop" and key is not None else None
        found.append(summarise(pool, mine, key, level, others))
    found.sort(key=lambda f: (-f.fixes, f.key is None, str(f.key)))
    return Fixes(about(con, store, selection), by, tuple(found), summarise(pool, chosen, "all", level))


def summarise(
    repairs: Repairs, mine: IntArray, key: str | None, level: float, others: IntArray | None = None
) -> Fix:
    """One row over the repairs `mine` (indices), held against the repairs `others` where given."""
    import numpy as np

    placed = mine[repairs.placed[mine]]
    by_chance = (
        float(np.dot(repairs.per_day[placed], np.minimum(repairs.days[placed], 90.0)))
        if len(placed)
        else None
    )
    against = _against(repairs, placed, others, level) if others is not None else (None,) * 6
    return Fix(
        key,
        len(mine),
        len(placed),
        len(np.unique(repairs.trailer[mine])),
        _horizons(repairs, mine, placed, level),
        None if by_chance is None else _known(by_chance),
        *against,
    )


def _horizons(repairs: Repairs, index: IntArray, placed: IntArray, level: float) -> tuple[Horizon, ...]:
    import numpy as np

    from repermit.statistics.competing import aalen_johansen

    there = repairs.share[placed]
    shares = np.column_stack([there, np.where(repairs.failed[placed], 1 - there, 0.0)])
    at = np.array(HORIZONS, dtype=float)
    here = (
        aalen_johansen(
            repairs.days[placed], None, at, event_weight=shares, cluster=repairs.trailer[placed], level=level
        )
        if len(placed)
        else None
    )
    every = (
        aalen_johansen(
            repairs.days[index],
            repairs.failed[index].astype(int),
            at,
            n_causes=1,
            cluster=repairs.trailer[index],
            level=level,
        )
        if len(index)
        else None
    )
    found = []
    for t, days in enumerate(HORIZONS):
        soon = placed[repairs.days[placed] <= days]
        most = soon[repairs.same[soon] | repairs.unknown[soon]]
        values: list[float | None] = [None] * 6
        if here is not None:
            values[:3] = [_known(x[0, t]) for x in (here.incidence, here.low, here.high)]
        if every is not None:
            values[3:] = [_known(x[0, t]) for x in (every.incidence, every.low, every.high)]
        found.append(
            Horizon(
                days, float(np.sum(repairs.share[soon])), int(repairs.same[soon].sum()), len(most), *values
            )
        )
    return tuple(found)


def _against(
    repairs: Repairs, placed: IntArray, others: IntArray, level: float
) -> tuple[int, float | None, float | None, float | None, float | None, float | None]:
    """Compared repairs, their comebacks within 90 days, the number expected, ratio and limits, against the like of `others`.

    Expected is the others' cumulative hazard at each repair's own follow-up. Strata: system, length, reason,
    indication. Repairs whose stratum the others lack are left out.
    """
    import numpy as np

    from repermit.statistics.comparison import cumulative_hazard, rate_ratio

    back = np.where(repairs.days <= 90, repairs.share, 0.0)
    days = np.minimum(repairs.days, 90.0)
    strata, theirs_placed = repairs.strata(), others[repairs.placed[others]]
    expected, observed, reference, compared = 0.0, 0.0, 0.0, 0
    for stratum in np.intersect1d(strata[placed], strata[theirs_placed]):
        ours, theirs = placed[strata[placed] == stratum], theirs_placed[strata[theirs_placed] == stratum]
        expected += float(cumulative_hazard(days[theirs], back[theirs], days[ours]).sum())
        observed += float(back[ours].sum())
        reference += float(back[theirs].sum())
        compared += len(ours)
    if not compared or not expected:
        return compared, observed if compared else None, expected if compared else None, None, None, None
    ratio, low, high = rate_ratio(observed, expected, reference, reference, level)
    return compared, observed, expected, _known(ratio), _known(low), _known(high)


def _known(value: Any) -> float | None:
    import math

    return float(value) if math.isfinite(value) else None
