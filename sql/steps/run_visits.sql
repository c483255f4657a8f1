-- One row a visit that belongs to an episode: the refusal whose episode it is (null = a repair without a
-- refusal, its own episode) with its time and its run, and the rule that says so.
-- A visit that names an equipment refusal is its repair. The others of kind non_permit take, in the order in
-- which they were received, the latest run without a repair that began within $match_days days before. That is
-- the matching of brackets: each run opens one, each visit closes the last one open; the depth of nesting pairs
-- them. A run too old for one visit is too old for all later ones, so closing it does no harm.
with named as (
    select v.repair_id, r.trailer_id, r.refusal_id, r.refused_at, r.run_id
    from core.visits v
    join steps.runs r on r.refusal_id = v.refusal_id and r.trailer_id = v.trailer_id
),
events as (
    select
        trailer_id,
        run_began_at - interval '$clock_allowance_h' hour as acts_at,
        0 as closes,
        refusal_id as id,
        run_began_at
    from steps.runs
    where refusal_id = run_id
        and run_id not in (select run_id from named)
    union all
    select trailer_id, received_latest, 1, repair_id, received_at
    from core.visits
    where visit_kind = 'non_permit'
        and repair_id not in (select repair_id from named)
),
stepped as (
    select
        e.*,
        row_number() over (partition by trailer_id order by acts_at, closes, run_began_at, id) as step,
        sum(case when closes = 1 then -1 else 1 end) over (
            partition by trailer_id order by acts_at, closes, run_began_at, id
            rows between unbounded preceding and current row
        ) as open_now,
        max(case when closes = 1 then run_began_at end) over (
            partition by trailer_id order by acts_at, closes, run_began_at, id
            rows between unbounded preceding and current row
        ) - interval '$match_days' day as too_old_before
    from events e
),
floored as (
    select
        s.*,
        min(open_now) over (
            partition by trailer_id order by step rows between unbounded preceding and current row
        ) as lowest
    from stepped s
),
nested as (
    select f.*, open_now - case when lowest < 0 then lowest else 0 end + closes as depth
    from floored f
),
paired as (
    select
        n.*,
        lag(closes) over (partition by trailer_id, depth order by step) as before_closes,
        lag(id) over (partition by trailer_id, depth order by step) as before_id,
        lag(run_began_at) over (partition by trailer_id, depth order by step) as before_began_at
    from nested n
),
matched as (
    select p.*, before_closes = 0 and before_began_at >= too_old_before as open_run
    from paired p
    where closes = 1
)
select repair_id, trailer_id, refusal_id, refused_at, run_id, 'names_refusal' as matched_by
from named
union all
select
    id,
    trailer_id,
    case when open_run then before_id end,
    case when open_run then before_began_at end,
    case when open_run then before_id end,
    case when open_run then 'latest_open_run' else 'no_refusal' end
from matched
