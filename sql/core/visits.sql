-- One row a shop visit: its times, its money, and the finding that stands for it.
-- The finding is the first that names a cause other than none_found; without one, the first whose cause is not
-- recorded; else the first. A finding of which only the place or only the cause says none_found found nothing.
-- Which refusal it answers and whether permit was restored is of the visit, on whichever row it stands.
with findings as (
    select
        r.*,
        coalesce(found_place, case when cause = 'none_found' then 'none_found' end) as place,
        coalesce(cause, case when found_place = 'none_found' then 'none_found' end) as told_cause
    from staging.repairs r
),
whole as (
    select
        repair_id,
        count(*) as findings,
        coalesce(
            min(case when told_cause <> 'none_found' then finding_no end),
            min(case when told_cause is null then finding_no end),
            min(finding_no)
        ) as finding_no,
        min(refusal_id) as refusal_id,
        max(case when permit_restored then 1 when not permit_restored then 0 end) = 1 as permit_restored,
        sum(labour_min) as labour_min,
        sum(labour_cost) as labour_cost,
        sum(parts_cost) as parts_cost,
        max(invoice_total) as invoice_total,
        min(received_at) as received_at,
        max(received_latest) as received_latest,
        min(returned_earliest) as returned_earliest,
        max(returned_at) as returned_at
    from findings
    group by repair_id
)
select
    v.repair_id,
    v.trailer_id,
    coalesce(v.refusal_id, w.refusal_id) as refusal_id,
    v.shop,
    v.visit_kind,
    w.received_at,
    w.received_latest,
    w.returned_earliest,
    w.returned_at,
    v.indicated_position,
    v.indication,
    case when v.told_cause = 'none_found' or v.place = 'none_found' then null else v.found_position end as position,
    v.place,
    v.told_cause as cause,
    v.action,
    v.method,
    v.part_lot,
    coalesce(v.permit_restored, w.permit_restored) as permit_restored,
    w.findings,
    w.labour_min,
    coalesce(w.invoice_total, w.labour_cost + w.parts_cost, w.labour_cost, w.parts_cost) as cost
from whole w
join findings v on v.repair_id = w.repair_id and v.finding_no = w.finding_no
