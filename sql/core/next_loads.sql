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
firsts as (
    select e.episode_label, min(d.loaded_from) as loaded_from
    from last_refusals e
    join staging.loads d on d.trailer_id = e.trailer_id and d.loaded_until > e.refused_at and d.loads > 0
    where e.rank = 1
    group by e.episode_label
)
select
    e.episode_label,
    e.refusal_id as last_refusal_id,
    e.released_by,
    f.loaded_from as next_load_at,
    min(case when d.terminal <> e.terminal or d.lane <> e.lane then 1 else 0 end) = 1 as at_other_lane
from last_refusals e
left join firsts f on f.episode_label = e.episode_label
left join staging.loads d
    on d.trailer_id = e.trailer_id
    and d.loaded_from = f.loaded_from
    and d.loaded_until > e.refused_at
    and d.loads > 0
where e.rank = 1
group by e.episode_label, e.refusal_id, e.released_by, f.loaded_from
