"""What was set aside and why. May import `contract`, `warehouse`."""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import TABLES, Table, rule_text
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
    nearest: str = ""
    """Of an unknown trailer: the listed ones that it may be, with what speaks for each."""


@dataclass(frozen=True)
class Reason:
    """How many waiting rows of a table fail one rule; a row may fail several."""

    table: str
    reason: str
    text: str
    rows: int


def set_aside(con: Connection) -> list[SetAside]:
    """Every waiting row, by table, file and line."""
    found, nearest = [], {p.unknown: p.text for p in proposals(con)}
    for table in TABLES:
        found += [
            SetAside(
                table.name,
                r["file"],
                r["line"],
                r["raw"],
                tuple(r["reasons"]),
                r["origin"],
                nearest.get(r["unknown"], ""),
            )
            for r in records(
                con,
                f"select b.file, w.line, w.raw, w.reasons, w.origin, {_unknown(table)} as unknown from waiting.{table.name} w"
                " join record.batches b on b.batch_id = w.read_in where w.left_by is null"
                " order by w.read_in, w.line, w.waiting_id",
            )
        ]
    return found


def _unknown(table: Table) -> str:
    """SQL of the trailer that a waiting row names and the list lacks."""
    if not any(rule.name == "trailer_known" for rule in table.rules()):
        return "null"
    return "case when list_contains(w.reasons, 'trailer_known') then w.trailer_id end"


@dataclass(frozen=True)
class Proposal:
    """Which listed trailers an unknown id may be, best first, and how many rows wait for it."""

    unknown: str
    rows: int
    text: str


def proposals(con: Connection) -> list[Proposal]:
    """By unknown id, those of most waiting rows first. Nothing is merged until an alias says so."""
    found: dict[str, tuple[int, list[str]]] = {}
    for r in records(con, "select * from record.likely order by rows desc, unknown, place"):
        if r["same_letters"]:
            why = "the same but for capitals, blanks, dashes and leading zeros"
        else:
            why = "1 letter differs" if r["edits"] == 1 else f"{r['edits']} letters differ"
        found.setdefault(r["unknown"], (r["rows"], []))[1].append(f"{r['trailer_id']} ({why})")
    return [Proposal(unknown, n, " or ".join(texts)) for unknown, (n, texts) in found.items()]


SHOWN = 5
"""Proposals told beside a reason; all stand beside the rows."""


def _told(con: Connection, table: str, reason: str) -> str:
    """The sentence of a rule; of unknown trailers with who they may be."""
    text = rule_text(table, reason)
    if reason != "trailer_known" or not (all_of_them := proposals(con)):
        return text
    told = [f"{p.unknown!r} ({p.rows} rows) may be {p.text}" for p in all_of_them[:SHOWN]]
    more = f"; and {len(all_of_them) - SHOWN} more ids" if len(all_of_them) > SHOWN else ""
    return f"{text}; in all tables {'; '.join(told)}{more}"


def by_reason(con: Connection) -> list[Reason]:
    """Counts by table and rule."""
    found = []
    for table in TABLES:
        found += [
            Reason(table.name, r["reason"], _told(con, table.name, r["reason"]), r["n"])
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
