"""The store: the only module that opens DuckDB. It makes the schema, and runs `sql/` in its order.

May import `errors`, `contract`, `settings`, `resources`. A store has the schemas

- `record`: meta (version, settings), batches, aliases, likely (ids that unknown trailers may mean), validations,
  reports made, reasons (those that waiting rows had before),
- `accepted`: the rows that passed, append-only, with `batch_id` and `retired_by`,
- `waiting`: the quarantine, as text, with the line as read and its reasons,
- `current`: views of what is accepted now (or was, as of a batch),
- `staging`, `core`, `marts`: the relations of the folder `sql/`, one file each.
"""

from __future__ import annotations

import os
import re
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any, TypeVar

import duckdb

from repermit.contract import KINDS, TABLES, Table
from repermit.errors import CallError, StoreError
from repermit.resources import folder
from repermit.settings import Settings

if TYPE_CHECKING:
    import polars as pl

SCHEMA_VERSION = 3
SCHEMAS = ("record", "accepted", "waiting", "current", "staging", "core", "marts")
LAYERS = ("staging", "core", "marts")
# No extension is looked for on the network.
CONFIG: dict[str, Any] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
# What the engine may take, from the environment: how much memory, and the folder for what does not fit in it.
LIMITS = {"memory_limit": "REPERMIT_MEMORY", "temp_directory": "REPERMIT_TEMP"}
MEGABYTES_A_THREAD = 125
"""What a thread needs where not all fits in memory: with less the engine gives up instead of writing to the disk."""

# What the engine raises where the file under it is damaged, or the disk refuses.
DAMAGE = (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException)

Connection = duckdb.DuckDBPyConnection
Parameters = Sequence[Any] | Mapping[str, Any] | None
Opened = TypeVar("Opened")


def quote(name: str) -> str:
    """An SQL identifier, quoted: the one place where a name becomes SQL."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str | Path) -> str:
    """An SQL string, quoted: for the few places that take no parameter, such as the path of a file to read."""
    return "'" + str(text).replace("'", "''") + "'"


def connect(path: Path, *, read_only: bool = False, wait_s: float = 0.0) -> Connection:
    """Open the store at `path`; wait up to `wait_s` seconds while another process holds it.

    Raises StoreError where there is no store, the file is no store, or it stays locked.
    """
    if read_only and not path.exists():
        raise StoreError(f"there is no store at {path}", hint="Make one with: repermit ingest FOLDER")
    config = CONFIG | _limits()

    def open_it() -> Connection:
        if not read_only and not path.exists() and path != Path(":memory:"):
            _create(path)
        return duckdb.connect(str(path), read_only=read_only, config=config)

    con = _patiently(path, wait_s, open_it)
    con.execute("set TimeZone = 'UTC'")  # whatever the machine's zone
    con.execute("set enable_progress_bar = false")  # it would be told on standard output, among the data
    return con


def _patiently(path: Path, wait_s: float, open_it: Callable[[], Opened]) -> Opened:
    """What `open_it` gives; tried again for `wait_s` seconds while another process holds the store."""
    until = time.monotonic() + wait_s
    while True:
        try:
            return open_it()
        except duckdb.Error as error:
            if _in_use(error) and time.monotonic() < until:
                time.sleep(0.1)
                continue
            raise _told(path, error) from error


def _create(path: Path) -> None:
    """An empty database at `path`, whole or not at all: one that was left half made would open no more."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        duckdb.connect(str(part), config=CONFIG).close()
        try:
            os.link(part, path)
        except FileExistsError:
            pass  # another process was quicker: its store is the one
        except OSError:
            part.rename(path)  # a disk without links
    finally:
        part.unlink(missing_ok=True)


