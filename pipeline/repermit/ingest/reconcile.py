"""Decides what becomes of every row of one table in one ingest, and writes it down.

May import `contract`, `judging`, `warehouse` and its neighbours. All work is SQL on temporary tables:

- `incoming`: the rows as text, of the new files and of the quarantine;
- `judged`: typed, with the reasons why a row fails (null = it passes);
- `candidates`: rows that pass, lines that count one load each added up;
- `decided`: candidates with their fate; of the exposure log no copy, but a view of the candidates with `others`, those
  that are not simply accepted.

A fate is one of `accepted`, `corrected` (takes the place of an accepted row of the same key), `duplicate`,
`mended` or `superseded` (only for waiting rows: a newer row has their key), or the name of a rule of the
reconciliation, which quarantines. Of the rows of one key the one said in the latest ingest stands, whenever
each of them comes to pass.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import ID_ONCE, SPELLS_APART, WITHDRAWS_KNOWN, Table
from repermit.ingest import files, lines
from repermit.ingest.aside import leave_waiting, set_aside, stay_or_leave, sums_with
from repermit.ingest.columns import key_of, listed, same, shared, typed_names
from repermit.ingest.pace import DECIDED, JUDGED, READ, STORED, Pace
from repermit.judging import IS_ROW, lacks, passes, reasons, rows_to_judge
from repermit.warehouse import Connection, literal, one, quote, rows, typed_columns


@dataclass(frozen=True)
class Counts:
    """What became of the rows of one file; they add up to `rows`."""

    rows: int
    accepted: int
    duplicate: int
    corrected: int
    quarantined: int


@dataclass(frozen=True)
class Part:
    """Rows that are judged together, of one file or of the quarantine.

    `query` gives them as text; `fixed` is the SQL of columns in which all agree; `in_print`: they are known to have no
    control character.
    """

    query: str
    fixed: dict[str, str]
    in_print: bool


WHERE_READ = ("read_in", "said_in", "row_no", "waiting_id", "adds_up", "sums_with")
ADDS_UP = "sums_with is not null as adds_up"
APART = 1 << 40
"""More than the rows of a part: keeps the ids of parts apart."""


def reconcile(
    con: Connection, table: Table, sources: dict[int, files.Source], last_batch: int, pace: Pace
) -> dict[int, Counts]:
    """Read, judge and store the rows of one table: of the new files by batch id, and of its quarantine.

    `last_batch` is the highest batch of this ingest: what leaves or enters the quarantine without a file of
    its own is booked to it. Returns the counts by batch.
    """
    for done, (batch, source) in enumerate(sources.items(), start=1):
        pace.step(READ * done / len(sources))
        lines.read(con, source, f"src_{batch}")
    for batch, source in sources.items():
        _take_the_place(con, table, batch, source)
        if source.mends:
            stay_or_leave(con, table, batch)
    parts = _gather(con, table, sources)
    pace.step(JUDGED)
    _judge(con, table, parts)
    for batch, source in sources.items():
        _retire_unsaid(con, table, batch, source)
    pace.step(DECIDED)
    _decide(con, table, last_batch)
    if table.name == "trailers":
        _keep_spells_apart(con)
    set_aside(con, table, sources, last_batch)
    counts = {batch: _count(con, batch, source) for batch, source in sources.items()}
    pace.step(STORED)
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
    con.execute(
        f"update accepted.{table.name} a set retired_by = {batch} where retired_by is null"
        f" and read_in in {_earlier(source)} and not exists"
        f" (select 1 from judged j where j.read_in = {batch} and {same(key_of(table), 'a', 'j')})"
    )


def _gather(con: Connection, table: Table, sources: dict[int, files.Source]) -> list[Part]:
    """`incoming`: text columns, where and in which ingest each row was read, and whether its lines add up.

    Returns the parts of which it is the union: one a file, and one of the quarantine where a row waits.
    """
    columns = [c.name for c in table.all_columns]
    parts = []
    said_in = one(con, "select coalesce(max(ingest_id), 0) + 1 from record.batches")
    for batch, source in sources.items():
        header = f"[{', '.join(literal(name) for name in source.header)}]"
        adds, mended, fixed = sums_with(table, batch, source), "", _fixed(table, batch, source, said_in)
        if source.mends:
            adds, header = "w.sums_with", f"coalesce(o.header, {header})"
            mended = (
                f" left join waiting.{table.name} w on w.waiting_id = s.mends and w.left_by = {batch}"
                " left join record.batches o on o.batch_id = w.read_in"
                f" where s.row_no not in (select row_no from src_{batch}_same)"
            )
        query = (
            f"select {listed(columns, 's.')}, {batch} as read_in, {said_in} as said_in, s.row_no,"
            f" cast(null as bigint) as waiting_id, {adds} as sums_with, {lacks(table, header)} as lacks"
            f" from src_{batch} s{mended}"
        )
        parts.append(Part(query, fixed, source.in_print))
    if not parts or one(con, f"select exists (select 1 from waiting.{table.name} where left_by is null)"):
        query = (
            f"select {listed(columns, 'w.')}, w.read_in, b.ingest_id as said_in, cast(null as bigint) as row_no,"
            f" w.waiting_id, w.sums_with, {lacks(table, 'b.header')} as lacks"
            f" from waiting.{table.name} w join record.batches b on b.batch_id = w.read_in"
            f" where w.left_by is null and {IS_ROW}"
        )
        parts.append(Part(query, {}, False))
    incoming = " union all ".join(f"select *, {ADDS_UP} from ({part.query})" for part in parts)
    con.execute(f"create or replace temp view incoming as {incoming}")
    return parts


def _fixed(table: Table, batch: int, source: files.Source, said_in: int) -> dict[str, str]:
    """What is the same for all rows of a file, but for one to mend; of the exposure log, which is not filled from what
    was accepted, also the columns that it lacks."""
    if source.mends:
        return {}
    given = {c.name for c in table.all_columns if c.name in source.header or c.default is not None}
    empty = (
        {}
        if table.keeps_lines
        else {
            name: f"cast(null as {kind})"
            for name, kind in typed_columns(table)
            if name.removesuffix("_until") not in given
        }
    )
    adds = sums_with(table, batch, source)
    return empty | {
        "read_in": str(batch), "said_in": str(said_in), "waiting_id": "cast(null as bigint)", "sums_with": adds,
        "adds_up": f"{adds} is not null",
    }  # fmt: skip


def _judge(con: Connection, table: Table, parts: list[Part]) -> None:
    """`judged`: a view of a table a part, in which what is fixed for a part takes no room."""
    rules, views = table.rules(), []
    names = [*WHERE_READ, *typed_names(table)]
    for number, part in enumerate(parts):
        own = [name for name in names if name not in part.fixed]
        rows_of = f"(select *, {ADDS_UP} from ({part.query}))"
        told = ", ".join(
            f"{'' if name in WHERE_READ else 'row.'}{quote(name)} as {quote(name)}" for name in own
        )
        fails = f"case when {passes(rules, part.in_print)} then null else {reasons(rules)} end as reasons"
        con.execute(
            f"create or replace temp table judged_{number} as select {told}, {fails}"
            f" from ({rows_to_judge(table, rows_of, listed(WHERE_READ, 's.'))})"
        )
        shown = ", ".join(f"{part.fixed.get(name, quote(name))} as {quote(name)}" for name in names)
        views.append(f"select {shown}, reasons, rowid + {number} * {APART} as id from judged_{number}")
    con.execute(f"create or replace temp view judged as {' union all '.join(views)}")


def _decide(con: Connection, table: Table, last_batch: int) -> None:
    key, names = key_of(table), typed_names(table)
    counted = (
        f"select id, {listed(names)}, read_in, said_in, row_no, waiting_id, 1 as lines, sums_with from judged"
        " where reasons is null"
    )
    adds_up = bool(one(con, "select exists (select 1 from judged where adds_up)"))
    if adds_up:
        summed = ", ".join(
            "cast(sum(loads) as integer) as loads" if n == "loads" else quote(n) for n in names
        )
        counted += (
            f" and not adds_up union all select null, {summed}, read_in, said_in, min(row_no), min(waiting_id),"
            f" cast(count(*) as integer), sums_with from judged where reasons is null and adds_up"
            f" group by {listed(shared(table))}, read_in, said_in, (waiting_id is null), sums_with"
        )
    if adds_up:  # else no copy: a view of what was judged costs nothing
        con.execute(f"create or replace temp table summed as select * exclude (id) from ({counted})")
        counted = "select rowid as id, * from summed"
    con.execute(f"create or replace temp view candidates as {counted}")
    sums = "false"
    if adds_up:  # a line mended later adds to those of its own file that stand
        sums = "d.sums_with = cur.sums_with"
        con.execute(
            "update summed c set loads = c.loads + cur.loads from accepted.loads cur where cur.retired_by is null"
            f" and cur.sums_with = c.sums_with and {same(key, 'c', 'cur')}"
        )
    # As many hashes as rows tell that no two rows share a key: the dearest question, in its cheapest form.
    hashed = f"hash({listed(table.key)})"
    rivals = one(con, "select count(*) from candidates") > one(
        con, f"select count(*) from (select distinct {hashed} from candidates)"
    )
    if rivals:
        twice = f"select {hashed} as h from candidates group by h having count(*) > 1"
        con.execute(
            f"create or replace temp table rivals as select {listed(key)} from candidates where {hashed} in"
            f" (select h from ({twice})) group by {listed(key)} having count(*) > 1"
        )
    withdraws = one(con, "select exists (select 1 from judged where withdrawn)")
    undecided = "select c.*, cast(null as varchar) as rival_fate from candidates c"
    if rivals:
        undecided += f" where not exists (select 1 from rivals r where {same(key, 'c', 'r')})"
        undecided += f" union all {_rival_fates(table)}"
    con.execute(
        "create or replace temp table others as select * from (select d.*, case"
        " when d.rival_fate is not null then d.rival_fate"
        f"{_withdraws_unknown(key) if withdraws else ''}"
        f" when cur.batch_id is null then 'accepted' when {sums} then 'corrected'"
        f" when {same([n for n in names if n not in key], 'd', 'cur')} then 'duplicate'"
        " when said.ingest_id > d.said_in then 'superseded'"
        f" when said.ingest_id = d.said_in then {literal(ID_ONCE.name)}"
        " else 'corrected' end as fate"
        f" from ({undecided}) d left join (select * from accepted.{table.name} where retired_by is null) cur"
        f" on {same(key, 'd', 'cur')} left join record.batches said on said.batch_id = cur.read_in)"
        " where fate <> 'accepted'"
    )
    con.execute(
        f"create or replace temp {'table' if table.keeps_lines else 'view'} decided as select * exclude (rival_fate)"
        " from others union all select *, 'accepted' from candidates anti join others using (id)"
    )


def _withdraws_unknown(key: list[str]) -> str:
    """SQL of the case of a row that takes back what is neither accepted nor waits. Looked for only where a row does
    take back: the search goes over every row."""
    return (
        " when cur.batch_id is null and coalesce(d.withdrawn, false) and not exists (select 1 from judged w where"
        f" w.waiting_id is not null and not coalesce(w.withdrawn, false) and {same(key, 'w', 'd')})"
        f" then {literal(WITHDRAWS_KNOWN.name)}"
    )


def _rival_fates(table: Table) -> str:
    """SQL of the candidates that share a key: those of the latest ingest say one thing, or they disagree."""
    key, names = key_of(table), typed_names(table)
    content = "{" + ", ".join(f"{quote(n)}: c.{quote(n)}" for n in names) + "}"
    by_key = f"partition by {listed(key)}"
    latest = f"filter (where said_in = latest) over ({by_key})"
    return (
        f"select * exclude (content, latest, versions, says, place, arrives), case"
        " when said_in < latest then case when versions > 1 then 'superseded'"
        " when content = says then 'duplicate' when arrives then 'mended' else 'superseded' end"
        f" when versions > 1 then {literal(ID_ONCE.name)}"
        " when place = 1 then null else 'duplicate' end as rival_fate from ("
        f" select *, count(distinct content) {latest} as versions, min(content) {latest} as says,"
        f" row_number() over ({by_key} order by said_in desc, read_in, row_no, waiting_id) as place,"
        f" bool_or(waiting_id is null) over ({by_key}) as arrives"
        f" from (select c.*, {content} as content, max(said_in) over (partition by {listed(key, 'c.')}) as latest"
        f" from candidates c where exists (select 1 from rivals r where {same(key, 'c', 'r')})))"
    )


def _keep_spells_apart(con: Connection) -> None:
    """Quarantine spells that overlap another one of their trailer, until those that stay are apart.

    New spells first, among themselves: one that waits does not stand against them.
    """
    new = "waiting_id is null"
    for among, goes in ((new, new), ("true", f"not ({new})")):
        while _part_spells(con, among, goes):
            pass


def _part_spells(con: Connection, among: str, goes: str) -> bool:
    """Set aside the spells that may go and overlap any other `among` them; whether there were any."""
    takes = f"{among} and fate in ('accepted', 'corrected') and not coalesce(withdrawn, false)"
    columns = "trailer_id, in_service_on, out_of_service_on"
    con.execute(
        f"create or replace temp table spells as select {columns}, rowid as id, {goes} as goes from decided where {takes}"
        f" union all select {columns}, null, false from current.trailers c where not exists (select 1 from decided d"
        f" where {among} and d.fate = 'corrected' and d.trailer_id = c.trailer_id"
        " and d.in_service_on = c.in_service_on)"
    )
    con.execute(
        "create or replace temp table overlapping as select distinct a.id from spells a"
        " join spells b on a.trailer_id = b.trailer_id and a.id is distinct from b.id"
        " and (b.out_of_service_on is null or a.in_service_on < b.out_of_service_on)"
        " and (a.out_of_service_on is null or b.in_service_on < a.out_of_service_on) where a.goes"
    )
    con.execute(
        f"update decided set fate = {literal(SPELLS_APART.name)} where rowid in (select id from overlapping)"
    )
    return bool(one(con, "select count(*) from overlapping"))


def _count(con: Connection, batch: int, source: files.Source) -> Counts:
    parts = ("", "_stray", "_broken") if source.leads else ("", "_stray")
    mine = f"read_in = {batch} and waiting_id is null"
    fates = dict(rows(con, f"select fate, sum(lines) from decided where {mine} group by fate"))
    aside, again = rows(
        con, f"select count(*) filter (not again), count(*) filter (again) from aside where read_in = {batch}"
    )[0]
    read = sum(one(con, f"select count(*) from src_{batch}{part}") for part in parts)
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
