"""What must add up within a store: rows with batches, and what questions are asked of with what was accepted.

May import `contract` and its neighbour `suites`. Text only; `run` asks. Every one of these blocks.
"""

from __future__ import annotations

from repermit.contract import TABLES, Table
from repermit.validate.suites import Whole


def accepted_booked(table: Table) -> Whole:
    """Every accepted row belongs to batches on record, and was retired after it came."""
    on_record = "select 1 from record.batches b where b.batch_id = a."
    # A row of a first log that does not stand is retired by its own batch until it is swept.
    later = "a.retired_by > a.batch_id" if table.keeps_lines else "a.retired_by >= a.batch_id"
    return Whole(
        table.name,
        "accepted_booked",
        "every accepted row came, and went, with an ingest on record",
        f"select 1 from accepted.{table.name} a where not exists ({on_record}batch_id)"
        f" or not exists ({on_record}read_in) or a.read_in > a.batch_id"
        f" or (a.retired_by is not null and (not {later} or not exists ({on_record}retired_by)))",
        f"select count(*) from accepted.{table.name}",
        blocks=True,
    )


def waiting_booked(table: Table) -> Whole:
    """Every row of the quarantine has reasons and batches on record; it left with both a batch and a way, or waits."""
    on_record = "select 1 from record.batches b where b.batch_id = w."
    return Whole(
        table.name,
        "waiting_booked",
        "every row set aside has a reason, came with an ingest on record, and left with one or waits",
        f"select 1 from waiting.{table.name} w where len(w.reasons) = 0 or not exists ({on_record}read_in)"
        f" or not exists ({on_record}since) or (w.left_by is null) <> (w.left_as is null)"
        f" or (w.left_by is not null and not exists ({on_record}left_by))",
        f"select count(*) from waiting.{table.name}",
        blocks=True,
    )


def _agree(table: str, name: str, text: str, ours: str, theirs: str, columns: str, total: str) -> Whole:
    """Two ways to the same sums by group: every group in which they differ breaks it."""
    query = (
        f"select {columns} from (select {columns}, {total} as n from {ours} group by {columns}) o"
        f" full join (select {columns}, {total} as m from {theirs} group by {columns}) t using ({columns})"
        " where n is distinct from m"
    )
    return Whole(table, name, text, query, f"select count(*) from {ours}", blocks=True)


# Straight from what was accepted, so that a relation in between that went wrong is seen.
_LOADS = (
    "(select trailer_id, coalesce(terminal, '') as terminal, cast(date_trunc('month', coalesce(loaded_on, loaded_at)) as date) as month,"
    " coalesce(loads, 0) as loads from accepted.loads where retired_by is null and not coalesce(withdrawn, false))"
)
_REFUSALS = "(select * from accepted.refusals where retired_by is null and not coalesce(withdrawn, false))"
_REPAIRS = "(select * from accepted.repairs where retired_by is null and not coalesce(withdrawn, false))"
_STANDS_FOR_ITSELF = "('vehicle_id', 'vapour_interlock', 'paperwork')"

