with parts as (
    select g.trailer_id, g.episode_label, p.part, p.part_id, p.part_at, p.refused_at
    from steps.episode_groups g
    join steps.labelled p on p.label = g.label
),
first_refusals as (
    select
        p.episode_label,
        r.*,
        row_number() over (partition by p.episode_label order by r.refused_at, r.refusal_id) as rank
    from parts p
    join steps.runs r on r.refusal_id = p.part_id
    where p.part = 'refusal'
),
refused as (
    select
        p.episode_label,
        count(*) as refusals,
        min(case when r.reason = 'rack_controller' then 1 else 0 end) = 1 as rack_controller_only,
        sum(r.delay_min) as delay_min,
        max(r.refused_at) as last_refused_at
    from parts p
    join steps.runs r on r.refusal_id = p.part_id
    where p.part = 'refusal'
    group by p.episode_label
),
visited as (
    select
        p.episode_label,
        v.*,
        row_number() over (
            partition by p.episode_label
            order by
                case when v.permit_restored then 0 when v.permit_restored is null then 1 else 2 end,
                v.received_at desc,
                v.repair_id desc
        ) as rank
    from parts p
    join core.visits v on v.repair_id = p.part_id
    where p.part = 'visit'
),
shop_time as (
    select
        episode_label,
        count(*) as visits,
        count(cost) as visits_priced,
        sum(cost) as cost,
        sum(labour_min) as labour_min
    from visited
    group by episode_label
),
began as (
    select trailer_id, episode_label, coalesce(min(refused_at), min(part_at)) as started_at
    from parts
    group by trailer_id, episode_label
)
select
    case when f.refusal_id is null then 'V-' || substring(b.episode_label, 3) else 'E-' || f.refusal_id end as episode_id,
    b.episode_label,
    b.trailer_id,
    b.started_at,
    case when f.refusal_id is null then 'repair_only' else 'refusal' end as origin,
    f.terminal,
    f.lane,
    f.reason,
    coalesce(r.refusals, 0) as refusals,
    coalesce(r.rack_controller_only, false) as rack_controller_only,
    r.delay_min,
    r.last_refused_at,
    coalesce(s.visits, 0) as visits,
    coalesce(s.visits_priced, 0) as visits_priced,
    s.cost,
    s.labour_min,
    v.returned_at as last_returned_at,
    v.repair_id,
    v.shop,
    v.indicated_position,
    v.indication,
    v.position,
    v.place,
    v.cause,
    v.action,
    case
        when s.visits > 0 then 'repaired'
        when n.released_by = 'other_lane' then 'cleared_other_lane'
        when n.released_by = 'retry' then 'cleared_retry'
        when n.released_by in ('shop', 'left_without_load') then case when n.next_load_at is null then 'open' else 'left' end
        when n.next_load_at is null then 'open'
        when n.at_other_lane then 'cleared_other_lane'
        else 'cleared_retry'
    end as outcome,
    case
        when s.visits > 0 then 'repaired'
        when n.released_by in ('other_lane', 'retry') then 'cleared_recorded'
        when n.released_by in ('shop', 'left_without_load') or n.next_load_at is null then 'not_cleared'
        else 'cleared_unrecorded'
    end as outcome_detail,
    n.next_load_at
from began b
left join first_refusals f on f.episode_label = b.episode_label and f.rank = 1
left join refused r on r.episode_label = b.episode_label
left join visited v on v.episode_label = b.episode_label and v.rank = 1
left join shop_time s on s.episode_label = b.episode_label
left join core.next_loads n on n.episode_label = b.episode_label
