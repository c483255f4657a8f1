"""Counts a terminal's loads, refusals and episodes by lane and trailer, and where each cleared one loaded next.

Marts in, plain counts out, for `terminal`. May import `warehouse` and its neighbour `cleared`.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import Any

from repermit.studies.racks.cleared import cleared_within
from repermit.studies.selection import Window
from repermit.warehouse import Connection, records, rows

Lane = str | None
Place = tuple[str | None, Lane]
"""A terminal and a lane."""
Units = dict[Lane, dict[str, Counter[str]]]
"""Counts by lane and trailer: loads, those of COUNTS, elsewhere, delay_min."""
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
select lane, trailer_id, count(*) filter (equipment) as refusals, count(*) filter (not equipment) as not_equipment,
    count(delay_min) as delays_recorded, coalesce(sum(delay_min), 0)::double as delay_min
from staging.refusals
where terminal = $terminal and refused_at >= $first and refused_at < $end
group by lane, trailer_id
order by lane, trailer_id
"""

EPISODES = """
select e.lane, e.trailer_id, count(*) as n,
    case when e.outcome like 'cleared%' then 'cleared'
        when e.outcome = 'left' or $end > f.open_until then 'left' else f.counts_as end as became
from marts.episodes e left join marts.faults f using (episode_id)
where e.terminal = $terminal and e.started_at >= $first and e.started_at < $end
group by all
"""

LOADS = """
select lane, trailer_id, sum(loads)::bigint as loads from marts.loads_by_lane_month
where terminal = $terminal and month >= $first and month < $end
group by lane, trailer_id
order by lane, trailer_id
"""

LANDED = """
select trailer_id, lane, landed, to_terminal, to_lane, by_next_load::integer as by_next_load, count(*) as n
from {cleared} where terminal = $terminal and started_at >= $first and started_at < $end group by all order by all
"""


def in_order(lane: Lane) -> tuple[Any, ...]:
    """Sorts lanes as people count them, 2 before 10; not recorded last."""
    parts = re.split(r"(\d+)", lane or "")
    return lane is None, *((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)


def tallies(
    con: Connection, days: dict[str, Any], record: Window
) -> tuple[Units, dict[Lane, Counter[str]], tuple[Route, ...]]:
    """Counts by lane and trailer (what rates are made of), by lane, and the routes of what cleared.

    The days lie in `record`, whose episodes that cleared the lanes are held against each other by, too.
    """
    units: Units = defaultdict(lambda: defaultdict(Counter))
    counts: dict[Lane, Counter[str]] = defaultdict(Counter)
    routes: Counter[tuple[Lane, str, Place]] = Counter()

    def add(lane: Lane, trailer: str, more: dict[str, Any]) -> None:
        mine, of_lane = units[lane][trailer], counts[lane]
        for name, n in more.items():
            mine[name] = mine.get(name, 0) + n
            of_lane[name] = of_lane.get(name, 0) + n

    for lane, trailer, loads in rows(con, LOADS, days):  # a row each, and by far the most rows
        units[lane][trailer]["loads"] = loads
        counts[lane]["loads"] += loads
    for row in records(con, REFUSED, days):
        add(row.pop("lane"), row.pop("trailer_id"), row)
    for row in records(con, EPISODES, days):
        add(row["lane"], row["trailer_id"], {"episodes": row["n"], row["became"]: row["n"]})
    landed = LANDED.format(cleared=cleared_within(con, record.first, record.end))
    for row in records(con, landed, days):
        n, where = row["n"], row["landed"]
        elsewhere = n * (where in ("other_lane", "other_terminal"))
        more = {where: n, "by_next_load": n * row["by_next_load"], "elsewhere": elsewhere}
        add(row["lane"], row["trailer_id"], more)
        routes[row["lane"], where, (row["to_terminal"], row["to_lane"])] += n
    ordered = sorted(routes.items(), key=lambda r: (in_order(r[0][0]), -r[1], str(r[0])))
    return dict(units), dict(counts), tuple(Route(lane, where, *to, n) for (lane, where, to), n in ordered)
