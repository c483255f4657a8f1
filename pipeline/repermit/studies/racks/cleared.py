"""Where every episode that cleared without a repair did so, which the studies of lanes and terminals share.

Marts in, a temporary table out. May import `warehouse`. An episode belongs to the lane of its first refusal; where it cleared is seen from there. What the
terminal wrote down goes first (`released_by` of the last refusal), then the next load on record; among several of
one day, one at the last refusing lane tells, as in `steps.next_loads`.
"""

from __future__ import annotations

from datetime import date

from repermit.warehouse import Connection, once

CLEARED = """
with refusals_of as (
    select p.episode_id, r.terminal, r.lane, r.released_by,
        row_number() over (partition by p.episode_id order by r.refused_at desc, r.refusal_id desc) as rank
    from marts.episode_parts p
    join staging.refusals r on p.part = 'refusal' and r.refusal_id = p.part_id
), ended as (
    select e.episode_id, e.trailer_id, e.started_at, e.terminal, e.lane, e.outcome_detail, e.next_load_at,
        e.last_refused_at, l.released_by, l.terminal as last_terminal, l.lane as last_lane
    from marts.episodes e
    join refusals_of l on l.episode_id = e.episode_id and l.rank = 1
    where e.outcome like 'cleared%' and e.started_at >= $first and e.started_at < $end
), next_loads as (
    select distinct e.episode_id, d.terminal as to_terminal, d.lane as to_lane,
        d.terminal is not distinct from e.last_terminal and d.lane is not distinct from e.last_lane as at_last
    from ended e
    join staging.loads d on d.trailer_id = e.trailer_id and d.loaded_from = e.next_load_at
        and d.loaded_until > e.last_refused_at
), tried as (
    select *, coalesce(released_by, '') = 'other_lane' as went,
        coalesce(released_by, '') = 'retry' or episode_id in (select episode_id from next_loads where at_last) as stayed
    from ended
), chosen as (
    select t.*, n.to_terminal, n.to_lane, n.episode_id is not null as there
    from tried t
    left join next_loads n on n.episode_id = t.episode_id
        and (not t.went or (n.to_terminal = t.last_terminal and n.to_lane is not null and not n.at_last))
    where t.went or not t.stayed
    union all
    select t.*, t.last_terminal, t.last_lane, true from tried t where t.stayed and not t.went
), kinds as (
    select *, case when not there then null
        when to_terminal is not null and to_terminal is distinct from terminal then 'other_terminal'
        when to_terminal is null or to_lane is null or lane is null then 'not_known'
        when to_lane = lane then 'same_lane' else 'other_lane' end as kind
    from chosen
)
select episode_id, trailer_id, terminal, lane, started_at, outcome_detail = 'cleared_unrecorded' as by_next_load,
    case when count(kind) = 0 and went and terminal = last_terminal and lane = last_lane then 'other_lane'
        when min(kind) = max(kind) then min(kind) else 'not_known' end as landed,
    case when min(to_terminal) = max(to_terminal) and count(to_terminal) = count(kind) then min(to_terminal) end as to_terminal,
    case when count(kind) = 1 then min(to_lane) end as to_lane
from kinds
group by episode_id, trailer_id, terminal, lane, started_at, outcome_detail, went, last_terminal, last_lane
"""
"""Takes $first, $end. `landed`: same_lane, other_lane, other_terminal or not_known."""
ELSEWHERE = "landed in ('other_lane', 'other_terminal')"


@once
def cleared_within(con: Connection, first: date, end: date) -> str:
    """The name of a table of the episodes that began from `first` to before `end` and cleared without a repair."""
    name = f"cleared_{first:%Y%m%d}_{end:%Y%m%d}"
    con.execute(f"create or replace temp table {name} as {CLEARED}", {"first": first, "end": end})
    return name
