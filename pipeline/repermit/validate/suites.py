"""The suites: the contract's rules as expectations, and what only a whole set of rows can show.

May import `contract`, `judging`. Text only; `run` asks.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import Table
from repermit.judging import holds
from repermit.warehouse import quote


@dataclass(frozen=True)
class Whole:
    """An expectation on a whole set: `query` selects what breaks it, `measured` counts what was looked at."""

    table: str
    name: str
    text: str
    query: str
    measured: str
    blocks: bool = False


def broken(table: Table, judged: str) -> str:
    """A query of the judged rows that break a rule of the table, one column a rule: whether the row breaks it."""
    rules = table.rules()
    columns = ", ".join(f"not ({holds(rule)}) as {quote(rule.name)}" for rule in rules)
    return f"select {columns} from ({judged}) where not ({' and '.join(holds(rule) for rule in rules)})"


def rule_queries(table: Table) -> list[tuple[str, str, str, bool]]:
    """Name, sentence, query and whether it blocks, of every rule of the table, on `{batch}` of what is `broken`."""
    return [
        (rule.name, rule.text, f"select 1 from {{batch}} where {quote(rule.name)}", rule.blocks)
        for rule in table.rules()
    ]


def key_once(table: Table) -> Whole:
    """The accepted rows of a table have each key once."""
    key = ", ".join(quote(name) for name in table.key)
    return Whole(
        table.name,
        "key_once",
        f"one accepted row a key ({', '.join(table.key)})",
        f"select {key} from accepted.{table.name} where retired_by is null group by {key} having count(*) > 1",
        f"select count(*) from accepted.{table.name} where retired_by is null",
        blocks=True,
    )


WHOLE_SETS = (
    Whole(
        "trailers",
        "spells_apart",
        "the spells of one trailer do not overlap",
        "select 1 from staging.trailers a join staging.trailers b on a.trailer_id = b.trailer_id"
        " and a.service_from < b.service_from and (a.service_until is null or a.service_until > b.service_from)",
        "select count(*) from staging.trailers",
        blocks=True,
    ),
    Whole(
        "repairs",
        "refusal_on_record",
        "a refusal that a repair names is on record",
        "select 1 from staging.repairs r where refusal_id is not null and not exists"
        " (select 1 from staging.refusals f where f.refusal_id = r.refusal_id)",
        "select count(*) from staging.repairs where refusal_id is not null",
    ),
    Whole(
        "repairs",
        "visit_agrees",
        "the findings of one visit name one trailer, shop and time",
        "select repair_id from staging.repairs group by repair_id having count(distinct trailer_id) > 1"
        " or count(distinct shop) > 1 or count(distinct received_at) > 1 or count(distinct returned_at) > 1",
        "select count(distinct repair_id) from staging.repairs",
    ),
    Whole(
        "checks",
        "visit_on_record",
        "the visit of a check is on record",
        "select 1 from staging.checks c where not exists (select 1 from core.visits v where v.repair_id = c.repair_id)",
        "select count(*) from staging.checks",
    ),
    Whole(
        "returns",
        "removal_on_record",
        "a sensor tested on the bench was taken out in a repair on record",
        "select 1 from staging.returns r where not exists"
        " (select 1 from staging.repairs v where v.sensor_out = r.serial)",
        "select count(*) from staging.returns",
    ),
    Whole(
        "loads",
        "no_day_missing",
        "no terminal's log lacks a day on whose weekday it loads in nine weeks of ten",
        """with logged as materialized (
            select distinct terminal, loaded_on from staging.loads where terminal is not null
        ), spans as (
            select terminal, min(loaded_on) as first_on, max(loaded_on) as last_on from logged group by terminal
        ), days as (
            select terminal, cast(unnest(generate_series(first_on, last_on, interval 1 day)) as date) as day from spans
        ), seen as (
            select d.terminal, d.day, isodow(d.day) as weekday, l.terminal is not null as loaded
            from days d left join logged l on l.terminal = d.terminal and l.loaded_on = d.day
        ), usual as (
            select *, avg(case when loaded then 1.0 else 0.0 end) over (partition by terminal, weekday) as share from seen
        ) select 1 from usual where not loaded and share >= 0.9""",
        "select count(*) from (select distinct terminal, loaded_on from staging.loads where terminal is not null)",
    ),
    Whole(
        "loads",
        "volume_steady",
        "a terminal's loads in a whole month are between half and twice those of the month before",
        """with months as (
            select terminal, month, sum(loads) as loads from marts.loads_by_lane_month group by terminal, month
        ), whole as (
            select m.* from months m, (select min(loaded_on) as first_on, max(loaded_on) as last_on from core.load_days) c
            where m.month >= c.first_on and m.month + interval 1 month <= c.last_on + interval 1 day
        ), pairs as (
            select *, lag(loads) over (partition by terminal order by month) as before,
                lag(month) over (partition by terminal order by month) as before_month from whole
        ) select 1 from pairs where before_month + interval 1 month = month
            and (loads < 0.5 * before or loads > 2 * before)""",
        "select count(*) from (select distinct terminal, month from marts.loads_by_lane_month)",
    ),
    Whole(
        "repairs",
        "clock_lag",
        "no shop of ten repairs or more that name a refusal receives over a tenth of them before it",
        """select v.shop from core.visits v join staging.refusals r on r.refusal_id = v.refusal_id
            where v.received_latest = v.received_at group by v.shop
            having count(*) >= 10 and count(*) filter (v.received_at < r.refused_at) > 0.1 * count(*)""",
        "select count(distinct shop) from core.visits where refusal_id is not null",
    ),
    Whole(
        "batches",
        "counts_add_up",
        "of every file, rows = accepted + duplicate + corrected + quarantined",
        "select 1 from record.batches where rows <> accepted + duplicate + corrected + quarantined",
        "select count(*) from record.batches",
        blocks=True,
    ),
)


def kept_rows(table: Table) -> Whole:
    """Every row that a file's counts call accepted or corrected is in the store, and every one quarantined."""
    lines = "count(*)" if table.keeps_lines else "sum(lines) filter (retired_by is distinct from batch_id)"
    return Whole(
        table.name,
        "rows_kept",
        "the store holds the rows that the counts of each file name",
        f"""select b.batch_id from record.batches b
            left join (select batch_id, {lines} as n from accepted.{table.name} where batch_id = read_in
                group by batch_id) a on a.batch_id = b.batch_id
            left join (select read_in, count(*) as n from waiting.{table.name} where origin = 'read'
                group by read_in) w on w.read_in = b.batch_id
            where b.table_name = '{table.name}'
                and (coalesce(a.n, 0) <> b.accepted + b.corrected or coalesce(w.n, 0) <> b.quarantined)""",
        f"select count(*) from record.batches where table_name = '{table.name}'",
        blocks=True,
    )
