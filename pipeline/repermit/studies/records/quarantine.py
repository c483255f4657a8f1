"""What was set aside and why. May import `contract`, `mending`, `warehouse`, `wording`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from repermit.contract import BY_NAME, TABLES, Table, rule_text
from repermit.mending import ABOUT, LONGEST
from repermit.warehouse import Connection, records
from repermit.wording import seen


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
    waiting_id: int = 0
    """Its number among the waiting rows of its table."""
    cells: tuple[str | None, ...] = ()
    """Its cells, as the table has them; of a line without columns all are None."""


@dataclass(frozen=True)
class Reason:
    """How many waiting rows of a table fail one rule; a row may fail several."""

    table: str
    reason: str
    rule: str
    rows: int
    likely: str = ""
    """Of unknown trailers: who they may be, in all tables."""

    @property
    def text(self) -> str:
        """The rule, and who the unknown trailers may be."""
        return f"{self.rule}; {self.likely}" if self.likely else self.rule


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
                r["waiting_id"],
                tuple(r[c.name] for c in table.all_columns),
            )
            for r in records(
                con,
                f"select w.*, b.file, {_unknown(table)} as unknown from waiting.{table.name} w"
                " join record.batches b on b.batch_id = w.read_in where w.left_by is null"
                " order by w.read_in, w.line, w.waiting_id",
            )
        ]
    return found


def to_mend(set_aside: list[SetAside]) -> tuple[list[str], list[list[object]]]:
    """Header and rows of the file in which the rows are mended: what waits and why, and the columns of their tables."""
    tables = list(dict.fromkeys(row.table for row in set_aside))
    columns = list(dict.fromkeys(c.name for name in tables for c in BY_NAME[name].all_columns))
    rows: list[list[object]] = []
    for row in set_aside:
        names = [c.name for c in BY_NAME[row.table].all_columns]
        cells = dict(zip(names, row.cells, strict=True))
        why = "; ".join(rule_text(row.table, reason) for reason in row.reasons)
        about = (
            row.waiting_id,
            row.table,
            "",
            row.file,
            row.line,
            why,
            row.nearest,
            (row.raw or "")[:LONGEST],
        )
        rows.append([*about, *((cells.get(name) or "")[:LONGEST] for name in columns)])
    return [*ABOUT, *columns], rows


@dataclass(frozen=True)
class Left:
    """One row that left the quarantine: when it came and went (ingests), as what, and by which file, if by one.

    `left_as`: accepted (its rules hold now), mended (by a mended row or a newer one of its key), dropped (by a
    person, as no record), duplicate,
    superseded (a newer row has its key), read_again (its file was, another way).
    """

    table: str
    file: str
    line: int | None
    raw: str | None
    came_in: int
    left_in: int
    left_on: date
    left_as: str
    by: str | None


def left(con: Connection) -> list[Left]:
    """Every row that left the quarantine, in the order in which they left."""
    found: list[Left] = []
    for table in TABLES:
        found += [
            Left(table.name, **r)
            for r in records(
                con,
                "select b.file, w.line, w.raw, s.ingest_id as came_in, l.ingest_id as left_in,"
                " cast(l.read_at as date) as left_on, w.left_as,"
                " case when w.left_as in ('mended', 'dropped') and l.table_name = $table then l.file end as by"
                f" from waiting.{table.name} w join record.batches b on b.batch_id = w.read_in"
                " join record.batches s on s.batch_id = w.since join record.batches l on l.batch_id = w.left_by"
                " order by w.left_by, w.read_in, w.line, w.waiting_id",
                {"table": table.name},
            )
        ]
    return sorted(found, key=lambda row: row.left_in)


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


def _likely(con: Connection, reason: str) -> str:
    """Who the unknown trailers may be; nothing for another reason."""
    if reason != "trailer_known" or not (all_of_them := proposals(con)):
        return ""
    told = [f"{p.unknown!r} ({seen(p.rows, 'row')}) may be {p.text}" for p in all_of_them[:SHOWN]]
    more = f"; and {len(all_of_them) - SHOWN} more ids" if len(all_of_them) > SHOWN else ""
    return f"in all tables {'; '.join(told)}{more}"


def by_reason(con: Connection) -> list[Reason]:
    """Counts by table and rule."""
    found = []
    for table in TABLES:
        found += [
            Reason(
                table.name,
                r["reason"],
                rule_text(table.name, r["reason"]),
                r["n"],
                _likely(con, r["reason"]),
            )
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
