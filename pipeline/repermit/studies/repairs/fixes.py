"""Do fixes hold: which share of repairs is followed by a fault at the same position, and by any fault.

Marts in, `Fixes` out. May import `errors`, `statistics`, `warehouse` and its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.repairs.against import (
    NOBODY,
    Against,
    Funnel,
    against,
    drawn_together,
    explained_by_mix,
    funnel,
)
from repermit.studies.repairs.holding import (
    LEAST_FIXES,
    LOADS,
    Difference,
    Estimate,
    days_gained,
    difference,
    first_time_fix,
    in_loads,
    known_or_none,
    shares_of,
)
from repermit.studies.repairs.needless import NothingFound, Sensors, nothing_found, sensors
from repermit.studies.repairs.repaired import ALIKE, Repairs, load
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, once, settings_of
from repermit.wording import estimate, named, number, seen, tally, whole, words

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import IntArray

KEYS = ("action", "shop", "cause", "method", "lot")
HORIZONS = (30, 90, 180)
Beside = Literal["any_fault", "in_loads"]


@dataclass(frozen=True)
class Horizon:
    """Within so many days of the return: comebacks (weighted count and its bounds), risks with limits.

    Fractions and counts; None where nothing was followed so long, or where it was not asked for (any fault).
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

    `placed` repairs have a position and so a comeback risk; all have a risk of any fault. `in_loads`: the risk of a
    comeback by completed loads, empty where it was not asked for. `first_time_fix`: the share of first visits that ended the matter. `gained_180d`: days
    without a comeback gained over the other rows of known key. `expected_background_90d`: what chance would bring, from the
    background rate of faults at their positions. Of a shop: held `against` the other shops on the same mix of work, on
    the same mix with the same action, and (`crude`) on any mix; `mix_share` of the crude difference is the mix's;
    `shrunken`: the ratio drawn towards what shops are like; and what it did in vain.
    """

    key: str | None
    fixes: int
    placed: int
    trailers: int
    horizons: tuple[Horizon, ...]
    in_loads: tuple[Estimate, ...]
    first_time_fix: Estimate
    gained_180d: Estimate
    expected_background_90d: float | None
    against: Against | None = None
    against_same_action: Against | None = None
    mix_share: float | None = None
    shrunken: Estimate | None = None
    nothing_found: NothingFound | None = None
    sensors: Sensors | None = None

    def as_dict(self, by: str) -> dict[str, Any]:
        """For JSON: one field a horizon and quantity."""
        found: dict[str, Any] = {by: self.key} | {
            n: getattr(self, n) for n in ("fixes", "placed", "trailers")
        }
        for h in self.horizons:
            for name in ("back", "back_least", "back_most"):
                found[f"{name}_{h.days}d"] = getattr(h, name)
            for name in ("risk", "any_fault"):
                found |= {f"{name}_{h.days}d{end}": getattr(h, name + end) for end in ("", "_low", "_high")}
        for loads, risk in zip(LOADS, self.in_loads, strict=True):
            found |= _with_limits(f"risk_{loads}_loads", risk)
        found["first_visits"] = self.first_time_fix.n
        found |= _with_limits("first_time_fix", self.first_time_fix)
        found |= _with_limits("gained_180d", self.gained_180d)
        found["expected_background_90d"] = self.expected_background_90d
        return found | self._of_shop() if by == "shop" else found

    def _of_shop(self) -> dict[str, Any]:
        """The fields that only shops have."""
        found: dict[str, Any] = {"ranked": bool(self.against and self.against.ranked)}
        for name, held in (("", self.against), ("_same_action", self.against_same_action)):
            a = held or NOBODY
            found |= {
                f"compared{name}": a.compared,
                f"compared_back_90d{name}": a.back,
                f"expected_90d{name}": a.expected,
                f"ratio_90d{name}": a.ratio,
                f"ratio_90d{name}_low": a.low,
                f"ratio_90d{name}_high": a.high,
            }
        found |= _with_limits("ratio_90d_shrunken", self.shrunken or Estimate(0)) | {
            "mix_share": self.mix_share
        }
        for prefix, part, names in (
            ("nothing_found", self.nothing_found, ("visits", "minutes", "cost", "again", "followed")),
            ("sensors", self.sensors, ("replaced", "tested", "good", "minutes", "parts_cost", "followed", "something_else")),
        ):  # fmt: skip
            found |= {f"{prefix}_{name}": getattr(part, name, None) for name in names}
        return found


def _with_limits(name: str, estimate: Estimate) -> dict[str, float | None]:
    return {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}


@dataclass(frozen=True)
class Fixes:
    """The rows by one key, most repairs first, and the total over all of them."""

    about: About
    by: str
    rows: tuple[Fix, ...]
    total: Fix
    difference: Difference | None
    """Whether the rows differ in how soon their fixes come back."""
    around: Funnel | None = None
    """The funnel around shops; None without any that can be ranked."""

    def sentence(self) -> str:
        """What the rows say, in words."""
        if self.by == "shop":
            return (
                f"{seen(self.total.placed, 'fix', 'fixes')} with a known place. {shops_sentence(self.rows)}"
            )
        told = [
            row
            for row in self.rows
            if row.key is not None and row.placed >= LEAST_FIXES and _at(row, 90).risk is not None
        ]
        head = f"{seen(self.total.placed, 'fix', 'fixes')} with a known place"
        if len(told) < 2 or self.difference is None:
            return f"{head}: too few to tell whether it matters by which {self.by} they were made."
        worst, best = (pick(told, key=lambda row: _at(row, 90).risk or 0) for pick in (max, min))
        ends = "; ".join(
            f"{words(row.key)} {how}, {_risk(row)}"
            for row, how in ((worst, "come back most"), (best, "least"))
        )
        return f"{head}. By {self.by}, {ends}. {_chance(self.difference)}"


def shops_sentence(rows: Sequence[Fix]) -> str:
    """Which shops are told apart from the others on the same mix of work, in words; none is ranked by few fixes."""
    held = [(row, row.against) for row in rows if row.key is not None and row.against]
    ranked = [(row, a) for row, a in held if a.ranked]
    few = [str(row.key) for row, a in held if not a.ranked]
    apart = [
        f"{row.key}'s fixes come back {estimate(a.ratio, a.low, a.high)} times as often as the other shops' on the same mix of work"
        f" ({tally(a.back)} of {whole(a.compared)}, {tally(a.expected)} expected)"
        for row, a in ranked
        if a.apart
    ]
    told = named(apart, "; ")
    if not ranked:
        told = "Too few to hold any shop against the others"
    elif not told:
        told = f"Of the {seen(len(ranked), 'shop')} that can be held against the others none is told apart from them"
    rest = f" Not ranked, with too few fixes that have the like elsewhere: {named(few)}." if few else ""
    return f"{told}.{rest}"


def _at(row: Fix, days: int) -> Horizon:
    return next(h for h in row.horizons if h.days == days)


def _risk(row: Fix) -> str:
    h = _at(row, 90)
    return (
        f"{estimate(h.risk, h.risk_low, h.risk_high, as_percent=True)} of {whole(row.placed)} within 90 days"
    )


def _chance(d: Difference) -> str:
    if d.p < 0.01:
        return f"Chance alone hardly makes such differences (p = {number(d.p, 2)})."
    if d.p < 0.05:
        return f"Chance alone seldom makes such differences (p = {number(d.p, 2)})."
    return f"Chance alone can make such differences (p = {number(d.p, 2)}): none is shown."


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"fixes cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


def fixes(con: Connection, store: str, selection: Selection, by: str) -> Fixes:
    """What followed each repair returned before the window's end, on all records before it."""
    import numpy as np

    level = settings_of(con).level
    pool = load(con, selection.window)
    chosen, firsts = pool.of(selection), pool.of(selection, "is_first")
    groups, first_of = pool.groups(chosen, by), dict(pool.groups(firsts, by))
    known = np.sort(np.concatenate([chosen[:0], *(mine for key, mine in groups if key is not None)]))
    found = []
    for key, mine in groups:
        others = pool.not_of(key) if by == "shop" and key is not None else None
        rest = np.setdiff1d(known, mine, assume_unique=True) if key is not None else mine[:0]
        found.append(summarise(pool, key, mine, first_of.get(key, mine[:0]), level, others, rest))
    found.sort(key=lambda f: (-f.fixes, f.key is None, str(f.key)))
    if by == "shop":
        found = _as_shops(con, selection, pool, found, dict(groups), level)
    placed = [mine[pool.placed[mine]] for key, mine in groups if key is not None]
    return Fixes(
        about(con, store, selection),
        by,
        tuple(found),
        _total(con, selection),
        difference(pool, placed),
        funnel([row.against for row in found]) if by == "shop" else None,
    )


