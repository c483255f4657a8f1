"""The views of what is accepted now, and the relations of the folder `sql/`, built in its order.

May import `contract`, `resources`, `settings` and its neighbour `queries`.
"""

from __future__ import annotations

from datetime import date, timedelta
from string import Template

from repermit.contract import KINDS, TABLES, Table
from repermit.resources import folder
from repermit.settings import Settings
from repermit.warehouse.queries import Connection, quote, rows


def typed_columns(table: Table) -> list[tuple[str, str]]:
    """Name and SQL type of each typed column. A time has a second one, `<name>_until`: the last moment that
    it may mean, equal to it unless only a date was given."""
    columns = []
    for column in table.all_columns:
        columns.append((column.name, KINDS[column.kind].sql_type))
        if column.kind == "time":
            columns.append((f"{column.name}_until", "TIMESTAMP"))
    return columns


def relations() -> list[tuple[str, str, str]]:
    """Layer, name and SQL text of every relation, in the order in which they are built."""
    sql = folder("sql")
    listed = [
        line.strip()
        for line in (sql / "order.txt").read_text(encoding="utf-8").splitlines()
        if line.strip() and not line.startswith("#")
    ]
    return [
        (layer, name, (sql / layer / f"{name}.sql").read_text(encoding="utf-8"))
        for layer, name in (entry.split("/") for entry in listed)
    ]


def filled(sql: str, settings: Settings, days: str = "true") -> str:
    """The SQL of a relation with its `$thresholds` filled in, and of a sum over the exposure log the `$days` of it."""
    return Template(sql).substitute(settings.thresholds(), days=days).strip().rstrip(";")


BY_MONTH = {("core", "load_days"): "loaded_on", ("marts", "loads_by_lane_month"): "month"}
"""The sums over the exposure log, with the day that puts a row into a month. All else is small."""
AT_ONCE = 5_000_000
"""Rows of the exposure log of which a sum is made at once, in whole months: of many more it would not fit in memory."""
STEPS = "steps"
"""The layer of relations that only the build reads: gone at its end, so that they are never written to the disk."""

ANSWERED = "answered"
"""Of `steps`, what comes from the build before: answers that the exposure log need not be asked for again."""
_CHANGED = "(batch_id >= ? or retired_by >= ?)"
"""Rows that were added or retired since a batch."""


def build(con: Connection, settings: Settings, since: int | None = None) -> None:
    """Build `current` and every relation of `sql/` from the accepted rows.

    Where the relations stand from before, `since` is the first batch (from 1) that they do not hold: of the sums over
    the exposure log only months with a row added or retired since are built anew, and of the log is asked only what such a
    row can have changed.
    """
    for table in TABLES:
        columns = ", ".join(quote(name) for name, _ in typed_columns(table))
        con.execute(
            f"create or replace view current.{table.name} as select {columns}, batch_id from accepted.{table.name}"
            " where retired_by is null and not coalesce(withdrawn, false)"
        )
    con.execute(f"create schema {STEPS}")
    _keep_answers(con, since)
    every = relations()
    packed = True
    for layer, name, sql in every:
        if packed != (layer != STEPS):  # steps need not be packed on the disk
            packed = layer != STEPS
            con.execute(f"set enable_optimistic_write = {packed}")
        if day := BY_MONTH.get((layer, name)):
            _sum_by_month(con, f"{layer}.{name}", day, sql, settings, since or 1)
            continue
        kind = "view" if layer == "staging" else "table"
        con.execute(f"create or replace {kind} {layer}.{name} as {filled(sql, settings)}")
    # One by one: the engine cannot commit a schema that is dropped with tables of its own transaction.
    for name in (ANSWERED, *(name for layer, name, _ in every if layer == STEPS)):
        con.execute(f"drop table {STEPS}.{name}")
    con.execute(f"drop schema {STEPS}")


def _keep_answers(con: Connection, since: int | None) -> None:
    """`steps.answered`: of the first loads after a moment (`core.next_loads`) those before every load that was added or
    retired since, which none of these can change. None where all is built anew."""
    con.execute(
        f"create table {STEPS}.{ANSWERED} (trailer_id VARCHAR, after_at TIMESTAMP, terminal VARCHAR, lane VARCHAR,"
        " next_load_at TIMESTAMP, at_other_lane BOOLEAN)"
    )
    there = "select 1 from duckdb_tables() where schema_name = 'core' and table_name = 'next_loads'"
    if since not in (None, 1) and rows(con, there):
        con.execute(
            f"insert into {STEPS}.{ANSWERED} by name select * from core.next_loads where next_load_at < coalesce("
            f"(select min(coalesce(loaded_at, loaded_on)) from accepted.loads where {_CHANGED}), 'infinity')",
            [since, since],
        )


def _sum_by_month(con: Connection, relation: str, day: str, sql: str, settings: Settings, since: int) -> None:
    """A relation of sums by month: all of it from the first batch, else the months in which the exposure log changed with
    or after that batch."""
    anew = since == 1
    if anew:
        con.execute(f"create or replace table {relation} as {filled(sql, settings, 'false')}")
    months = rows(
        con,
        "select cast(date_trunc('month', coalesce(loaded_on, loaded_at)) as date) as month, count(*)"
        f" from accepted.loads where {_CHANGED} group by month order by month",
        [since, since],
    )
    for first, end in _spans(months, over_gaps=anew):
        within = f"{{}} >= date '{first}' and {{}} < date '{end}'"
        if not anew:
            con.execute(f"delete from {relation} where {within.format(day, day)}")
        days = within.format("loaded_on", "loaded_on")
        con.execute(f"insert into {relation} by name {filled(sql, settings, days)}")


def _spans(months: list[tuple[date, int]], over_gaps: bool) -> list[tuple[date, date]]:
    """First days and ends of spans of months, given in order with their rows: as long as they are few enough to be summed up
    at once, and without one that is not given, or `over_gaps`."""
    spans: list[tuple[date, date]] = []
    held = 0
    for month, count in months:
        end = (month + timedelta(days=31)).replace(day=1)
        if spans and held + count <= AT_ONCE and (over_gaps or spans[-1][1] == month):
            spans[-1], held = (spans[-1][0], end), held + count
        else:
            spans.append((month, end))
            held = count
    return spans
