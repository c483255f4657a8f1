select
    trailer_id,
    terminal,
    lane,
    cast(date_trunc('month', loaded_on) as date) as month,
    cast(sum(loads) as bigint) as loads
from staging.loads
where $days
group by trailer_id, terminal, lane, cast(date_trunc('month', loaded_on) as date)
