-- first_no and last_no are the places of its first and last refusal, finding_no that of the visit that gives the finding.
with gathered as (
    select
        g.trailer_id,
        g.episode_label,
        coalesce(min(p.refused_at), min(p.part_at)) as started_at,
        max(p.refused_at) as last_refused_at,
        min(case when p.part = 'refusal' then p.part_no end) as first_no,
        max(case when p.part = 'refusal' then p.part_no end) as last_no,
        min(case when p.part = 'visit' then p.part_no end) as finding_no,
        count(case when p.part = 'refusal' then 1 end) as refusals,
        min(case when p.reason = 'rack_controller' then 1 when p.part = 'refusal' then 0 end) as by_rack,
        sum(p.delay_min) as delay_min,
        count(v.repair_id) as visits,
        count(v.cost) as visits_priced,
        sum(v.cost) as cost,
        sum(v.labour_min) as labour_min
    from steps.episode_groups g
    join steps.labelled p on p.label = g.label
    left join core.visits v on p.part = 'visit' and v.repair_id = p.part_id
    group by g.trailer_id, g.episode_label
),
refusals as (
    select trailer_id, part_no, part_id as refusal_id, terminal, lane, reason, released_by
    from steps.labelled
    where part = 'refusal'
),
findings as (
    select p.part_no, v.*
    from steps.labelled p
    join core.visits v on v.repair_id = p.part_id
    where p.part = 'visit'
)
select
    case when f.refusal_id is null then 'V-' || substring(g.episode_label, 3) else 'E-' || f.refusal_id end as episode_id,
    g.episode_label,
    g.trailer_id,
    g.started_at,
    case when f.refusal_id is null then 'repair_only' else 'refusal' end as origin,
    f.terminal,
    f.lane,
    f.reason,
    g.refusals,
    coalesce(g.by_rack = 1, false) as rack_controller_only,
    g.delay_min,
    g.last_refused_at,
    g.visits,
    g.visits_priced,
    g.cost,
    g.labour_min,
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
        when g.visits > 0 then 'repaired'
        when l.released_by = 'other_lane' then 'cleared_other_lane'
        when l.released_by = 'retry' then 'cleared_retry'
        when l.released_by in ('shop', 'left_without_load') then case when n.next_load_at is null then 'open' else 'left' end
        when n.next_load_at is null then 'open'
        when n.at_other_lane then 'cleared_other_lane'
        else 'cleared_retry'
    end as outcome,
    case
        when g.visits > 0 then 'repaired'
        when l.released_by in ('other_lane', 'retry') then 'cleared_recorded'
        when l.released_by in ('shop', 'left_without_load') or n.next_load_at is null then 'not_cleared'
        else 'cleared_unrecorded'
    end as outcome_detail,
    n.next_load_at
from gathered g
left join refusals f on f.trailer_id = g.trailer_id and f.part_no = g.first_no
left join refusals l on l.trailer_id = g.trailer_id and l.part_no = g.last_no
left join findings v on v.trailer_id = g.trailer_id and v.part_no = g.finding_no
left join steps.next_loads n on n.trailer_id = g.trailer_id and n.refusal_no = g.last_no and g.visits = 0
