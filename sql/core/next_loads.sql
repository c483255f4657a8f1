-- One row an episode without a repair: the first load after its last refusal, and whether it was at another lane.
-- A load with a day only counts as after a refusal of that day. Among several, one at the refusing lane tells.
with last_refusals as (
    select
        g.episode_label,
        r.*,
        row_number() over (
            partition by g.trailer_id, g.episode_label order by r.refused_at desc, r.refusal_id desc
        ) as rank
    from steps.episode_groups g
    join steps.labelled p on p.label = g.label and p.part = 'refusal'
    join steps.runs r on r.refusal_id = p.part_id
    where not exists (
        select 1
        from steps.labelled v
        join steps.episode_groups h on h.label = v.label
        where v.part = 'visit' and h.episode_label = g.episode_label
    )
),
asked as (
    select * from last_refusals where rank = 1
),
-- the days around it first; the rest of the log is asked only about those without a load there
near_days as (
    select episode_label, trailer_id, refused_at, terminal, lane, cast(refused_at - interval '1' day as date) as day from asked
    union all
    select episode_label, trailer_id, refused_at, terminal, lane, cast(refused_at as date) as day from asked
    union all
    select episode_label, trailer_id, refused_at, terminal, lane, cast(refused_at + interval '1' day as date) as day from asked
    union all
    select episode_label, trailer_id, refused_at, terminal, lane, cast(refused_at + interval '2' day as date) as day from asked
    union all
    select episode_label, trailer_id, refused_at, terminal, lane, cast(refused_at + interval '3' day as date) as day from asked
),
near_loads as (
    select
        n.episode_label,
        min(case when d.terminal <> n.terminal or d.lane <> n.lane then null else d.loaded_from end) as here_from,
        min(case when d.terminal <> n.terminal or d.lane <> n.lane then d.loaded_from end) as other_from
    from near_days n
    join staging.loads d on d.trailer_id = n.trailer_id and cast(d.loaded_from as date) = n.day
    where d.loaded_until > n.refused_at
        and d.loads > 0
    group by n.episode_label
),
unanswered as (
    select e.episode_label, e.trailer_id, e.refused_at, e.terminal, e.lane
    from asked e
    left join near_loads n on n.episode_label = e.episode_label
    where n.episode_label is null
),
followed as (
    select episode_label, here_from, other_from
    from near_loads
    union all
    select
        u.episode_label,
        min(case when d.terminal <> u.terminal or d.lane <> u.lane then null else d.loaded_from end),
        min(case when d.terminal <> u.terminal or d.lane <> u.lane then d.loaded_from end)
    from unanswered u
    join staging.loads d on d.trailer_id = u.trailer_id and d.loaded_until > u.refused_at and d.loads > 0
    group by u.episode_label
)
select
    e.episode_label,
    e.refusal_id as last_refusal_id,
    e.released_by,
    case when f.here_from <= f.other_from or f.other_from is null then f.here_from else f.other_from end as next_load_at,
    coalesce(f.other_from < f.here_from, f.other_from is not null and f.here_from is null) as at_other_lane
from asked e
left join followed f on f.episode_label = e.episode_label
