"""Do fixes hold: which share of repairs is followed by a fault at the same position, and by any fault.

Marts in, `Fixes` out. May import `errors`, `statistics`, `warehouse` and its neighbours.

A *comeback* is the trailer's next fault when it is at the position of the repair (0 = trailer level). Faults
elsewhere compete; the window's end, leaving service and a planned replacement there censor. Where the next
fault's position is not recorded it counts with the probability of being there; visits in which nothing was
found count as elsewhere. Time 0 is the return from the shop.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.errors import CallError
from repermit.studies.about import About, about
from repermit.studies.selection import Selection, covered
from repermit.warehouse import Connection, records, settings_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

KEYS = ("action", "shop", "cause", "method")
HORIZONS = (30, 90, 180)
US_PER_DAY = 86_400_000_000
PSEUDO = 3
"""Weight, in faults, of the wider pool when the probability of a narrower one is estimated."""


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


REPAIRS = """
with faults as (
    select * from marts.faults
    where counts_as = 'fault' and started_at < $end and (open_until is null or $end <= open_until)
), planned as (
    select v.repair_id, min(p.received_at) as replaced_at
    from marts.repairs v
    join marts.repairs p on p.trailer_id = v.trailer_id and p.visit_kind = 'planned' and p.received_at >= v.returned_at
        and p.action in ('sensor_replaced', 'cable_replaced', 'socket_replaced') and p.position = v.position
    group by v.repair_id
)
select r.repair_id, r.trailer_id, r.shop, r.action, r.cause, r.method, r.position, r.system, r.positions,
    r.fleet, e.terminal, e.reason, r.indication, r.labour_min, r.cost,
    date_diff('microsecond', r.returned_at, least($end::timestamp, r.service_until, p.replaced_at)) as followed_us,
    date_diff('microsecond', r.returned_at, n.started_at) as next_us,
    n.position as next_position, n.cause as next_cause, n.action as next_action,
    r.next_indicated_position,
    n.started_at < r.service_until or r.service_until is null as in_service
from marts.repairs r
join marts.faults f on f.episode_id = r.episode_id and f.counts_as = 'fault'
join marts.episodes e on e.episode_id = r.episode_id
left join planned p on p.repair_id = r.repair_id
left join faults n on n.episode_id = r.next_episode_id
where r.gives_finding and r.returned_at is not null and r.returned_at < $end
order by r.repair_id
"""

BACKGROUND = """
with f as (
    select position, count(*) as n from marts.faults
    where counts_as = 'fault' and started_at >= $first and started_at < $end
        and (open_until is null or $end <= open_until) and cause is distinct from 'none_found' group by position
), days as (
    select p.position, sum(date_diff('microsecond', greatest(a.at_risk_from, $first::timestamp),
        least(a.at_risk_until, $end::timestamp)))::double / $day as days
    from marts.at_risk a join (select unnest(range(0, 13))::integer as position) p on p.position <= a.positions
    where a.at_risk_from < $end and a.at_risk_until > $first group by p.position
)
select d.position, coalesce(f.n, 0) * (select sum(n)::double / nullif(sum(n) filter (position is not null), 0) from f)
    / nullif(d.days, 0) as per_day
from days d left join f on f.position = d.position
"""


def parse_by(text: str) -> str:
    """The key of `--by`. Raises CallError for another."""
    if text not in KEYS:
        raise CallError(f"fixes cannot be told by {text!r}", hint=f"Choose one of {', '.join(KEYS)}.")
    return text


def fixes(con: Connection, store: str, selection: Selection, by: str) -> Fixes:
    """What followed each repair returned before the window's end, on all records before it."""
    level = settings_of(con).level
    pool = load(con, Selection(selection.window))
    chosen = pool.where(selection, lambda row: True)
    keys = sorted({pool.rows[i][by] for i in chosen}, key=lambda k: (k is None, str(k)))
    found = []
    for key in keys:
        mine = [i for i in chosen if pool.rows[i][by] == key]
        others = [i for i in range(len(pool.rows)) if pool.rows[i]["shop"] != key] if by == "shop" else None
        found.append(summarise(pool, mine, key, level, others if key is not None else None))
    found.sort(key=lambda f: (-f.fixes, f.key is None, str(f.key)))
    return Fixes(about(con, store, selection), by, tuple(found), summarise(pool, chosen, "all", level))


def load(con: Connection, every: Selection) -> Repairs:
    """All repairs returned before the window's end, of every shop and fleet, ready to be summarised."""
    repairs = Repairs(records(con, REPAIRS, every.parameters(REPAIRS)))
    repairs.share = Successors(repairs).probability(repairs)
    # The background is of the days on record: trailers are in service long before the first of them.
    whole, window = covered(con), every.window
    first = whole.first if whole and whole.first < window.end else window.first
    days = {"first": first, "end": window.end, "day": US_PER_DAY}
    repairs.per_day = {row["position"]: row["per_day"] for row in records(con, BACKGROUND, days)}
    return repairs


