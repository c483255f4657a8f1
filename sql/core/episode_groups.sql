-- One row a label with the episode that it ends up in: labels at most $match_days days apart with no load and no
-- repair in between are one episode. Only refusals are joined to what was before; a visit never is.
with labels as (
    select
        trailer_id,
        label,
        coalesce(min(refused_at), min(part_at)) as began_at,
        coalesce(max(refused_at), min(part_at)) as last_at,
        max(case when part = 'refusal' then 1 else 0 end) as refused
    from core.labelled
    group by trailer_id, label
),
spaced as (
    select
        l.*,
        max(last_at) over (
            partition by trailer_id order by began_at, label rows between unbounded preceding and 1 preceding
        ) as before_last_at
    from labels l
),
parted as (
    select
        s.*,
        case
            when before_last_at is null
                or refused = 0
                or began_at > before_last_at + interval '$match_days' day
                or exists (
                    select 1
                    from core.visits v
                    left join core.labelled p on p.part = 'visit' and p.part_id = v.repair_id
                    where v.trailer_id = s.trailer_id
                        and v.received_at <= s.began_at
                        and coalesce(v.returned_at, v.received_latest) >= s.before_last_at
                        and (p.label is null or p.label <> s.label)
                )
                or exists (
                    select 1
                    from staging.loads d
                    where d.trailer_id = s.trailer_id
                        and d.loaded_until > s.before_last_at
                        and d.loaded_from < s.began_at
                ) then 1
            else 0
        end as starts
    from spaced s
),
numbered as (
    select
        p.*,
        sum(starts) over (
            partition by trailer_id order by began_at, label rows between unbounded preceding and current row
        ) as episode_no
    from parted p
)
select
    trailer_id,
    label,
    starts,
    first_value(label) over (
        partition by trailer_id, episode_no order by began_at, label
        rows between unbounded preceding and unbounded following
    ) as episode_label
from numbered
