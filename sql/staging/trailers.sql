-- One row a spell of a trailer with a fleet, with its service as UTC times.
select
    trailer_id,
    fleet,
    system,
    sensor_kind,
    positions,
    cast(in_service_on as timestamp) as service_from,
    cast(out_of_service_on as timestamp) as service_until,
    supply_entry,
    numbering,
    home_shop,
    cast(records_from as timestamp) as records_from
from current.trailers
