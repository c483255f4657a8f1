-- One row an equipment refusal within a visit [received, returned) whose episode began before it: the label of that
-- episode, before episodes are joined. All other refusals belong to their run.
-- The refusal that the visit answers may itself lie within another visit: follow until the end.
with recursive within as (
    select
        r.refusal_id,
        v.repair_id,
        m.refusal_id as answers,
        m.run_id as answers_run,
        row_number() over (
            partition by r.refusal_id order by v.received_at desc, v.repair_id desc
        ) as rank
    from steps.runs r
    join core.visits v
        on v.trailer_id = r.trailer_id and v.received_at <= r.refused_at and r.refused_at < v.returned_at
    join steps.run_visits m on m.repair_id = v.repair_id
    where m.refusal_id is null
        or m.refused_at < r.refused_at
        or (m.refused_at = r.refused_at and m.refusal_id < r.refusal_id)
),
steps as (
    select
        w.refusal_id,
        case when w.answers is null then 'V:' || w.repair_id when n.refusal_id is null then 'R:' || w.answers_run end as label,
        w.answers as next_refusal
    from within w
    left join within n on n.refusal_id = w.answers and n.rank = 1
    where w.rank = 1
),
walked as (
    select refusal_id, label, next_refusal
    from steps
    union all
    select w.refusal_id, s.label, s.next_refusal
    from walked w
    join steps s on s.refusal_id = w.next_refusal
    where w.label is null
)
select refusal_id, label
from walked
where label is not null