SUMS = (
    _agree(
        "loads",
        "loads_by_day",
        "loads by trailer and day add up to the accepted loads of every trailer and month",
        "(select trailer_id, cast(date_trunc('month', loaded_on) as date) as month, loads from core.load_days)",
        _LOADS,
        "trailer_id, month",
        "sum(loads)",
    ),
    _agree(
        "loads",
        "loads_by_lane_month",
        "loads by lane and month add up to the accepted loads of every terminal and month",
        "(select coalesce(terminal, '') as terminal, month, loads from marts.loads_by_lane_month)",
        _LOADS,
        "terminal, month",
        "sum(loads)",
    ),
    Whole(
        "refusals",
        "refusals_in_episodes",
        "every accepted refusal is in exactly one episode, or is not of the equipment and in none",
        f"""select r.refusal_id from {_REFUSALS} r left join (select part_id, count(*) as episodes
                from marts.episode_parts where part = 'refusal' group by part_id) p on p.part_id = r.refusal_id
            where coalesce(p.episodes, 0) <> case when r.reason in {_STANDS_FOR_ITSELF} then 0 else 1 end
            union all select part_id from marts.episode_parts where part = 'refusal'
                and part_id not in (select refusal_id from {_REFUSALS})""",
        f"select count(*) from {_REFUSALS}",
        blocks=True,
    ),
    Whole(
        "repairs",
        "visits_in_episodes",
        "every accepted non-permit visit is in exactly one episode, and every episode is of refusals and visits on record",
        f"""select v.repair_id from (select repair_id, min(visit_kind) as least, max(visit_kind) as most
                from {_REPAIRS} group by repair_id) v left join (select part_id, count(*) as episodes
                from marts.episode_parts where part = 'visit' group by part_id) p on p.part_id = v.repair_id
            where coalesce(p.episodes, 0) > 1
                or (coalesce(p.episodes, 0) = 0 and v.least = 'non_permit' and v.most = 'non_permit')
            union all select part_id from marts.episode_parts where part = 'visit'
                and part_id not in (select repair_id from {_REPAIRS})
            union all select episode_id from marts.episodes where episode_id not in (select episode_id from marts.episode_parts)
            union all select episode_id from marts.episode_parts where episode_id not in (select episode_id from marts.episodes)""",
        f"select count(distinct repair_id) from {_REPAIRS}",
        blocks=True,
    ),
    Whole(
        "refusals",
        "faults_from_episodes",
        "every fault is of one episode that was repaired or is open, and every such episode is counted once",
        """select coalesce(f.episode_id, e.episode_id) as episode_id from
                (select episode_id, count(*) as n, min(trailer_id) as trailer_id, min(started_at) as started_at
                    from marts.faults group by episode_id) f
                full join (select * from marts.episodes where outcome in ('repaired', 'open')) e
                on e.episode_id = f.episode_id
            where f.n is distinct from 1 or e.episode_id is null or e.trailer_id <> f.trailer_id
                or e.started_at <> f.started_at""",
        "select count(*) from marts.faults",
        blocks=True,
    ),
    Whole(
        "trailers",
        "days_at_risk",
        "days at risk and days in the shop make up the days in service, and no day counts twice",
        """with spells as (
                select trailer_id, cast(in_service_on as timestamp) as began,
                    coalesce(cast(out_of_service_on as timestamp), timestamp '9999-12-31') as ended
                from accepted.trailers where retired_by is null and not coalesce(withdrawn, false)
            ), risk as (
                select trailer_id, service_from, sum(date_diff('microsecond', at_risk_from, at_risk_until)) as at_risk
                from marts.at_risk group by trailer_id, service_from
            ), stays as (
                select s.trailer_id, s.began, count(*) as visits,
                    bool_or(v.returned_at is null) as unknown_end,
                    sum(greatest(0, date_diff('microsecond', greatest(s.began, v.received_at),
                        least(s.ended, v.returned_at)))) filter (v.returned_at is not null) as away,
                    max(greatest(0, date_diff('microsecond', greatest(s.began, v.received_at),
                        least(s.ended, v.returned_at)))) filter (v.returned_at is not null) as longest
                from spells s join core.visits v on v.trailer_id = s.trailer_id group by s.trailer_id, s.began
            ), held as (
                select s.trailer_id, date_diff('microsecond', s.began, s.ended) as service,
                    coalesce(r.at_risk, 0) as at_risk, coalesce(v.away, 0) as away, coalesce(v.longest, 0) as longest,
                    coalesce(v.unknown_end, false) as unknown_end
                from spells s left join risk r on r.trailer_id = s.trailer_id and r.service_from = s.began
                left join stays v on v.trailer_id = s.trailer_id and v.began = s.began
            )
            select trailer_id from held where at_risk > service - longest
                or (at_risk < service - away and not unknown_end)
            union all
            select a.trailer_id from marts.at_risk a where not exists (select 1 from spells s
                where s.trailer_id = a.trailer_id and a.at_risk_from >= s.began and a.at_risk_until <= s.ended)
            union all
            select trailer_id from (select trailer_id, at_risk_from, max(at_risk_until) over (partition by trailer_id
                order by at_risk_from rows between unbounded preceding and 1 preceding) as reached from marts.at_risk)
                where at_risk_from < reached""",
        "select count(*) from marts.at_risk",
        blocks=True,
    ),
)

ADDING_UP = (*SUMS, *(check(table) for table in TABLES for check in (accepted_booked, waiting_booked)))
"""All of them."""
