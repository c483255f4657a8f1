"""The views of what is accepted now, and the relations of the folder `sql/`, built in its order.

May import `contract`, `resources`, `settings` and its neighbour `queries`.
"""

from __future__ import annotations

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


def filled(sql: str, settings: Settings) -> str:
    """The SQL of a relation with its `$thresholds` filled in."""
    return Template(sql).substitute(settings.thresholds()).strip().rstrip(";")


BY_MONTH = {("core", "load_days"): "loaded_on", ("marts", "loads_by_lane_month"): "month"}
"""The sums over the exposure log, with the day that puts a row into a month. All else is small."""
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
    for layer, name, sql in every:
        if since not in (None, 1) and (day := BY_MONTH.get((layer, name))):
            _rebuild_months(con, f"{layer}.{name}", day, filled(sql, settings), since)
            continue
        kind = "view" if layer == "staging" else "table"
        con.execute(f"set enable_optimistic_write = {layer != STEPS}")  # steps need not be packed on the disk
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


def _rebuild_months(con: Connection, relation: str, day: str, sql: str, since: int) -> None:
    """Of a relation of sums by month, those months in which the exposure log changed with or after a batch."""
    months = rows(
        con,
        "select distinct date_trunc('month', coalesce(loaded_on, loaded_at)) from accepted.loads"
        f" where {_CHANGED}",
        [since, since],
    )
    # Told as values, so that the engine sums up these months alone.
    changed = " or ".join(
        f"({day} >= date '{month:%Y-%m-%d}' and {day} < date '{month:%Y-%m-%d}' + interval 1 month)"
        for (month,) in months
    )
    con.execute(f"delete from {relation} where {changed or 'false'}")
    con.execute(f"insert into {relation} by name select * from ({sql}) where {changed or 'false'}")