@once
def _total(con: Connection, selection: Selection) -> Fix:
    """The row of all repairs of a selection, the same by every key."""
    pool = load(con, selection.window)
    return summarise(pool, "all", pool.of(selection), pool.of(selection, "is_first"), settings_of(con).level)


def _as_shops(
    con: Connection,
    selection: Selection,
    pool: Repairs,
    rows: list[Fix],
    groups: dict[str | None, IntArray],
    level: float,
) -> list[Fix]:
    """The rows of shops with their shrunken ratios and what they did in vain (not by terminal: no sensor has one)."""
    drawn = drawn_together([row.against for row in rows], level)
    return [
        replace(
            row,
            shrunken=ratio,
            nothing_found=nothing_found(pool, groups[row.key]),
            sensors=sensors(con, replace(selection, shop=row.key), level)
            if row.key is not None and selection.terminal is None
            else None,
        )
        for row, ratio in zip(rows, drawn, strict=True)
    ]


def summarise(
    repairs: Repairs,
    key: str | None,
    mine: IntArray,
    firsts: IntArray,
    level: float,
    others: IntArray | None = None,
    rest: IntArray | None = None,
    beside: tuple[Beside, ...] = ("any_fault", "in_loads"),
) -> Fix:
    """One row over the repairs `mine` and the first visits `firsts`, held against the shops `others` and the other rows `rest`.

    `beside`: what is told beside the comebacks within so many days.
    """
    import numpy as np

    placed = mine[repairs.placed[mine]]
    chance = float(np.dot(repairs.per_day[placed], np.minimum(repairs.days[placed], 90.0)))
    rest = mine[:0] if rest is None else rest
    row = Fix(
        key,
        len(mine),
        len(placed),
        int(np.count_nonzero(np.bincount(repairs.trailer[mine]))),
        _horizons(repairs, mine, placed, level, "any_fault" in beside),
        in_loads(repairs, placed, level) if "in_loads" in beside else (),
        first_time_fix(repairs, firsts, level),
        days_gained(repairs, placed, rest[repairs.placed[rest]], level),
        known_or_none(chance) if len(placed) else None,
    )
    if others is None:
        return row
    fair, crude = (against(repairs, placed, others, level, alike) for alike in (ALIKE, ()))
    same = against(repairs, placed, others, level, (*ALIKE, "action"))
    return replace(row, against=fair, against_same_action=same, mix_share=explained_by_mix(crude, fair))


def _horizons(
    repairs: Repairs, index: IntArray, placed: IntArray, level: float, any_fault: bool
) -> tuple[Horizon, ...]:
    import numpy as np

    from repermit.statistics.competing import aalen_johansen

    at = np.array(HORIZONS, dtype=float)
    here = (
        aalen_johansen(
            repairs.days[placed],
            None,
            at,
            event_weight=shares_of(repairs, placed),
            cluster=repairs.trailer[placed],
            level=level,
            told=1,
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
        if any_fault and len(index)
        else None
    )
    found = []
    for t, days in enumerate(HORIZONS):
        soon = placed[repairs.days[placed] <= days]
        most = soon[repairs.same[soon] | repairs.unknown[soon]]
        values: list[float | None] = [None] * 6
        if here is not None:
            values[:3] = [known_or_none(x[0, t]) for x in (here.incidence, here.low, here.high)]
        if every is not None:
            values[3:] = [known_or_none(x[0, t]) for x in (every.incidence, every.low, every.high)]
        found.append(
            Horizon(
                days, float(np.sum(repairs.share[soon])), int(repairs.same[soon].sum()), len(most), *values
            )
        )
    return tuple(found)
