"""What tests share: rows to contract CSVs, CSVs to a store, a store to answers and to dumps of its tables.

May import the package. Nothing here checks anything; tests do.
"""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from multiprocessing.connection import Connection as Connection_
from pathlib import Path
from typing import Any

from repermit.ingest.run import IngestResult, ingest
from repermit.settings import Settings
from repermit.studies.frequency.rates import Rates, parse_by
from repermit.studies.frequency.rates import rates as ask
from repermit.studies.selection import select
from repermit.warehouse import Connection, opened, quote, rows

NOW = datetime(2026, 1, 1, tzinfo=UTC)
STORE = "store.duckdb"


def write_csv(
    folder: Path, table: str, records: Sequence[Mapping[str, Any]], *, name: str | None = None
) -> Path:
    """Write the rows as `<table>.csv` (or `name`) into the folder, made where there is none; None = empty cell.

    The header holds every column that any row names, in order of appearance.
    """
    path = folder / (name or f"{table}.csv")
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = list(dict.fromkeys(column for record in records for column in record))
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(records)
    return path


def load(store: Path, *paths: Path, settings: Settings | None = None) -> IngestResult:
    """One ingest of files and folders into the store, at a fixed time."""
    return ingest(store, list(paths), now=NOW, settings=settings)


def store_of(folder: Path, *, settings: Settings | None = None) -> Path:
    """A new store beside the CSV files of the folder, which must all be accepted whole."""
    store = folder / STORE
    result = load(store, folder, settings=settings)
    assert all(f.rows == f.accepted for f in result.files), result.files
    return store


def store_from(folder: Path, tables: Mapping[str, Sequence[Mapping[str, Any]]], **settings: Any) -> Path:
    """A new store in the folder from rows by table; keyword arguments are settings."""
    for table, records in tables.items():
        write_csv(folder, table, records)
    return store_of(folder, settings=Settings(**settings))


def rates_from(con: Connection, by: str = "", **selection: Any) -> Rates:
    """The answer to `rates`; the selection's words are those of `select` (first, end, month, fleet, ...)."""
    return ask(con, STORE, select(con, **selection), parse_by(by))


def rates_of(store: Path, by: str = "", **selection: Any) -> Rates:
    """As `rates_from`, of a store that is opened for it."""
    with opened(store) as con:
        return rates_from(con, by, **selection)


def query(store: Path, sql: str) -> list[tuple[Any, ...]]:
    """The rows of one query."""
    with opened(store) as con:
        return rows(con, sql)


def dump(
    store: Path, schemas: Iterable[str], *, without: Sequence[str] = ()
) -> dict[str, list[tuple[Any, ...]]]:
    """Every relation of the schemas by name, its rows sorted, the columns `without` left out."""
    with opened(store) as con:
        return dump_of(con, schemas, without=without)


def dump_of(
    con: Connection, schemas: Iterable[str], *, without: Sequence[str] = ()
) -> dict[str, list[tuple[Any, ...]]]:
    """As `dump`, of what is open."""
    return {
        f"{schema}.{name}": _sorted(con, schema, name, without)
        for schema in schemas
        for name in _names(con, schema)
    }


def _names(con: Connection, schema: str) -> list[str]:
    found = rows(
        con,
        "select table_name from information_schema.tables where table_schema = ? and table_catalog = current_database() order by 1",
        [schema],
    )
    return [name for (name,) in found]


def _sorted(con: Connection, schema: str, name: str, without: Sequence[str]) -> list[tuple[Any, ...]]:
    columns = rows(
        con,
        "select column_name from information_schema.columns where table_schema = ? and table_name = ?"
        " and table_catalog = current_database() order by ordinal_position",
        [schema, name],
    )
    kept = ", ".join(quote(column) for (column,) in columns if column not in without)
    return rows(con, f"select {kept} from {quote(schema)}.{quote(name)} order by all")


def run_program(words: Sequence[str], told: Connection_) -> None:
    """The program with these words, in a process that is there for it alone; all that it tells goes into the pipe."""
    from repermit.cli import main

    for stream in (1, 2):
        os.dup2(told.fileno(), stream)
    told.close()
    sys.argv = ["repermit", *words]
    sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w", buffering=1)
    main.run()
