-- One row a shop visit: its times, its money, and the finding that stands for it.
-- The finding is the first that names a cause other than none_found; without one, the first.
with ranked as (
    select
        r.*,
        row_number() over (
            partition by repair_id
            order by case when cause is null then 1 when cause = 'none_found' then 2 else 0 end, finding_no
        ) as rank
    from staging.repairs r
),
money as (
    select
        repair_id,
        count(*) as findings,
        sum(labour_min) as labour_min,
        sum(labour_cost) as labour_cost,
        sum(parts_cost) as parts_cost,
        max(invoice_total) as invoice_total,
        min(received_at) as received_at,
        max(received_latest) as received_latest,
        min(returned_earliest) as returned_earliest,
        max(returned_at) as returned_at
    from staging.repairs
    group by repair_id
)
select
    v.repair_id,
    v.trailer_id,
    v.refusal_id,
    v.shop,
    v.visit_kind,
    m.received_at,
    m.received_latest,
    m.returned_earliest,
    m.returned_at,
    v.indicated_position,
    v.indication,
    case when v.cause = 'none_found' or v.found_place = 'none_found' then null else v.found_position end as position,
    v.found_place as place,
    v.cause,
    v.action,
    v.method,
    v.part_lot,
    v.permit_restored,
    m.findings,
    m.labour_min,
    coalesce(m.invoice_total, m.labour_cost + m.parts_cost, m.labour_cost, m.parts_cost) as cost
from ranked v
join money m on m.repair_id = v.repair_id
where v.rank = 1
