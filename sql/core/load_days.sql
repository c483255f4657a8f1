-- Completed loads by trailer and day: the exposure that every rate divides by.
select trailer_id, loaded_on, cast(sum(loads) as bigint) as loads
from staging.loads
where $days
group by trailer_id, loaded_on
