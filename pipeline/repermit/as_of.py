"""What was known then: the store as it was after one of its ingests, without touching it.

May import `contract`, `errors`, `warehouse`. The store lies beside an empty database whose `record`, `accepted` and
`waiting` are views of what the store held after that ingest; `current`, `staging`, `core` and `marts` are built on
them as ever. So whoever asks a question need not know that it is asked of the past.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from repermit.errors import CallError
from repermit.warehouse import Connection, beside, build, literal, once, quote, rows, settings_of, unchanging


@dataclass(frozen=True)
class Known:
    """The last ingest that was known: its number, its last batch, and when it was read (UTC)."""

    ingest: int
    batch: int
    read_at: datetime


@contextmanager
def known(path: Path, as_of: str, *, wait_s: float = 0.0) -> Iterator[Connection]:
    """The store at `path` as it was after an ingest (its number) or at the end of a day (YYYY-MM-DD, UTC).

    Raises CallError where there is no such ingest, or nothing had been received by then.
    """
    with beside(path, wait_s=wait_s) as con:
        then = resolve(con, as_of)
        _show_record(con, then, as_of)
        _show_rows(con, then.batch)
        build(con, settings_of(con))
        with unchanging(con):
            yield con


def resolve(con: Connection, as_of: str) -> Known:
    """The ingest that is meant, of the store beside `con`. Raises CallError with what there is instead."""
    sql = "select ingest_id, max(batch_id), max(read_at) from store.record.batches group by ingest_id order by 1"
    ingests = [Known(*row) for row in rows(con, sql)]
    if not ingests:
        raise CallError("the store has read nothing yet", hint="Ingest records first.")
    first, last = ingests[0], ingests[-1]
    there = f"The store has the ingests {first.ingest} to {last.ingest}, read {first.read_at:%Y-%m-%d} to {last.read_at:%Y-%m-%d}."
    if re.fullmatch(r"\d{1,9}", as_of):
        found = [k for k in ingests if k.ingest == int(as_of)]
        if not found:
            raise CallError(f"there is no ingest {as_of}", hint=there)
        return found[0]
    end = datetime.combine(_day(as_of), time()) + timedelta(days=1)
    before = [k for k in ingests if k.read_at < end]
    if not before:
        raise CallError(f"nothing had been received by the end of {as_of}", hint=there)
    return before[-1]


@once
def asked_for(con: Connection) -> str | None:
    """One sentence on what a store is asked to know; None where it tells all that it has read."""
    found = rows(
        con,
        "select value, max(ingest_id), max(read_at) from record.meta, record.batches where name = 'as_of' group by value",
    )
    if not found:
        return None
    as_of, ingest, read_at = found[0]
    return f"As known on {read_at:%Y-%m-%d}, after ingest {ingest} (asked for: {as_of}); what came later is left out."


def _day(text: str) -> date:
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text) and (day := date.fromisoformat(text)) < date.max:
            return day
    except ValueError:
        pass
    raise CallError(
        f"{text!r} is neither an ingest nor a day",
        hint="Give --as-of the number of an ingest, as ingest printed it, or a day, YYYY-MM-DD.",
    )


def _columns(con: Connection, schema: str) -> dict[str, list[str]]:
    """The columns of every table of one schema of the store."""
    found: dict[str, list[str]] = {}
    sql = f"select table_name, column_name from duckdb_columns() where database_name = 'store' and schema_name = {literal(schema)}"
    for table, column in rows(con, sql):
        found.setdefault(table, []).append(column)
    return found


def _show_record(con: Connection, then: Known, as_of: str) -> None:
    """`record`: what was written down by then, and in `meta` what was asked for."""
    bounds = {"batch_id": then.batch, "last_batch": then.batch, "until": then.batch, "ingest_id": then.ingest}
    for table, columns in _columns(con, "record").items():
        limits = [f"{column} <= {bound}" for column, bound in bounds.items() if column in columns]
        also = f" union all values ('as_of', {literal(as_of)})" if table == "meta" else ""
        con.execute(
            f"create view record.{quote(table)} as select * from store.record.{quote(table)}"
            f" where {' and '.join(limits) or 'true'}{also}"
        )


def _show_rows(con: Connection, batch: int) -> None:
    """`accepted` and `waiting`: rows that were there; what retired them or let them leave later is not yet known."""
    for table in _columns(con, "accepted"):
        con.execute(
            f"create view accepted.{table} as select * replace ({_by_then('retired_by', batch)})"
            f" from store.accepted.{table} where batch_id <= {batch}"
        )
    for table in _columns(con, "waiting"):
        con.execute(
            f"create view waiting.{table} as select w.* replace ({_by_then('left_by', batch)},"
            f" case when left_by <= {batch} then left_as end as left_as, coalesce(h.were, w.reasons) as reasons)"
            f" from store.waiting.{table} w left join (select waiting_id, min_by(reasons, until) as were"
            f" from store.record.reasons where table_name = {literal(table)} and until > {batch} group by waiting_id) h"
            f" on h.waiting_id = w.waiting_id where w.since <= {batch}"
        )


def _by_then(column: str, batch: int) -> str:
    return f"case when {column} <= {batch} then {column} end as {column}"
