"""The record of reports made: of what, knowing what, the figures by month that each gave, and its page.

May import `errors`, `warehouse`. Only `keep` writes: one row a report, in `record.reports`, and one a page, in
`record.pages`: what it was made of and its content, both as digests.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from hashlib import sha256
from pathlib import Path

from repermit import __version__
from repermit.warehouse import Connection, check_version, connect, one, quote, rows, transaction

Months = Mapping[str, Mapping[str, float]]
"""Figures by month (YYYY-MM) and name; a figure that is not there is zero."""


@dataclass(frozen=True)
class Report:
    """One report: its kind, what it is about (None: everything), its window, and the last ingest that it knew."""

    ingest: int
    kind: str
    name: str | None
    first: date
    end: date
    headline: str
    months: Months


@dataclass(frozen=True)
class Made:
    """The page of a report. `made_of`: digest of all that decides it; `content`: of its bytes."""

    made_of: str
    content: str
    headline: str


PAGES_DDL = "create table if not exists record.pages (ingest_id INTEGER, made_of VARCHAR, content VARCHAR, headline VARCHAR)"


def keep(
    store: Path, made: Sequence[Report], pages: Sequence[Made] = (), *, now: datetime, wait_s: float = 0.0
) -> None:
    """Write down the reports and their pages; one that knew the same, about the same window, is there already.

    Raises StoreError where the store cannot be written.
    """
    con = connect(store, wait_s=wait_s)
    try:
        check_version(con, store)
        with transaction(con):
            for r in made:
                con.execute(
                    "insert into record.reports select ?, ?, ?, ?, ?, ?, ?, ?, ? where not exists (select 1 from record.reports"
                    " where ingest_id = ? and kind = ? and name is not distinct from ? and first_on = ? and end_on = ?)",
                    [
                        r.ingest, r.kind, r.name, r.first, r.end, now.replace(tzinfo=None), __version__, r.headline,
                        json.dumps(r.months, sort_keys=True), r.ingest, r.kind, r.name, r.first, r.end,
                    ],
                )  # fmt: skip
            con.execute(PAGES_DDL)
            for page in pages:
                con.execute("delete from record.pages where made_of = ?", [page.made_of])
                con.execute(
                    "insert into record.pages select max(ingest_id), ?, ?, ? from record.batches",
                    [page.made_of, page.content, page.headline],
                )
    finally:
        con.close()


def pages_made(con: Connection) -> dict[str, Made]:
    """The pages on record by what they were made of; none in a store of which none was made yet."""
    if not rows(con, "select 1 from duckdb_tables() where schema_name = 'record' and table_name = 'pages'"):
        return {}
    found = rows(con, "select made_of, content, headline from record.pages")
    return {made_of: Made(made_of, content, headline) for made_of, content, headline in found}


def known_now(con: Connection) -> str:
    """A digest of all that the store has written down of itself: what was read, how and when, and the reports that
    a report made now is held against. Whatever changes a row of the store changes it."""
    tables = rows(con, "select table_name from duckdb_tables() where schema_name = 'record' order by 1")
    parts = {name: "" for (name,) in tables if name != "pages"}
    parts["reports"] = "where ingest_id < (select max(ingest_id) from record.batches)"
    digest = sha256()
    for name, where in parts.items():
        sql = f"select md5(coalesce(string_agg(r::varchar, '\n' order by r::varchar), '')) from record.{quote(name)} r {where}"
        digest.update(f"{name} {one(con, sql)}\n".encode())
    return digest.hexdigest()


def last_before(con: Connection, kind: str, name: str | None, ingest: int, end: date) -> Report | None:
    """The report of that kind and name of the latest ingest before `ingest`, and of those the latest month to `end`."""
    found = rows(
        con,
        "select ingest_id, kind, name, first_on, end_on, headline, months from record.reports where kind = ?"
        " and name is not distinct from ? and ingest_id < ? and end_on <= ? order by ingest_id desc, end_on desc, made_at desc limit 1",
        [kind, name, ingest, end],
    )
    for ingest_id, _, _, first, last, headline, months in found:
        return Report(ingest_id, kind, name, first, last, headline, json.loads(months))
    return None
