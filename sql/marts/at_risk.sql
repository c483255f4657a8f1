-- Service minus the union of the visits. A visit without a return lasts until the next load or refusal.
with next_seen as (
    select v.repair_id, min(s.seen_at) as seen_at
    from core.visits v
    join (
        select trailer_id, loaded_until as latest, loaded_from as seen_at from staging.loads where loads > 0
        union all
        select trailer_id, refused_at, refused_at from staging.refusals
    ) s on s.trailer_id = v.trailer_id and s.latest > v.received_latest
    where v.returned_at is null
    group by v.repair_id
),
stays as (
    select
        v.trailer_id,
        v.repair_id,
        v.received_at as began_at,
        coalesce(
            v.returned_at,
            case when n.seen_at < v.received_at then v.received_at else n.seen_at end,
            timestamp '9999-12-31 00:00:00'
        ) as ended_at
    from core.visits v
    left join next_seen n on n.repair_id = v.repair_id
),
reached as (
    select
        s.*,
        max(ended_at) over (
            partition by trailer_id order by began_at, repair_id rows between unbounded preceding and 1 preceding
        ) as reached_at
    from stays s
),
spells as (
    select
        trailer_id,
        service_from,
        coalesce(service_until, timestamp '9999-12-31 00:00:00') as service_until,
        fleet,
        system,
        positions,
        home_shop
    from staging.trailers
),
pieces as (
    -- before each stay, back to where the stays before it reached
    select
        p.trailer_id,
        p.service_from,
        greatest(p.service_from, coalesce(r.reached_at, p.service_from)) as at_risk_from,
        least(r.began_at, p.service_until) as at_risk_until
    from spells p
    join reached r on r.trailer_id = p.trailer_id
    union all
    -- after the last stay
    select
        p.trailer_id,
        p.service_from,
        greatest(p.service_from, coalesce(max(s.ended_at), p.service_from)),
        p.service_until
    from spells p
    left join stays s on s.trailer_id = p.trailer_id
    group by p.trailer_id, p.service_from, p.service_until
)
select
    c.trailer_id,
    c.service_from,
    c.at_risk_from,
    c.at_risk_until,
    p.fleet,
    p.system,
    p.positions,
    p.home_shop
from pieces c
join spells p on p.trailer_id = c.trailer_id and p.service_from = c.service_from
where c.at_risk_from < c.at_risk_until
