-- One row a part of an episode (a refusal or a visit) with the label that it has before episodes are joined.
-- part_no is its place among the refusals of its trailer, in order of time, or among the visits, in the order in which
-- they give the finding: those with permit restored first, the latest before the others.
select
    coalesce(h.label, 'R:' || r.run_id) as label,
    r.trailer_id,
    'refusal' as part,
    r.refusal_id as part_id,
    r.refusal_no as part_no,
    r.refused_at as part_at,
    r.refused_at as part_until,
    r.refused_at as refused_at,
    case when h.refusal_id is not null then 'within_visit' else coalesce(r.broken_by, 'same_run') end as joined_by,
    f.terminal,
    f.lane,
    f.reason,
    f.released_by,
    f.delay_min
from steps.runs r
join staging.refusals f on f.refusal_id = r.refusal_id
left join steps.refusal_homes h on h.refusal_id = r.refusal_id
union all
select
    coalesce(h.label, 'R:' || m.run_id, 'V:' || m.repair_id),
    m.trailer_id,
    'visit',
    m.repair_id,
    row_number() over (
        partition by m.trailer_id
        order by
            case when v.permit_restored then 0 when v.permit_restored is null then 1 else 2 end,
            v.received_at desc,
            v.repair_id desc
    ),
    v.received_at,
    v.received_latest,
    cast(null as timestamp),
    m.matched_by,
    cast(null as varchar),
    cast(null as varchar),
    cast(null as varchar),
    cast(null as varchar),
    cast(null as double)
from steps.run_visits m
join core.visits v on v.repair_id = m.repair_id
left join steps.refusal_homes h on h.refusal_id = m.refusal_id
