-- One row a step of the search for a fault.
select repair_id, step, "check", position, result, minutes
from current.checks
