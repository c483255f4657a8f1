"""What was set aside and why. May import `contract`, `warehouse`."""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import TABLES, rule_text
from repermit.warehouse import Connection, records


@dataclass(frozen=True)
class SetAside:
    """One row that waits: where it was read, as read, and the name of every rule that it fails."""

    table: str
    file: str
    line: int | None
    raw: str | None
    reasons: tuple[str, ...]
    origin: str


@dataclass(frozen=True)
class Reason:
    """How many waiting rows of a table fail one rule; a row may fail several."""

    table: str
    reason: str
    text: str
    rows: int


def set_aside(con: Connection) -> list[SetAside]:
    """Every waiting row, by table, file and line."""
    found = []
    for table in TABLES:
        found += [
            SetAside(table.name, r["file"], r["line"], r["raw"], tuple(r["reasons"]), r["origin"])
            for r in records(
                con,
                f"select b.file, w.line, w.raw, w.reasons, w.origin from waiting.{table.name} w"
                " join record.batches b on b.batch_id = w.read_in where w.left_by is null"
                " order by w.read_in, w.line, w.waiting_id",
            )
        ]
    return found


def by_reason(con: Connection) -> list[Reason]:
    """Counts by table and rule."""
    found = []
    for table in TABLES:
        found += [
            Reason(table.name, r["reason"], rule_text(table.name, r["reason"]), r["n"])
            for r in records(
                con,
                f"select reason, count(*) as n from (select unnest(reasons) as reason from waiting.{table.name}"
                " where left_by is null) group by reason order by n desc, reason",
            )
        ]
    return found


def waiting_rows(con: Connection) -> int:
    """How many rows wait."""
    queries = " union all ".join(
        f"select count(*) as n from waiting.{t.name} where left_by is null" for t in TABLES
    )
    return int(records(con, f"select sum(n) as n from ({queries})")[0]["n"])
