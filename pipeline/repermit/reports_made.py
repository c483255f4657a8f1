"""The record of reports made: of what, knowing what, and the figures by month that each gave.

May import `errors`, `warehouse`. Only `keep` writes: one row a report, in `record.reports`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from repermit import __version__
from repermit.warehouse import Connection, check_version, connect, rows, transaction

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


def keep(store: Path, made: Sequence[Report], *, now: datetime, wait_s: float = 0.0) -> None:
    """Write down the reports; one that knew the same, about the same window, is there already.

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
    finally:
        con.close()


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
