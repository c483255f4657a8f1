"""Counts a terminal's loads, refusals and episodes by lane and trailer, and where each cleared one loaded next.

Marts in, plain counts out, for `terminal`. May import `warehouse` and its neighbour `cleared`.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from repermit.studies.racks.cleared import ELSEWHERE, cleared_within
from repermit.studies.selection import Selection, Window, of_own
from repermit.warehouse import Connection, frame, once

if TYPE_CHECKING:
    import polars as pl

Lane = str | None
Place = tuple[str | None, Lane]
"""A terminal and a lane."""
Units = dict[Lane, "pl.DataFrame"]
"""By lane a row a trailer_id and its UNIT_COUNTS."""
UNIT_COUNTS = ("loads", "refusals", "cleared", "elsewhere", "fault")
COUNTS = (
    "refusals", "not_equipment", "episodes", "cleared", "other_lane", "same_lane", "other_terminal", "not_known",
    "by_next_load", "fault", "near_miss", "rack", "left", "delays_recorded",
)  # fmt: skip


@dataclass(frozen=True)
class Route:
    """Episodes that began at `lane` and cleared without a repair, by where the trailer loaded next."""

    lane: Lane
    where: str
    to_terminal: str | None
    to_lane: Lane
    episodes: int


REFUSED = """
select terminal, lane, count(*) filter (equipment) as refusals, count(*) filter (not equipment) as not_equipment,
    count(delay_min) as delays_recorded, coalesce(sum(delay_min), 0)::double as delay_min
from staging.refusals where refused_at >= $first and refused_at < $end
group by terminal, lane
"""

BECAME = """
select e.terminal, e.lane, e.trailer_id, case when e.outcome like 'cleared%' then 'cleared'
    when e.outcome = 'left' or $end > f.open_until then 'left' else f.counts_as end as became
from marts.episodes e left join marts.faults f using (episode_id)
where e.started_at >= $first and e.started_at < $end
"""

EPISODES = f"select terminal, lane, became, count(*) as n from ({BECAME}) group by terminal, lane, became"

LANDED = """
select terminal, lane, landed, to_terminal, to_lane, by_next_load::integer as by_next_load, count(*) as n
from {cleared} where started_at >= $first and started_at < $end group by all order by all
"""

UNITS = f"""
select terminal, lane, trailer_id, sum(loads)::bigint as loads, sum(refusals)::bigint as refusals,
    sum(cleared)::bigint as cleared, sum(elsewhere)::bigint as elsewhere, sum(fault)::bigint as fault
from (
    select terminal, lane, trailer_id, loads, 0 as refusals, 0 as cleared, 0 as elsewhere, 0 as fault
    from marts.loads_by_lane_month where month >= $first and month < $end
    union all
    select terminal, lane, trailer_id, 0, equipment::integer, 0, 0, 0 from staging.refusals where refused_at >= $first and refused_at < $end
    union all
    select terminal, lane, trailer_id, 0, 0, (became = 'cleared')::integer, 0, (became = 'fault')::integer from ({BECAME})
    union all
    select terminal, lane, trailer_id, 0, 0, 0, 1, 0
    from {{cleared}} where {ELSEWHERE} and started_at >= $first and started_at < $end
)
group by terminal, lane, trailer_id
"""


def in_order(lane: Lane) -> tuple[Any, ...]:
    """Sorts lanes as people count them, 2 before 10; not recorded last."""
    parts = re.split(r"(\d+)", lane or "")
    return lane is None, *((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)


def tallies(
    con: Connection, selection: Selection, record: Window
) -> tuple[Units, dict[Lane, Counter[str]], tuple[Route, ...]]:
    """Counts of the selection's terminal by lane and trailer (what rates are made of), by lane, and the routes of what cleared.

    The window lies in `record`, whose episodes that cleared the lanes are held against each other by, too.
    """
    units = _units(con, selection.window, record).get(selection.terminal, {})
    counts: dict[Lane, Counter[str]] = {
        lane: Counter(loads=int(of["loads"].sum())) for lane, of in units.items()
    }
    routes: Counter[tuple[Lane, str, Place]] = Counter()
    for row in of_own(con, REFUSED, selection, "terminal"):
        counts[row.pop("lane")].update(row)
    for row in of_own(con, EPISODES, selection, "terminal"):
        counts[row["lane"]].update({"episodes": row["n"], row["became"]: row["n"]})
    landed = LANDED.format(cleared=cleared_within(con, record.first, record.end))
    for row in of_own(con, landed, selection, "terminal"):
        n, where = row["n"], row["landed"]
        counts[row["lane"]].update({where: n, "by_next_load": n * row["by_next_load"]})
        routes[row["lane"], where, (row["to_terminal"], row["to_lane"])] += n
    ordered = sorted(routes.items(), key=lambda r: (in_order(r[0][0]), -r[1], str(r[0])))
    return units, counts, tuple(Route(lane, where, *to, n) for (lane, where, to), n in ordered)


@once
def _units(con: Connection, window: Window, record: Window) -> dict[str | None, Units]:
    """Counts by lane and trailer of every terminal."""
    sql = UNITS.format(cleared=cleared_within(con, record.first, record.end))
    found: dict[str | None, Units] = defaultdict(dict)
    counted = frame(con, sql, {"first": window.first, "end": window.end})
    for (terminal, lane), of in counted.partition_by(
        "terminal", "lane", include_key=False, as_dict=True
    ).items():
        found[terminal][lane] = of
    return dict(found)
