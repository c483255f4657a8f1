-- One row an equipment refusal: the label of the episode that it belongs to before episodes are joined.
-- A refusal within a visit [received, returned) is part of that visit's episode, if that began before it;
-- else of its run. A visit's episode may itself lie within another visit: follow until the end.
with recursive within as (
    select
        r.refusal_id,
        r.trailer_id,
        v.repair_id,
        m.refusal_id as answers,
        row_number() over (
            partition by r.refusal_id order by v.received_at desc, v.repair_id desc
        ) as rank
    from steps.runs r
    join core.visits v
        on v.trailer_id = r.trailer_id and v.received_at <= r.refused_at and r.refused_at < v.returned_at
    join steps.run_visits m on m.repair_id = v.repair_id
    left join steps.runs a on a.refusal_id = m.refusal_id
    where a.refusal_id is null
        or a.refused_at < r.refused_at
        or (a.refused_at = r.refused_at and a.refusal_id < r.refusal_id)
),
steps as (
    select
        r.refusal_id,
        r.trailer_id,
        case when w.refusal_id is null then 'R:' || r.run_id when w.answers is null then 'V:' || w.repair_id end as label,
        w.answers as next_refusal,
        w.repair_id as within_visit
    from steps.runs r
    left join within w on w.refusal_id = r.refusal_id and w.rank = 1
),
walked as (
    select refusal_id, trailer_id, label, next_refusal, within_visit
    from steps
    union all
    select w.refusal_id, w.trailer_id, s.label, s.next_refusal, w.within_visit
    from walked w
    join steps s on s.refusal_id = w.next_refusal
    where w.label is null
)
select refusal_id, trailer_id, label, within_visit
from walked
where label is not null
