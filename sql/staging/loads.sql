-- One row an accepted row of the exposure log. A row with a day only may have been loaded at any moment of it.
select
    trailer_id,
    terminal,
    lane,
    coalesce(loaded_on, cast(loaded_at as date)) as loaded_on,
    coalesce(loaded_at, cast(loaded_on as timestamp)) as loaded_from,
    coalesce(loaded_at_until, cast(loaded_on as timestamp) + interval '1' day) as loaded_until,
    case when loaded_at is null then 0 else 1 end as timed,
    loads
from current.loads
