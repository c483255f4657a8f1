"""Counts a terminal's loads, refusals and episodes by lane and trailer, and where each cleared one loaded next.

Marts in, plain counts out, for `studies.terminal`. May import `warehouse`.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from repermit.warehouse import Connection, records

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
"""

NEXT_LOADS = """
with refusals_of as (
    select p.episode_id, r.terminal, r.lane, r.released_by,
        row_number() over (partition by p.episode_id order by r.refused_at desc, r.refusal_id desc) as rank
    from marts.episode_parts p
    join staging.refusals r on p.part = 'refusal' and r.refusal_id = p.part_id
)
select distinct e.episode_id, e.trailer_id, e.terminal, e.lane, e.outcome_detail, l.released_by,
    l.terminal as last_terminal, l.lane as last_lane, d.loaded_from, d.terminal as to_terminal, d.lane as to_lane
from marts.episodes e
join refusals_of l on l.episode_id = e.episode_id and l.rank = 1
left join staging.loads d on d.trailer_id = e.trailer_id and d.loaded_from = e.next_load_at
    and d.loaded_until > e.last_refused_at
where e.terminal = $terminal and e.started_at >= $first and e.started_at < $end and e.outcome like 'cleared%'
order by e.episode_id
"""


def in_order(lane: Lane) -> tuple[Any, ...]:
    """Sorts lanes as people count them, 2 before 10; not recorded last."""
    parts = re.split(r"(\d+)", lane or "")
    return lane is None, *((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p)


def tallies(
    con: Connection, days: dict[str, Any]
) -> tuple[Units, dict[Lane, Counter[str]], tuple[Route, ...]]:
    """Counts by lane and trailer (what rates are made of), by lane, and the routes of what cleared."""
    units: Units = defaultdict(lambda: defaultdict(Counter))
    routes: Counter[tuple[Lane, str, Place]] = Counter()
    for row in records(con, LOADS, days) + records(con, REFUSED, days):
        units[row.pop("lane")][row.pop("trailer_id")].update(row)
    for row in records(con, EPISODES, days):
        units[row["lane"]][row["trailer_id"]].update({"episodes": row["n"], row["became"]: row["n"]})
    for row, next_places in _cleared(con, days):
        where, place = landing(row, next_places)
        unit = units[row["lane"]][row["trailer_id"]]
        unit.update({where: 1, "by_next_load": int(row["outcome_detail"] == "cleared_unrecorded")})
        unit["elsewhere"] += where in ("other_lane", "other_terminal")
        routes[row["lane"], where, place or (None, None)] += 1
    counts = {lane: sum(by_trailer.values(), Counter()) for lane, by_trailer in units.items()}
    ordered = sorted(routes.items(), key=lambda r: (in_order(r[0][0]), -r[1], str(r[0])))
    return dict(units), counts, tuple(Route(lane, where, *to, n) for (lane, where, to), n in ordered)


def _cleared(con: Connection, days: dict[str, Any]) -> Iterable[tuple[dict[str, Any], set[Place]]]:
    """Every episode that cleared without a repair, with the places of the next load that is on record."""
    by_episode: dict[str, tuple[dict[str, Any], set[Place]]] = {}
    for row in records(con, NEXT_LOADS, days):
        _, places = by_episode.setdefault(row["episode_id"], (row, set()))
        if row["loaded_from"] is not None:
            places.add((row["to_terminal"], row["to_lane"]))
    return by_episode.values()


def landing(row: dict[str, Any], places: set[Place]) -> tuple[str, Place | None]:
    """Where an episode cleared, seen from where it began, and the terminal and lane of it as far as one is known.

    What the terminal wrote down goes first (`released_by` of the last refusal), then the next load; among
    several of one day, one at the last refusing lane tells, as in `core.next_loads`.
    """
    began, last = (row["terminal"], row["lane"]), (row["last_terminal"], row["last_lane"])
    if row["released_by"] == "other_lane":
        places = {p for p in places if p[0] == last[0] and p != last and p[1] is not None}
        if not places and began == last and None not in began:
            return "other_lane", None
    elif row["released_by"] == "retry" or last in places:
        places = {last}
    kinds = {_kind(began, place) for place in places}
    where = kinds.pop() if len(kinds) == 1 else "not_known"
    if len(places) <= 1:
        return where, next(iter(places), None)
    terminals = {terminal for terminal, _ in places}
    return where, (terminals.pop(), None) if len(terminals) == 1 else None


def _kind(began: Place, place: Place) -> str:
    if place[0] is not None and place[0] != began[0]:
        return "other_terminal"
    if place[0] is None or place[1] is None or began[1] is None:
        return "not_known"
    return "same_lane" if place == began else "other_lane"
