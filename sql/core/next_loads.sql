-- One row an episode without a repair: the first load after its last refusal, and whether it was at another lane.
-- A load with a day only counts as after a refusal of that day. Among several, one at the refusing lane tells.
with last_refusals as (
    select
        g.episode_label,
        r.*,
        row_number() over (
            partition by g.trailer_id, g.episode_label order by r.refused_at desc, r.refusal_id desc
        ) as rank
    from core.episode_groups g
    join core.labelled p on p.label = g.label and p.part = 'refusal'
    join core.runs r on r.refusal_id = p.part_id
    where not exists (
        select 1
        from core.labelled v
        join core.episode_groups h on h.label = v.label
        where v.part = 'visit' and h.episode_label = g.episode_label
    )
),
asked as (
    select * from last_refusals where rank = 1
),
days as (
    select distinct cast(loaded_from as date) as day from staging.loads
),
-- the loads of the three days that follow; the rest of the log is asked only about those that have none there. distinct keeps
-- the engine from joining the whole log by trailer first
near_days as (
    select distinct e.episode_label, e.trailer_id, e.refused_at, y.day
    from asked e
    join days y
        on y.day >= cast(e.refused_at - interval '1' day as date)
        and y.day <= cast(e.refused_at + interval '3' day as date)
),
near_firsts as (
    select n.episode_label, min(d.loaded_from) as loaded_from
    from near_days n
    join staging.loads d on d.trailer_id = n.trailer_id and cast(d.loaded_from as date) = n.day
    where d.loaded_until > n.refused_at
        and d.loads > 0
    group by n.episode_label
),
unanswered as (
    select e.episode_label, e.trailer_id, e.refused_at
    from asked e
    left join near_firsts n on n.episode_label = e.episode_label
    where n.episode_label is null
),
firsts as (
    select episode_label, loaded_from
    from near_firsts
    union all
    select u.episode_label, min(d.loaded_from)
    from unanswered u
    join staging.loads d on d.trailer_id = u.trailer_id and d.loaded_until > u.refused_at and d.loads > 0
    group by u.episode_label
)
select
    e.episode_label,
    e.refusal_id as last_refusal_id,
    e.released_by,
    f.loaded_from as next_load_at,
    min(case when d.terminal <> e.terminal or d.lane <> e.lane then 1 else 0 end) = 1 as at_other_lane
from asked e
left join firsts f on f.episode_label = e.episode_label
left join staging.loads d
    on d.trailer_id = e.trailer_id
    and d.loaded_from = f.loaded_from
    and d.loaded_until > e.refused_at
    and d.loads > 0
group by e.episode_label, e.refusal_id, e.released_by, f.loaded_from
