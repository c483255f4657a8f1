-- One row a moment after which the exposure log is asked for the first load: the last refusal of a label without a visit
-- (refusal_no, and whether the load was at another lane), and where a label ended that only a load parts from the next
-- one. A load with a day only counts as after a refusal of that day. Among several, one at the refusing lane tells.
with asked as (
    select l.trailer_id, l.last_at as after_at, l.last_no as refusal_no, r.terminal, r.lane
    from steps.labels l
    join steps.labelled p on p.label = l.label and p.part = 'refusal' and p.part_no = l.last_no
    join staging.refusals r on r.refusal_id = p.part_id
    where l.visited = 0
    union all
    select distinct l.trailer_id, l.before_last_at, cast(null as bigint), cast(null as varchar), cast(null as varchar)
    from steps.labels l
    left join steps.labels b on b.trailer_id = l.trailer_id and b.last_at = l.before_last_at and b.visited = 0
    where l.parted_by = 'log'
        and b.label is null
),
-- the days around it first; the rest of the log is asked only about those without a load there
asked_days as (
    select a.*, cast(after_at - interval '1' day as date) as day from asked a
    union all
    select a.*, cast(after_at as date) as day from asked a
    union all
    select a.*, cast(after_at + interval '1' day as date) as day from asked a
    union all
    select a.*, cast(after_at + interval '2' day as date) as day from asked a
    union all
    select a.*, cast(after_at + interval '3' day as date) as day from asked a
),
near as (
    select
        a.trailer_id,
        a.after_at,
        a.refusal_no,
        min(case when d.terminal <> a.terminal or d.lane <> a.lane then null else d.loaded_from end) as here_from,
        min(case when d.terminal <> a.terminal or d.lane <> a.lane then d.loaded_from end) as other_from
    from asked_days a
    join staging.loads d on d.trailer_id = a.trailer_id and cast(d.loaded_from as date) = a.day
    where d.loaded_until > a.after_at
        and d.loads > 0
    group by a.trailer_id, a.after_at, a.refusal_no
),
unanswered as (
    select a.*
    from asked a
    left join near n
        on n.trailer_id = a.trailer_id and n.after_at = a.after_at and n.refusal_no is not distinct from a.refusal_no
    where n.trailer_id is null
),
far as (
    select
        u.trailer_id,
        u.after_at,
        u.refusal_no,
        min(case when d.terminal <> u.terminal or d.lane <> u.lane then null else d.loaded_from end) as here_from,
        min(case when d.terminal <> u.terminal or d.lane <> u.lane then d.loaded_from end) as other_from
    from unanswered u
    join staging.loads d on d.trailer_id = u.trailer_id and d.loaded_until > u.after_at and d.loads > 0
    group by u.trailer_id, u.after_at, u.refusal_no
)
select
    trailer_id,
    after_at,
    refusal_no,
    case when here_from <= other_from or other_from is null then here_from else other_from end as next_load_at,
    coalesce(other_from < here_from, other_from is not null and here_from is null) as at_other_lane
from (select * from near union all select * from far) f
