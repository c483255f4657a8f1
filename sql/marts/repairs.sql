-- The next fault is the first that began at or after the return (of a day, at any moment of it), and after the
-- visit's own episode did.
with faults as (
    select
        episode_id,
        trailer_id,
        started_at,
        position,
        cause,
        indicated_position,
        action,
        outcome,
        row_number() over (partition by trailer_id order by started_at, episode_id) as fault_no
    from marts.episodes
    where outcome in ('repaired', 'open')
        and coalesce(cause, '') not in ('liquid_present', 'rack_equipment')
        and coalesce(place, '') <> 'rack'
        and not rack_controller_only
),
episode_of as (
    select p.part_id as repair_id, p.gives_finding, e.episode_id, e.started_at
    from marts.episode_parts p
    join marts.episodes e on e.episode_id = p.episode_id
    where p.part = 'visit'
),
followed as (
    select v.repair_id, min(f.fault_no) as fault_no
    from core.visits v
    left join episode_of e on e.repair_id = v.repair_id
    join faults f
        on f.trailer_id = v.trailer_id
        and f.started_at >= v.returned_earliest
        and (e.started_at is null or f.started_at > e.started_at)
    group by v.repair_id
)
select
    v.repair_id,
    e.episode_id,
    e.gives_finding,
    v.trailer_id,
    v.shop,
    v.visit_kind,
    v.received_at,
    v.returned_at,
    v.position,
    v.place,
    v.cause,
    v.action,
    v.method,
    v.part_lot,
    v.indicated_position,
    v.indication,
    v.labour_min,
    v.cost,
    t.fleet,
    t.system,
    t.positions,
    t.service_until,
    n.episode_id as next_episode_id,
    n.started_at as next_fault_at,
    n.position as next_position,
    n.cause as next_cause,
    n.indicated_position as next_indicated_position,
    n.action as next_action,
    n.outcome as next_outcome
from core.visits v
left join episode_of e on e.repair_id = v.repair_id
left join followed w on w.repair_id = v.repair_id
left join faults n on n.trailer_id = v.trailer_id and n.fault_no = w.fault_no
left join staging.trailers t
    on t.trailer_id = v.trailer_id
    and t.service_from <= v.received_at
    and (t.service_until is null or v.received_at < t.service_until)
