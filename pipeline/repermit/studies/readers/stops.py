"""What a fleet's faults stopped and cost, and what each trailer brought, over a window.

Marts in, `Stops` and rows by trailer out. May import `warehouse` and its neighbours. Hours of a fault run from its
first refusal (its arrival at the shop, where no refusal is on record) to its last return.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from repermit.studies.frequency.like_for_like import Units
from repermit.studies.frequency.rate_units import exposure_of
from repermit.studies.selection import Selection, of_fleet
from repermit.warehouse import Connection, frame, once


@dataclass(frozen=True)
class Stops:
    """Faults that share a key, and what they cost. Sums are None where nothing is known.

    `hours` is of the `hours_known` faults that ended, `money` of the `priced` among their `visits`.
    """

    key: Any
    faults: int
    unresolved: int
    without_refusal: int
    hours: float | None
    hours_known: int
    money: float | None
    visits: int
    priced: int
    last_fault: str | None


WHO = "($system is null or system = $system) and ($shop is null or home_shop = $shop)"

FAULTS = f"""
counts_as = 'fault' and started_at >= $first and started_at < $end and (open_until is null or $end <= open_until) and {WHO}
"""

STOPS = f"""
with mine as (
    select *, case when last_returned_at >= started_at then date_diff('microsecond', started_at, last_returned_at) end as us
    from marts.faults where fleet is not null and {FAULTS}
)
select fleet, KEY as key, count(*) as faults, count(*) filter (outcome = 'open') as unresolved,
    count(*) filter (origin = 'repair_only') as without_refusal,
    sum(us)::bigint / 3.6e9 as hours, count(us) as hours_known, sum(cost)::double as money,
    sum(visits)::bigint as visits, sum(visits_priced)::bigint as priced,
    strftime(max(started_at), '%Y-%m-%d') as last_fault
from mine group by 1, 2 order by hours desc nulls last, faults desc, key nulls last
"""

UNITS = f"""
select trailer_id, fleet, system, positions, sum(us)::bigint as us, sum(loads)::bigint as loads,
    sum(n)::bigint as n
from (
    select trailer_id, fleet, system, positions, us, loads, 0 as n from EXPOSURE where {WHO}
    union all
    select trailer_id, fleet, system, positions, 0, 0, 1 from marts.faults where {FAULTS}
)
where fleet is not null group by trailer_id, fleet, system, positions order by trailer_id, fleet, system, positions
"""


def no_stops(key: Any) -> Stops:
    """Of one that brought none."""
    return Stops(key, 0, 0, 0, None, 0, None, 0, 0, None)


def stops_by(con: Connection, selection: Selection, key: str) -> list[Stops]:
    """The fleet's faults by a column of the faults, the most hours first."""
    return [Stops(**row) for row in of_fleet(con, STOPS.replace("KEY", key), selection)]


def all_stops(con: Connection, selection: Selection) -> Stops:
    """All of the fleet's faults together."""
    return next(iter(stops_by(con, selection, "null::varchar")), no_stops(None))


def units_of(con: Connection, selection: Selection) -> Units:
    """Exposure and faults by trailer, of all fleets; `ours` are those of the selection's fleet."""
    import polars as pl

    return _units(con, replace(selection, fleet=None)).with_columns(
        ours=pl.col("fleet") == str(selection.fleet)
    )


def own_units(con: Connection, selection: Selection) -> list[dict[str, Any]]:
    """Those of the selection's fleet alone, row by row."""
    return _by_fleet(con, replace(selection, fleet=None)).get((str(selection.fleet),), [])


@once
def _by_fleet(con: Connection, selection: Selection) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    found = _units(con, selection).partition_by("fleet", as_dict=True)
    return {fleet: units.to_dicts() for fleet, units in found.items()}


@once
def _units(con: Connection, selection: Selection) -> Units:
    sql = UNITS.replace("EXPOSURE", exposure_of(con, selection.window))
    return frame(con, sql, selection.parameters(sql))
