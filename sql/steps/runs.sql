-- One row an equipment refusal, with the run that it belongs to: the first cut of the episodes.
-- A run is broken by a pause of more than $episode_gap_h hours or by a visit that returned in between.
with ordered as (
    select
        r.*,
        lag(refused_at) over (partition by trailer_id order by refused_at, refusal_id) as previous_at
    from staging.refusals r
    where equipment
),
broken as (
    select
        o.*,
        case
            when previous_at is null then 'first'
            when refused_at > previous_at + interval '$episode_gap_h' hour then 'pause'
            when exists (
                select 1
                from core.visits v
                where v.trailer_id = o.trailer_id
                    and o.previous_at < o.refused_at
                    and v.returned_at > o.previous_at
                    and v.returned_earliest <= o.refused_at
            ) then 'returned'
        end as broken_by
    from ordered o
),
numbered as (
    select
        b.*,
        sum(case when broken_by is null then 0 else 1 end) over (
            partition by trailer_id order by refused_at, refusal_id
            rows between unbounded preceding and current row
        ) as run_no
    from broken b
)
select
    n.*,
    first_value(refusal_id) over (
        partition by trailer_id, run_no order by refused_at, refusal_id
        rows between unbounded preceding and unbounded following
    ) as run_id,
    min(refused_at) over (partition by trailer_id, run_no) as run_began_at
from numbered n
