-- One row an equipment refusal, with its place among those of its trailer (refusal_no, from 1) and the run that it
-- belongs to: the first cut of the episodes. A run is broken by a pause of more than $episode_gap_h hours or by a visit
-- that returned in between.
with ordered as (
    select
        refusal_id,
        trailer_id,
        refused_at,
        row_number() over (partition by trailer_id order by refused_at, refusal_id) as refusal_no,
        lag(refused_at) over (partition by trailer_id order by refused_at, refusal_id) as previous_at
    from staging.refusals
    where equipment
),
returned as (
    select distinct o.refusal_id
    from ordered o
    join core.visits v
        on v.trailer_id = o.trailer_id
        and v.returned_at > o.previous_at
        and v.returned_earliest <= o.refused_at
    where o.previous_at < o.refused_at
        and o.refused_at <= o.previous_at + interval '$episode_gap_h' hour
),
broken as (
    select
        o.refusal_id,
        o.trailer_id,
        o.refused_at,
        o.refusal_no,
        case
            when o.previous_at is null then 'first'
            when o.refused_at > o.previous_at + interval '$episode_gap_h' hour then 'pause'
            when r.refusal_id is not null then 'returned'
        end as broken_by
    from ordered o
    left join returned r on r.refusal_id = o.refusal_id
)
select
    b.*,
    last_value(case when broken_by is not null then refusal_id end ignore nulls) over (
        partition by trailer_id order by refused_at, refusal_id
        rows between unbounded preceding and current row
    ) as run_id,
    last_value(case when broken_by is not null then refused_at end ignore nulls) over (
        partition by trailer_id order by refused_at, refusal_id
        rows between unbounded preceding and current row
    ) as run_began_at
from broken b
