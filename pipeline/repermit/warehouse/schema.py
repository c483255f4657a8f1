"""What a store holds besides the relations of `sql/`: its schemas, its tables, its version and its settings.

May import `contract`, `errors`, `settings` and its neighbours `queries`, `relations`.
"""

from __future__ import annotations

from pathlib import Path

import duckdb

from repermit.contract import TABLES, Table
from repermit.errors import StoreError
from repermit.settings import Settings
from repermit.warehouse.answers import once
from repermit.warehouse.queries import Connection, one, quote, rows
from repermit.warehouse.relations import build, typed_columns

SCHEMA_VERSION = 4
SCHEMAS = ("record", "accepted", "waiting", "current", "staging", "core", "marts")


def _accepted_ddl(table: Table) -> str:
    columns = [f"{quote(name)} {kind}" for name, kind in typed_columns(table)]
    columns += ["batch_id INTEGER NOT NULL", "read_in INTEGER NOT NULL", "retired_by INTEGER"]
    columns += ["line BIGINT", "raw VARCHAR"] if table.keeps_lines else ["lines INTEGER", "sums_with INTEGER"]
    return f"create table if not exists accepted.{table.name} ({', '.join(columns)})"


def _waiting_ddl(table: Table) -> str:
    columns = [f"{quote(column.name)} VARCHAR" for column in table.all_columns]
    columns += [
        "waiting_id BIGINT NOT NULL",
        "read_in INTEGER NOT NULL",
        "since INTEGER NOT NULL",
        "origin VARCHAR NOT NULL",
        "line BIGINT",
        "raw VARCHAR",
        "reasons VARCHAR[] NOT NULL",
        "sums_with INTEGER",
        "left_by INTEGER",
        "left_as VARCHAR",
    ]
    return f"create table if not exists waiting.{table.name} ({', '.join(columns)})"


RECORD_DDL = (
    "create table if not exists record.meta (name VARCHAR, value VARCHAR)",
    "create table if not exists record.batches (batch_id INTEGER, ingest_id INTEGER, table_name VARCHAR,"
    " file VARCHAR, digest VARCHAR, content VARCHAR, bytes BIGINT, header VARCHAR[], rows BIGINT, accepted BIGINT,"
    " duplicate BIGINT, corrected BIGINT, quarantined BIGINT, read_at TIMESTAMP, version VARCHAR)",
    "create table if not exists record.aliases (alias VARCHAR, trailer_id VARCHAR, ingest_id INTEGER)",
    "create table if not exists record.likely (unknown VARCHAR, trailer_id VARCHAR, place INTEGER, same_letters BOOLEAN,"
    " edits INTEGER, rows BIGINT)",
    "create table if not exists record.validations (run_id INTEGER, run_at TIMESTAMP, table_name VARCHAR,"
    " expectation VARCHAR, text VARCHAR, blocks BOOLEAN, holds BOOLEAN, checked BIGINT, unexpected BIGINT,"
    " quarantined BIGINT, detail VARCHAR, last_batch INTEGER)",
    "create table if not exists record.reasons (table_name VARCHAR, waiting_id BIGINT, until INTEGER,"
    " reasons VARCHAR[])",
    "create table if not exists record.reports (ingest_id INTEGER, kind VARCHAR, name VARCHAR, first_on DATE,"
    " end_on DATE, made_at TIMESTAMP, version VARCHAR, headline VARCHAR, months VARCHAR)",
)


def make_schema(con: Connection, settings: Settings) -> None:
    """Create what a new store needs; on an existing one, nothing. The settings are kept at the first call."""
    for schema in SCHEMAS:
        con.execute(f"create schema if not exists {schema}")
    for ddl in RECORD_DDL:
        con.execute(ddl)
    for table in TABLES:
        con.execute(_accepted_ddl(table))
        con.execute(_waiting_ddl(table))
    if one(con, "select count(*) from record.meta") == 0:
        values = [("schema_version", str(SCHEMA_VERSION))]
        values += [(f"setting.{name}", str(value)) for name, value in settings.as_dict().items()]
        con.executemany("insert into record.meta values (?, ?)", values)
        build(con, settings)


def check_version(con: Connection, path: Path) -> None:
    """Raise StoreError unless the file is a store of this schema's version."""
    try:
        found = one(con, "select value from record.meta where name = 'schema_version'")
    except duckdb.CatalogException:
        raise StoreError(
            f"{path} is a DuckDB file but not a repermit store",
            hint="Give another --store; the file was left alone.",
        ) from None
    if found != str(SCHEMA_VERSION):
        raise StoreError(
            f"the store {path} has schema version {found}, this program reads {SCHEMA_VERSION}",
            hint="Ingest the CSV files into a new store with this version.",
        )


def is_empty(con: Connection) -> bool:
    """Whether the file holds no relation at all, so that a store may be made in it."""
    return not one(
        con,
        "select (select count(*) from duckdb_tables()) + (select count(*) from duckdb_views() where not internal)",
    )


@once
def settings_of(con: Connection) -> Settings:
    """The settings that the store was made with."""
    kept = dict(rows(con, "select name, value from record.meta where name like 'setting.%'"))
    defaults = Settings().as_dict()
    values = {name: type(default)(kept.get(f"setting.{name}", default)) for name, default in defaults.items()}
    return Settings(**values)  # type: ignore[arg-type]
