-- One row a label with the episode that it ends up in: labels at most $match_days days apart with no load and no
-- repair in between are one episode, and so are labels that overlap in time. A visit of the later label itself is
-- not in between; a repair without a refusal begins, as far as is known, between began_at and began_by.
with labels as (
    select
        trailer_id,
        label,
        coalesce(min(refused_at), min(part_at)) as began_at,
        coalesce(min(refused_at), min(part_until)) as began_by,
        coalesce(max(refused_at), min(part_at)) as last_at,
        case when max(refused_at) is null then 1 else 0 end as repair_only
    from steps.labelled
    group by trailer_id, label
),
spaced as (
    select
        l.*,
        max(last_at) over (
            partition by trailer_id order by began_at, repair_only, label
            rows between unbounded preceding and 1 preceding
        ) as before_last_at
    from labels l
),
near as (
    select *
    from spaced
    where began_at <= before_last_at + interval '$match_days' day
        and began_by >= before_last_at
),
visited as (
    select distinct s.label
    from near s
    join core.visits v
        on v.trailer_id = s.trailer_id
        and v.received_at <= s.began_by
        and (v.returned_at > s.before_last_at or v.received_latest >= s.before_last_at)
    left join steps.labelled p on p.part = 'visit' and p.part_id = v.repair_id
    where p.label is null or p.label <> s.label
),
days as (
    select distinct cast(loaded_from as date) as day from staging.loads
),
-- the days between them first, so that the log is asked for these days of these trailers only; distinct keeps the
-- engine from joining the whole log by trailer first
between_days as (
    select distinct s.trailer_id, s.label, s.before_last_at, s.began_by, y.day
    from near s
    join days y on y.day >= cast(s.before_last_at - interval '1' day as date) and y.day <= cast(s.began_by as date)
    where s.before_last_at < s.began_by
),
loaded as (
    select distinct b.label
    from between_days b
    join staging.loads d on d.trailer_id = b.trailer_id and cast(d.loaded_from as date) = b.day
    where d.loads > 0
        and d.loaded_until > b.before_last_at
        and d.loaded_from < b.began_by
),
parted as (
    select
        s.*,
        case
            when before_last_at is null or began_at > before_last_at + interval '$match_days' day then 1
            when began_by < before_last_at then 0
            when s.label in (select label from visited) then 1
            when s.label in (select label from loaded) then 1
            else 0
        end as starts
    from spaced s
),
numbered as (
    select
        p.*,
        sum(starts) over (
            partition by trailer_id order by began_at, repair_only, label
            rows between unbounded preceding and current row
        ) as episode_no
    from parted p
)
select
    trailer_id,
    label,
    starts,
    first_value(label) over (
        partition by trailer_id, episode_no order by began_at, repair_only, label
        rows between unbounded preceding and unbounded following
    ) as episode_label
from numbered
