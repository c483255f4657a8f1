select
    e.episode_id,
    e.trailer_id,
    e.started_at,
    e.terminal,
    e.lane,
    e.origin,
    e.outcome,
    case
        when e.cause = 'liquid_present' then 'near_miss'
        when e.place = 'rack' or e.cause = 'rack_equipment' or e.rack_controller_only then 'rack'
        else 'fault'
    end as counts_as,
    case when e.outcome = 'open' then e.started_at + interval '$match_days' day end as open_until,
    e.repair_id,
    e.shop,
    e.position,
    e.place,
    e.cause,
    e.action,
    e.delay_min,
    e.cost,
    e.visits,
    e.visits_priced,
    e.last_returned_at,
    t.service_from,
    t.fleet,
    t.system,
    t.positions,
    t.home_shop
from marts.episodes e
left join staging.trailers t
    on t.trailer_id = e.trailer_id
    and t.service_from <= e.started_at
    and (t.service_until is null or e.started_at < t.service_until)
where e.outcome in ('repaired', 'open')
