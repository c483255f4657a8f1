-- One row an accepted row of the exposure log. A row with a day only may have been loaded at any moment of it.
-- Those that fill the day, then those with a time only: so of a window only the blocks of its days are read.
select
    trailer_id,
    terminal,
    lane,
    loaded_on,
    coalesce(loaded_at, cast(loaded_on as timestamp)) as loaded_from,
    coalesce(loaded_at_until, cast(loaded_on as timestamp) + interval '1' day) as loaded_until,
    case when loaded_at is null then 0 else 1 end as timed,
    loads
from current.loads
where loaded_on is not null
union all
select
    trailer_id,
    terminal,
    lane,
    cast(loaded_at as date),
    loaded_at,
    loaded_at_until,
    1,
    loads
from current.loads
where loaded_on is null
