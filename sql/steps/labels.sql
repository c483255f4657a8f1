-- One row a label: when it began and ended, and what parts it from the labels of its trailer before it. Labels at most
-- $match_days days apart with no load and no repair in between are one episode, and so are labels that overlap in time:
-- 'nothing' parts those; 'time' (or that none is before), a 'visit', or what the exposure log must tell: 'log'.
-- A visit of the later label itself is not in between; a repair without a refusal begins, as far as is known, between
-- began_at and began_by. last_no is the place of its last refusal.
with spans as (
    select
        trailer_id,
        label,
        coalesce(min(refused_at), min(part_at)) as began_at,
        coalesce(min(refused_at), min(part_until)) as began_by,
        coalesce(max(refused_at), min(part_at)) as last_at,
        case when max(refused_at) is null then 1 else 0 end as repair_only,
        max(case when part = 'refusal' then part_no end) as last_no,
        max(case when part = 'visit' then 1 else 0 end) as visited
    from steps.labelled
    group by trailer_id, label
),
spaced as (
    select
        s.*,
        max(last_at) over (
            partition by trailer_id order by began_at, repair_only, label
            rows between unbounded preceding and 1 preceding
        ) as before_last_at
    from spans s
),
visited as (
    select distinct s.label
    from spaced s
    join core.visits v
        on v.trailer_id = s.trailer_id
        and v.received_at <= s.began_by
        and (v.returned_at > s.before_last_at or v.received_latest >= s.before_last_at)
    left join steps.labelled p on p.part = 'visit' and p.part_id = v.repair_id
    where s.began_at <= s.before_last_at + interval '$match_days' day
        and s.began_by >= s.before_last_at
        and (p.label is null or p.label <> s.label)
)
select
    s.*,
    case
        when s.before_last_at is null or s.began_at > s.before_last_at + interval '$match_days' day then 'time'
        when s.began_by < s.before_last_at then 'nothing'
        when v.label is not null then 'visit'
        when s.began_by = s.before_last_at then 'nothing'
        else 'log'
    end as parted_by
from spaced s
left join visited v on v.label = s.label
