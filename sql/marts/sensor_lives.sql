-- A life runs from when a sensor came into a position to when it was taken out, cut where the trailer changes hands.
-- Sensors replaced count from the day on which the trailer's repairs are on record: records_from, else the first
-- repair of the store, never before its service.
with places as (
    select cast(position as integer) as position
    from (values (1), (2), (3), (4), (5), (6), (7), (8), (9), (10), (11), (12)) as p (position)
),
firsts as (
    select trailer_id, min(service_from) as first_from from staging.trailers group by trailer_id
),
spells as (
    -- chained_from: since when the trailer has been in service, and its repairs on record, without a gap
    select
        t.trailer_id,
        t.service_from,
        t.service_until,
        t.fleet,
        t.system,
        t.sensor_kind,
        t.positions,
        t.home_shop,
        f.first_from,
        case
            when coalesce(t.records_from, cast(c.first_on as timestamp)) > t.service_from
                then coalesce(t.records_from, cast(c.first_on as timestamp))
            when coalesce(t.records_from, cast(c.first_on as timestamp)) <= t.service_from then t.service_from
        end as recorded_from,
        t.records_from <= f.first_from as recorded_from_new,
        max(case when p.trailer_id is null then t.service_from end)
            over (partition by t.trailer_id order by t.service_from) as chained_from
    from staging.trailers t
    join firsts f on f.trailer_id = t.trailer_id
    left join staging.trailers p
        on p.trailer_id = t.trailer_id
        and p.service_until = t.service_from
        and (t.records_from is null or t.records_from <= t.service_from)
    left join marts.coverage c on c.source = 'repairs'
),
replacements as (
    -- one row a visit and position (null: not recorded); where the position is missing, serials may tell it
    select
        r.trailer_id,
        r.repair_id,
        coalesce(
            r.found_position,
            case when s.positions = 1 then 1 end,
            before.found_position,
            later.found_position
        ) as position,
        min(r.visit_kind) as visit_kind,
        min(r.received_at) as received_at,
        min(coalesce(r.returned_at, r.received_latest)) as fitted_at,
        max(case when r.cause = 'sensor_failed' then 2 when r.cause is null and r.visit_kind = 'non_permit' then 1 else 0 end)
            as failed_code,
        min(r.part_lot) as part_lot,
        min(r.method) as method,
        min(s.positions) as positions,
        min(s.chained_from) as chained_from
    from staging.repairs r
    join spells s
        on s.trailer_id = r.trailer_id
        and s.service_from <= r.received_latest
        and (s.service_until is null or r.received_at < s.service_until)
        and r.received_at >= s.recorded_from
    left join (
        select trailer_id, sensor_in as serial, min(found_position) as found_position
        from staging.repairs where sensor_in is not null group by trailer_id, sensor_in
    ) before on before.trailer_id = r.trailer_id and before.serial = r.sensor_out
    left join (
        select trailer_id, sensor_out as serial, min(found_position) as found_position
        from staging.repairs where sensor_out is not null group by trailer_id, sensor_out
    ) later on later.trailer_id = r.trailer_id and later.serial = r.sensor_in
    where r.action = 'sensor_replaced'
        or r.sensor_in is not null
        or (r.cause = 'sensor_failed' and r.action is null)
    group by
        r.trailer_id,
        r.repair_id,
        coalesce(
            r.found_position,
            case when s.positions = 1 then 1 end,
            before.found_position,
            later.found_position
        )
),
dated as (
    -- a sensor that failed did so when its episode began
    select
        r.*,
        case
            when r.failed_code > 0 and e.started_at < r.received_at then e.started_at
            else r.received_at
        end as ended_at
    from replacements r
    left join marts.episode_parts p on p.part = 'visit' and p.part_id = r.repair_id
    left join marts.episodes e on e.episode_id = p.episode_id
),
happened as (
    -- at each position in order: the first sensor (order 0), sensors put in, and those lost sight of
    select
        s.trailer_id,
        n.position,
        cast(null as varchar) as repair_id,
        s.service_from as received_at,
        s.first_from as fitted_at,
        cast(null as timestamp) as ended_at,
        true as fits,
        coalesce(s.recorded_from_new, false) as birth_known,
        s.recorded_from as observed_from,
        s.chained_from,
        cast(null as varchar) as part_lot,
        cast(null as varchar) as method,
        0 as failed_code,
        1 as among
    from spells s
    join places n on n.position <= s.positions
    where s.service_from = s.first_from
    union all
    select
        d.trailer_id,
        n.position,
        d.repair_id,
        d.received_at,
        d.fitted_at,
        d.ended_at,
        d.position is not null,
        true,
        d.fitted_at,
        d.chained_from,
        d.part_lot,
        d.method,
        d.failed_code,
        case when d.position is null then d.positions else 1 end
    from dated d
    join places n on n.position = d.position or (d.position is null and n.position <= d.positions)
    left join dated k on d.position is null and k.repair_id = d.repair_id and k.position = n.position
    where k.repair_id is null
),
ordered as (
    select
        h.*,
        row_number() over (
            partition by h.trailer_id, h.position
            order by h.received_at, case when h.repair_id is null then 0 else 1 end, h.repair_id
        ) as rank
    from happened h
),
lives as (
    -- taken_out_at: null where that did not come within this time in service
    select
        f.*,
        n.repair_id as next_repair_id,
        n.failed_code as next_failed_code,
        n.among as next_among,
        case when n.ended_at > f.observed_from then n.ended_at when n.rank is not null then f.observed_from end as taken_out_at
    from ordered f
    left join ordered n
        on n.trailer_id = f.trailer_id
        and n.position = f.position
        and n.rank = f.rank + 1
        and n.chained_from = f.chained_from
    where f.fits and f.observed_from is not null
)
select
    v.trailer_id,
    v.position,
    v.repair_id as fitted_by,
    v.fitted_at,
    v.birth_known,
    v.observed_from,
    greatest(v.observed_from, s.service_from) as entered_at,
    case
        when v.taken_out_at is not null and (s.service_until is null or v.taken_out_at < s.service_until) then v.taken_out_at
        else s.service_until
    end as ended_at,
    case
        when v.taken_out_at is not null and (s.service_until is null or v.taken_out_at < s.service_until)
            then
                case v.next_failed_code when 2 then 'failed' when 1 then 'cause_missing' else 'replaced' end
        when s.service_until is not null then 'left'
    end as ending,
    case
        when v.taken_out_at is not null and (s.service_until is null or v.taken_out_at < s.service_until) then v.next_among
    end as one_of,
    case
        when v.taken_out_at is not null and (s.service_until is null or v.taken_out_at < s.service_until) then v.next_repair_id
    end as taken_out_by,
    v.part_lot,
    v.method,
    s.service_from,
    s.fleet,
    s.system,
    s.sensor_kind,
    s.positions,
    s.home_shop
from lives v
join spells s
    on s.trailer_id = v.trailer_id
    and s.chained_from = v.chained_from
    and s.positions >= v.position
    and (s.service_until is null or s.service_until > v.observed_from)
    and (v.taken_out_at is null or s.service_from < v.taken_out_at or s.service_from <= v.observed_from)
