-- One row a refusal. `equipment` tells the reasons that can make an episode from those that never do.
select
    refusal_id,
    trailer_id,
    refused_at,
    terminal,
    lane,
    reason,
    reason in ('overfill', 'ground', 'unknown', 'rack_controller') as equipment,
    stage,
    indicated_position,
    released_at,
    released_by,
    delay_min
from current.refusals
