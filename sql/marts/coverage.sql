select 'loads' as source, cast(min(loaded_on) as date) as first_on, cast(max(loaded_on) as date) as last_on, count(*) as records
from staging.loads
union all
select 'refusals', cast(min(refused_at) as date), cast(max(refused_at) as date), count(*)
from staging.refusals
union all
select 'repairs', cast(min(received_at) as date), cast(max(received_at) as date), count(*)
from staging.repairs
