"""What was done in vain: good sensors replaced, and visits in which nothing was found. Of one shop, or of all.

Marts in, `Needless` out. May import `statistics`, `warehouse` and its neighbours. Where the bench tested removed
sensors, its verdict tells; beside it, and without it, sensors after whose replacement something else was found at
the same position within 90 days: the sensor was probably good.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from repermit.studies.repairs.repaired import Repairs
from repermit.studies.selection import Selection
from repermit.warehouse import Connection, once, records

if TYPE_CHECKING:
    from repermit.studies.repairs.repaired import IntArray

DAYS = 90


@dataclass(frozen=True)
class Sensors:
    """Sensors replaced after a non-permit, and how many of them were good.

    `tested` were on the bench and `good` of them had nothing wrong, a share from `low` to `high`. `followed` were
    followed for 90 days or until the next fault; in `something_else` of them another cause was found at the same
    position within 90 days. `minutes` and `parts_cost` are those of the visits and parts of the good ones, where recorded.
    """

    replaced: int
    tested: int
    good: int
    low: float | None
    high: float | None
    followed: int
    something_else: int
    minutes: float | None
    parts_cost: float | None


@dataclass(frozen=True)
class NothingFound:
    """Visits in which nothing was found: how many of all, their minutes and money, and what followed.

    `again` of `followed` visits (those followed for 90 days, or until a fault) were followed by a fault of the
    same trailer within 90 days. Sums are None where nothing was recorded.
    """

    visits: int
    all_visits: int
    minutes: float | None
    minutes_known: int
    cost: float | None
    priced: int
    again: int
    followed: int


SENSORS = """
with replaced as (
    select r.shop, r.repair_id, r.found_position, r.cause, r.parts_cost::double as parts_cost, r.labour_min::double as labour_min,
        b.result, m.next_fault_at - m.returned_at as gap, m.next_position, m.next_cause,
        least($end::timestamp, coalesce(m.service_until, $end::timestamp)) - m.returned_at as seen
    from staging.repairs r
    left join staging.returns b on b.serial = r.sensor_out
    left join marts.repairs m on m.repair_id = r.repair_id
    where r.action = 'sensor_replaced' and r.visit_kind = 'non_permit' and r.received_at < $end
        and ($fleet is null or m.fleet = $fleet) and ($system is null or m.system = $system)
)
select WHOSE as shop, count(*) as replaced, count(result) as tested, count(*) filter (result = 'no_fault_found') as good,
    count(*) filter (seen >= $span or (gap < seen)) as followed,
    count(*) filter (gap <= $span and gap < seen and next_position = found_position and cause is not null
        and next_cause not in ('sensor_failed', 'none_found', 'residual_liquid', 'liquid_present')) as something_else,
    sum(labour_min) filter (result = 'no_fault_found') as minutes,
    sum(parts_cost) filter (result = 'no_fault_found') as parts_cost
from replaced group by 1
"""

NO_SENSORS: dict[str, Any] = dict.fromkeys(
    ("replaced", "tested", "good", "followed", "something_else"), 0
) | {
    "minutes": None,
    "parts_cost": None,
}


def sensors(con: Connection, selection: Selection, level: float) -> Sensors:
    """Sensors replaced after a non-permit before the window's end; filtered by shop, fleet and system."""
    from repermit.statistics.proportions import wilson_limits

    by_shop = _sensors(
        con, selection.shop is not None, selection.window.end, selection.fleet, selection.system
    )
    found = by_shop.get(selection.shop, NO_SENSORS)
    low, high = (float(x) for x in wilson_limits(found["good"], found["tested"], level))
    if not found["tested"]:
        return Sensors(**found, low=None, high=None)
    return Sensors(**found, low=low, high=high)


@once
def _sensors(
    con: Connection, each: bool, end: date, fleet: str | None, system: str | None
) -> dict[str | None, dict[str, Any]]:
    """What was counted of each shop, or of all of them together under None."""
    sql = SENSORS.replace("WHOSE", "shop" if each else "null::varchar")
    given = {"end": end, "span": timedelta(days=DAYS), "fleet": fleet, "system": system}
    return {row.pop("shop"): row for row in records(con, sql, given)}


def nothing_found(repairs: Repairs, mine: IntArray) -> NothingFound:
    """Of the repairs `mine` (indices into the pool), those in which nothing was found."""
    import numpy as np

    found = mine[(repairs.frame["cause"] == "none_found").fill_null(False).to_numpy()[mine]]
    again = repairs.failed[found] & (repairs.days[found] <= DAYS)
    followed = repairs.failed[found] | (repairs.days[found] >= DAYS)
    minutes = _sum(repairs, found, "labour_min")
    cost = _sum(repairs, found, "cost")
    return NothingFound(len(found), len(mine), *minutes, *cost, int(np.sum(again)), int(np.sum(followed)))


def _sum(repairs: Repairs, index: IntArray, column: str) -> tuple[float | None, int]:
    values = repairs.frame[column][index].drop_nulls()
    return (float(values.sum()) if len(values) else None), len(values)
