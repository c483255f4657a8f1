-- One row a moment after which the exposure log is asked for the first load: the last refusal of a label without a visit
-- (refusal_no, and whether the load was at another lane), and where a label ended that only a load parts from the next
-- one. A load with a day only counts as after a refusal of that day. Among several, one at the refusing lane tells.
-- What was answered before and no load since can change (answered) is not asked again.
with asked as (
    select l.trailer_id, l.last_at as after_at, l.last_no as refusal_no, p.terminal, p.lane
    from steps.labels l
    join steps.labelled p on p.label = l.label and p.part = 'refusal' and p.part_no = l.last_no
    where l.visited = 0
    union all
    select distinct l.trailer_id, l.before_last_at, cast(null as bigint), cast(null as varchar), cast(null as varchar)
    from steps.labels l
    left join steps.labels b on b.trailer_id = l.trailer_id and b.last_at = l.before_last_at and b.visited = 0
    where l.parted_by = 'log'
        and b.label is null
),
known as (
    select a.*, k.next_load_at, k.at_other_lane
    from asked a
    left join steps.answered k
        on k.trailer_id = a.trailer_id
        and k.after_at = a.after_at
        and k.terminal is not distinct from a.terminal
        and k.lane is not distinct from a.lane
),
-- the days around it first; the rest of the log is asked only about those without a load there
asked_days as (
    select a.*, cast(after_at - interval '1' day as date) as day from known a where next_load_at is null
    union all
    select a.*, cast(after_at as date) as day from known a where next_load_at is null
    union all
    select a.*, cast(after_at + interval '1' day as date) as day from known a where next_load_at is null
    union all
    select a.*, cast(after_at + interval '2' day as date) as day from known a where next_load_at is null
    union all
    select a.*, cast(after_at + interval '3' day as date) as day from known a where next_load_at is null
),
-- by the column that a row fills, so that only blocks of these days are read
near as (
    select a.trailer_id, a.after_at, a.refusal_no, a.terminal, a.lane, d.terminal as at_terminal, d.lane as at_lane, d.loaded_from
    from asked_days a
    join staging.loads d on d.trailer_id = a.trailer_id and d.loaded_on = a.day
    where d.timed = 0
        and d.loaded_until > a.after_at
        and d.loads > 0
    union all
    select a.trailer_id, a.after_at, a.refusal_no, a.terminal, a.lane, d.terminal, d.lane, d.loaded_from
    from asked_days a
    join staging.loads d on d.trailer_id = a.trailer_id and cast(d.loaded_from as date) = a.day
    where d.timed = 1
        and d.loaded_until > a.after_at
        and d.loads > 0
),
far as (
    select a.trailer_id, a.after_at, a.refusal_no, a.terminal, a.lane, d.terminal as at_terminal, d.lane as at_lane, d.loaded_from
    from known a
    join staging.loads d on d.trailer_id = a.trailer_id and d.loaded_until > a.after_at and d.loads > 0
    left join (select distinct trailer_id, after_at from near) n
        on n.trailer_id = a.trailer_id and n.after_at = a.after_at
    where a.next_load_at is null
        and n.trailer_id is null
),
firsts as (
    select
        trailer_id,
        after_at,
        refusal_no,
        terminal,
        lane,
        min(case when at_terminal <> terminal or at_lane <> lane then null else loaded_from end) as here_from,
        min(case when at_terminal <> terminal or at_lane <> lane then loaded_from end) as other_from
    from (select * from near union all select * from far) l
    group by trailer_id, after_at, refusal_no, terminal, lane
)
select
    trailer_id,
    after_at,
    refusal_no,
    terminal,
    lane,
    case when here_from <= other_from or other_from is null then here_from else other_from end as next_load_at,
    coalesce(other_from < here_from, other_from is not null and here_from is null) as at_other_lane
from firsts
union all
select trailer_id, after_at, refusal_no, terminal, lane, next_load_at, at_other_lane
from known
where next_load_at is not null