def _limits() -> dict[str, str]:
    """The engine's limits that the environment sets. Raises CallError where the memory is no size."""
    given = {name: os.environ[variable] for name, variable in LIMITS.items() if os.environ.get(variable)}
    if memory := given.get("memory_limit"):
        size = re.fullmatch(r"(\d+(?:\.\d+)?) ?([MGT])i?B", memory)
        if size is None:
            raise CallError(
                f"REPERMIT_MEMORY is {memory!r}, which is no size",
                hint="Give a number and a unit, such as 2GB.",
            )
        megabytes = float(size[1]) * {"M": 1, "G": 1000, "T": 1_000_000}[size[2]]
        threads = min(os.cpu_count() or 1, max(1, int(megabytes // MEGABYTES_A_THREAD)))
        given["threads"] = str(threads)
    return given


def _in_use(error: duckdb.Error) -> bool:
    """Whether another process holds the file."""
    return "set lock on file" in str(error)


def _told(path: Path, error: duckdb.Error) -> StoreError:
    message = str(error)
    if _in_use(error):
        return StoreError(
            f"the store {path} is in use by another process",
            hint="Wait until that is done, or give --wait SECONDS.",
        )
    if "not a valid DuckDB database file" in message or "Serialization" in message:
        return StoreError(
            f"{path} is not a repermit store", hint="Give another --store; the file was left alone."
        )
    first = message.splitlines()[0].removeprefix("IO Error: ")
    return StoreError(
        f"the store {path} cannot be opened: {first}", hint="Check the folder, its rights and its free space."
    )


@contextmanager
def opened(path: Path, *, wait_s: float = 0.0) -> Iterator[Connection]:
    """An existing store, open for reading, checked for its version; closed at the end."""
    con = connect(path, read_only=True, wait_s=wait_s)
    try:
        check_version(con, path)
        yield con
    except DAMAGE as error:
        raise _told(path, error) from error
    finally:
        con.close()


@contextmanager
def beside(path: Path, *, wait_s: float = 0.0) -> Iterator[Connection]:
    """An empty database in memory with the schemas of a store, and the store at `path` beside it as `store`.

    The store can only be read. Its version is checked.
    """
    if not path.exists():
        connect(path, read_only=True)
    con = connect(Path(":memory:"))
    try:
        # what does not fit into memory goes where the machine keeps such files, not into the working folder
        spill = os.environ.get("REPERMIT_TEMP") or Path(tempfile.gettempdir()) / f"repermit-{os.getpid()}"
        con.execute(f"set temp_directory = {literal(spill)}")
        _patiently(path, wait_s, lambda: con.execute(f"attach {literal(path)} as store (read_only)"))
        con.execute("use store")
        check_version(con, path)
        con.execute("use memory")
        for schema in SCHEMAS:
            con.execute(f"create schema {schema}")
        yield con
    except DAMAGE as error:
        raise _told(path, error) from error
    finally:
        con.close()


@contextmanager
def transaction(con: Connection) -> Iterator[None]:
    """All or nothing: commit at the end, roll back on any error."""
    con.execute("begin transaction")
    try:
        yield
        con.execute("commit")
    except BaseException as error:
        with suppress(duckdb.Error):  # the engine may have rolled back by itself
            con.execute("rollback")
        if isinstance(error, (*DAMAGE, duckdb.OutOfMemoryException, duckdb.TransactionException)):
            raise StoreError(
                f"the store could not be written: {str(error).splitlines()[0]}",
                hint="Check free disk space and memory; the store is as it was before.",
            ) from error
        raise


def rows(con: Connection, sql: str, parameters: Parameters = None) -> list[tuple[Any, ...]]:
    """All rows of a query."""
    return con.execute(sql, parameters).fetchall()


def records(con: Connection, sql: str, parameters: Parameters = None) -> list[dict[str, Any]]:
    """All rows of a query, each as a dict by column name."""
    cursor = con.execute(sql, parameters)
    names = [column[0] for column in cursor.description or []]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def frame(con: Connection, sql: str, parameters: Parameters = None) -> pl.DataFrame:
    """All rows of a query as a Polars frame."""
    import polars as pl

    return pl.DataFrame(con.sql(sql, params=parameters))


def one(con: Connection, sql: str, parameters: Parameters = None) -> Any:
    """The single value of a query."""
    found = rows(con, sql, parameters)
    return found[0][0] if found else None


# --- the schema ---------------------------------------------------------------------------------------


def bring(con: Connection, name: str, columns: Mapping[str, Any]) -> None:
    """A temporary table of arrays or lists of one length."""
    import polars

    frame = polars.DataFrame(dict(columns))
    con.register("brought", _Stream(frame))
    con.execute(f"create or replace temp table {quote(name)} as select * from brought")
    con.unregister("brought")


class _Stream:
    """A frame as Arrow's own stream, which DuckDB reads without any other library."""

    def __init__(self, frame: Any) -> None:
        self.frame = frame

    def __arrow_c_stream__(self, schema: Any = None) -> Any:
        return self.frame.__arrow_c_stream__(schema)


def typed_columns(table: Table) -> list[tuple[str, str]]:
    """Name and SQL type of each typed column. A time has a second one, `<name>_until`: the last moment that
    it may mean, equal to it unless only a date was given."""
    columns = []
    for column in table.all_columns:
        columns.append((column.name, KINDS[column.kind].sql_type))
        if column.kind == "time":
            columns.append((f"{column.name}_until", "TIMESTAMP"))
    return columns


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


def settings_of(con: Connection) -> Settings:
    """The settings that the store was made with."""
    kept = dict(rows(con, "select name, value from record.meta where name like 'setting.%'"))
    defaults = Settings().as_dict()
    values = {name: type(default)(kept.get(f"setting.{name}", default)) for name, default in defaults.items()}
    return Settings(**values)  # type: ignore[arg-type]


# --- the relations of sql/ ----------------------------------------------------------------------------


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


def build(con: Connection, settings: Settings) -> None:
    """Build `current` and every relation of `sql/` from the accepted rows."""
    for table in TABLES:
        columns = ", ".join(quote(name) for name, _ in typed_columns(table))
        con.execute(
            f"create or replace view current.{table.name} as select {columns}, batch_id from accepted.{table.name}"
            " where retired_by is null and not coalesce(withdrawn, false)"
        )
    for layer, name, sql in relations():
        kind = "view" if layer == "staging" else "table"
        con.execute(f"create or replace {kind} {layer}.{name} as {filled(sql, settings)}")


def fingerprint(con: Connection) -> str:
    """A short digest of which files the store has read and in which batches."""
    return str(
        one(
            con,
            "select left(md5(coalesce(string_agg(digest, ',' order by batch_id), '')), 12) from record.batches",
        )
    )
