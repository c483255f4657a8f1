-- One row a change made to a trailer.
select trailer_id, "change", applied_on
from current.changes