class Repairs:
    """The repairs as arrays: time in days to the next fault or the end of follow-up, whether a fault came."""

    def __init__(self, rows: list[dict[str, Any]]) -> None:
        import numpy as np

        self.rows = rows
        followed = np.array([row["followed_us"] for row in rows], dtype=float) / US_PER_DAY
        next_fault = (
            np.array([np.inf if row["next_us"] is None else row["next_us"] for row in rows], dtype=float)
            / US_PER_DAY
        )
        self.failed = (next_fault <= followed) & np.array(
            [bool(row["in_service"]) for row in rows], dtype=bool
        )
        self.days = np.maximum(np.where(self.failed, next_fault, followed), 0.0)
        self.placed = np.array([row["position"] is not None for row in rows], dtype=bool)
        self.trailer = np.array([str(row["trailer_id"]) for row in rows])
        self.unknown = np.array(
            [
                failed and row["next_position"] is None and row["next_cause"] != "none_found"
                for row, failed in zip(rows, self.failed, strict=True)
            ],
            dtype=bool,
        )
        self.same = np.array(
            [
                failed and row["position"] is not None and row["next_position"] == row["position"]
                for row, failed in zip(rows, self.failed, strict=True)
            ],
            dtype=bool,
        )
        self.share: FloatArray = self.same.astype(float)
        self.per_day: dict[int, float | None] = {}

    def strata(self, index: Any) -> dict[tuple[Any, ...], list[int]]:
        """The repairs of an index by what makes them alike: system, length, reason, indication."""
        found: dict[tuple[Any, ...], list[int]] = {}
        for i in index:
            row = self.rows[i]
            found.setdefault((row["system"], row["positions"], row["reason"], row["indication"]), []).append(
                int(i)
            )
        return found

    def where(self, selection: Selection, test: Callable[[dict[str, Any]], bool]) -> list[int]:
        """The indices of the repairs of a selection that pass a test. Its shop is the one that repaired."""
        wanted = {
            name: value
            for name in ("fleet", "system", "terminal", "shop")
            if (value := getattr(selection, name)) is not None
        }
        return [
            i for i, row in enumerate(self.rows) if all(row[n] == v for n, v in wanted.items()) and test(row)
        ]


class Successors:
    """How likely a next fault of unknown position is at the position of the repair.

    Estimated from the repairs of all shops whose next fault's position is recorded: by gap in bins of 15 days,
    what the tester indicated less the repaired position, and whether the same action followed. A cell leans on
    the cell without the gap, that on all, each with the weight of three faults.
    """

    def __init__(self, pool: Repairs) -> None:
        self.hits: dict[tuple[Any, ...], list[float]] = {}
        for i, row in enumerate(pool.rows):
            if not pool.failed[i] or not pool.placed[i] or row["next_position"] is None:
                continue
            for cell in self._cells(row, float(pool.days[i])):
                hit = self.hits.setdefault(cell, [0.0, 0.0])
                hit[0] += float(pool.same[i])
                hit[1] += 1.0

    @staticmethod
    def _cells(row: dict[str, Any], days: float) -> list[tuple[Any, ...]]:
        action = row["next_action"] is not None and row["next_action"] == row["action"]
        indicated = row["next_indicated_position"]
        offset = None if indicated is None else indicated - row["position"]
        return [(), (offset, action), (int(days // 15), offset, action)]

    def probability(self, repairs: Repairs) -> FloatArray:
        """The share of each repair's next fault that is a comeback: 1, 0, or a probability."""
        share = repairs.same.astype(float)
        for i, row in enumerate(repairs.rows):
            if not repairs.unknown[i] or not repairs.placed[i]:
                continue
            # Nothing to learn from: the positions of the trailer and its own level are alike.
            p = 1 / ((row["positions"] or 1) + 1)
            for cell in self._cells(row, float(repairs.days[i])):
                hits, of = self.hits.get(cell, (0.0, 0.0))
                p = (hits + PSEUDO * p) / (of + PSEUDO)
            share[i] = p
        return share


def summarise(
    repairs: Repairs, mine: list[int], key: str | None, level: float, others: list[int] | None = None
) -> Fix:
    """One row over the repairs `mine` (indices), held against the repairs `others` where given."""
    import numpy as np

    index = np.array(mine, dtype=int)
    placed = index[repairs.placed[index]]
    rates = [repairs.per_day.get(repairs.rows[i]["position"]) for i in placed]
    days = np.minimum(repairs.days[placed], 90.0)
    by_chance = None if not rates or None in rates else float(np.dot(np.array(rates, dtype=float), days))
    against = _against(repairs, placed, others, level) if others is not None else (None,) * 6
    return Fix(
        key,
        len(index),
        len(placed),
        len(set(repairs.trailer[index].tolist())),
        _horizons(repairs, index, placed, level),
        by_chance,
        *against,
    )


def _horizons(repairs: Repairs, index: Any, placed: Any, level: float) -> tuple[Horizon, ...]:
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
    repairs: Repairs, placed: Any, others: list[int], level: float
) -> tuple[int, float | None, float | None, float | None, float | None, float | None]:
    """Compared repairs, their comebacks within 90 days, the number expected, ratio and limits, against the like of `others`.

    Expected is the others' cumulative hazard at each repair's own follow-up. Strata: system, length, reason,
    indication. Repairs whose stratum the others lack are left out.
    """
    import numpy as np

    from repermit.statistics.comparison import cumulative_hazard, rate_ratio

    back = np.where(repairs.days <= 90, repairs.share, 0.0)
    days = np.minimum(repairs.days, 90.0)
    theirs_by, ours_by = repairs.strata([i for i in others if repairs.placed[i]]), repairs.strata(placed)
    expected, observed, reference, compared = 0.0, 0.0, 0.0, 0
    for name in sorted(ours_by.keys() & theirs_by.keys(), key=str):
        theirs, ours = theirs_by[name], ours_by[name]
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
