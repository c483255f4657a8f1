select
    e.episode_id,
    p.part,
    p.part_id,
    p.part_at,
    case
        when p.joined_by in ('pause', 'returned', 'no_refusal') and g.starts = 0 then 'no_load_no_repair_between'
        when p.part = 'refusal' and p.joined_by in ('pause', 'returned', 'first') then 'starts_episode'
        else p.joined_by
    end as joined_by,
    case when p.part = 'visit' then p.part_id = e.repair_id end as gives_finding
from steps.labelled p
join steps.episode_groups g on g.label = p.label
join marts.episodes e on e.episode_label = g.episode_label
