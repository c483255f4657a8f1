-- One row a label with the episode that it ends up in, which is named after its first label.
with loaded as (
    select distinct l.label
    from steps.labels l
    join steps.next_loads n on n.trailer_id = l.trailer_id and n.after_at = l.before_last_at
    where l.parted_by = 'log'
        and n.next_load_at < l.began_by
),
parted as (
    select
        l.trailer_id,
        l.label,
        l.began_at,
        l.repair_only,
        case when l.parted_by in ('time', 'visit') or d.label is not null then 1 else 0 end as starts
    from steps.labels l
    left join loaded d on d.label = l.label
)
select
    trailer_id,
    label,
    starts,
    last_value(case when starts = 1 then label end ignore nulls) over (
        partition by trailer_id order by began_at, repair_only, label
        rows between unbounded preceding and current row
    ) as episode_label
from parted
