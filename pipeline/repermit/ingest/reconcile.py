"""Decides what becomes of every row of one table in one ingest, and writes it down.

May import `contract`, `judging`, `warehouse` and its neighbours. All work is SQL on temporary tables:

- `src_N`: the rows of a new file as text (of all of them and the quarantine, where one is set aside: `incoming`);
- `judged`: typed, with the reasons why a row fails (null = it passes);
- `candidates`: rows that pass, lines that count one load each added up;
- `decided`: candidates with their fate; of the exposure log no copy, but a view of the candidates with `others`, those
  that are not simply accepted.

A first exposure log is in `accepted` before it is decided, and `judged` is a view of it there, with the rows that fail
added once it is: see `straight`.

A fate is one of `accepted`, `corrected` (takes the place of an accepted row of the same key), `duplicate`,
`mended` or `superseded` (only for waiting rows: a newer row has their key), or the name of a rule of the
reconciliation, which quarantines. Of the rows of one key the one said in the latest ingest stands, whenever
each of them comes to pass.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import Table
from repermit.ingest import files, lines
from repermit.ingest.aside import leave_waiting, set_aside, stay_or_leave
from repermit.ingest.columns import key_of, listed, same, typed_names
from repermit.ingest.decide import decide
from repermit.ingest.judged import gather, judge, show_text
from repermit.ingest.pace import DECIDED, JUDGED, READ, STORED, Pace
from repermit.ingest.straight import goes_straight, put, settle
from repermit.warehouse import Connection, literal, one, quote, rows


@dataclass(frozen=True)
class Counts:
    """What became of the rows of one file; they add up to `rows`."""

    rows: int
    accepted: int
    duplicate: int
    corrected: int
    quarantined: int


def reconcile(
    con: Connection, table: Table, sources: dict[int, files.Source], last_batch: int, pace: Pace
) -> dict[int, Counts]:
    """Read, judge and store the rows of one table: of the new files by batch id, and of its quarantine.

    `last_batch` is the highest batch of this ingest: what leaves or enters the quarantine without a file of
    its own is booked to it. Returns the counts by batch.
    """
    straight = goes_straight(con, table, sources)
    take = lines.stream if straight else lines.read
    for done, (batch, source) in enumerate(sources.items(), start=1):
        pace.step(READ * done / len(sources))
        take(con, source, f"src_{batch}")
    for batch, source in sources.items():
        _take_the_place(con, table, batch, source)
        if source.mends:
            stay_or_leave(con, table, batch)
    parts = gather(con, table, sources)
    pace.step(JUDGED)
    if straight:
        put(con, table, sources, parts)
    else:
        judge(con, table, parts)
    for batch, source in sources.items():
        _retire_unsaid(con, table, batch, source)
    pace.step(DECIDED)
    decide(con, table, min(sources, default=last_batch))
    read = settle(con, table, sources, parts) if straight else set(sources)
    show_text(con, parts)
    set_aside(con, table, sources, last_batch)
    counts = {batch: _count(con, batch, source, batch in read) for batch, source in sources.items()}
    pace.step(STORED)
    if not straight:
        _accept(con, table, last_batch)
    leave_waiting(con, table, last_batch)
    _drop(con)
    return counts


def _earlier(source: files.Source) -> str:
    """SQL of the batches in which the same file was read another way."""
    return (
        f"(select batch_id from record.batches where content = {literal(source.content)}"
        f" and table_name = {literal(source.table.name)})"
    )


def _take_the_place(con: Connection, table: Table, batch: int, source: files.Source) -> None:
    """What waits of the same file as read before, by another mapping, leaves: the file speaks again."""
    con.execute(
        f"update waiting.{table.name} set left_by = {batch}, left_as = 'read_again'"
        f" where left_by is null and read_in in {_earlier(source)}"
    )


def _retire_unsaid(con: Connection, table: Table, batch: int, source: files.Source) -> None:
    """Accepted rows of the same file as read before, whose keys it does not bring any more, are retired."""
    if not one(con, f"select exists {_earlier(source)}"):  # else the whole log is looked at
        return
    con.execute(
        f"update accepted.{table.name} a set retired_by = {batch} where retired_by is null"
        f" and read_in in {_earlier(source)} and not exists"
        f" (select 1 from judged j where j.read_in = {batch} and {same(key_of(table), 'a', 'j')})"
    )


def _count(con: Connection, batch: int, source: files.Source, kept: bool) -> Counts:
    parts = ("_stray", "_broken") if source.leads else ("_stray",)
    mine = f"read_in = {batch} and waiting_id is null"
    fates = dict(rows(con, f"select fate, sum(lines) from decided where {mine} group by fate"))
    aside, again = rows(
        con, f"select count(*) filter (not again), count(*) filter (again) from aside where read_in = {batch}"
    )[0]
    rows_of = f"src_{batch}" if kept else f"accepted.{source.table.name} where batch_id = {batch}"
    read = one(con, f"select count(*) from {rows_of}")
    read += sum(one(con, f"select count(*) from src_{batch}{part}") for part in parts)
    duplicate = int(fates.get("duplicate", 0)) + int(again)
    if source.mends:
        duplicate += int(one(con, f"select count(*) from src_{batch}_same"))
    counts = Counts(
        int(read), int(fates.get("accepted", 0)), duplicate, int(fates.get("corrected", 0)), int(aside)
    )
    assert counts.rows == counts.accepted + counts.duplicate + counts.corrected + counts.quarantined, counts
    return counts


def _accept(con: Connection, table: Table, last_batch: int) -> None:
    key, names = key_of(table), typed_names(table)
    booked = f"case when d.waiting_id is null then d.read_in else {last_batch} end"
    con.execute(
        f"update accepted.{table.name} a set retired_by = {booked} from decided d"
        f" where d.fate = 'corrected' and a.retired_by is null and {same(key, 'a', 'd')}"
    )
    if table.keeps_lines:
        extra = "coalesce(l.line, w.line) as line, coalesce(l.raw, w.raw) as raw"
        joins = (
            " left join located l on d.waiting_id is null and l.read_in = d.read_in and l.row_no = d.row_no"
            f" left join waiting.{table.name} w on w.waiting_id = d.waiting_id"
        )
    else:
        extra, joins = "d.lines, d.sums_with", ""
    con.execute(
        f"insert into accepted.{table.name} by name select {listed(names, 'd.')}, {booked} as batch_id, d.read_in,"
        f" {extra} from decided d{joins} where d.fate in ('accepted', 'corrected')"
    )


def _drop(con: Connection) -> None:
    """Everything temporary: nothing of it is asked for once the table is done."""
    for kind in ("view", "table"):
        for (name,) in rows(
            con, f"select {kind}_name from duckdb_{kind}s() where temporary and not internal"
        ):
            con.execute(f"drop {kind} {quote(name)}")
