"""Decides what becomes of every row of one table in one ingest, and writes it down.

May import `contract`, `judging`, `warehouse` and its neighbour `files`. All work is SQL on temporary tables:

- `incoming`: the rows as text, of the new files and of the quarantine;
- `judged`: typed, with the reasons why a row fails (null = it passes);
- `candidates`: rows that pass, lines that count one load each added up;
- `decided`: candidates with their fate.

A fate is one of `accepted`, `corrected` (takes the place of an accepted row of the same key), `duplicate`,
`mended` or `superseded` (only for waiting rows: a newer row has their key), or the name of a rule of the
reconciliation, which quarantines. Of the rows of one key the one said in the latest ingest stands, whenever
each of them comes to pass.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.contract import ID_ONCE, LINE_WHOLE, SPELLS_APART, WITHDRAWS_KNOWN, Table
from repermit.ingest import files
from repermit.judging import clean, passes, reasons, rows_to_judge
from repermit.warehouse import Connection, literal, one, quote, rows, typed_columns


@dataclass(frozen=True)
class Counts:
    """What became of the rows of one file; they add up to `rows`."""

    rows: int
    accepted: int
    duplicate: int
    corrected: int
    quarantined: int


def reconcile(
    con: Connection, table: Table, sources: dict[int, files.Source], last_batch: int
) -> dict[int, Counts]:
    """Read, judge and store the rows of one table: of the new files by batch id, and of its quarantine.

    `last_batch` is the highest batch of this ingest: what leaves or enters the quarantine without a file of
    its own is booked to it. Returns the counts by batch.
    """
    for batch, source in sources.items():
        files.read(con, source, f"src_{batch}")
    _gather(con, table, sources)
    _judge(con, table)
    _decide(con, table, last_batch)
    if table.name == "trailers":
        _keep_spells_apart(con)
    _set_aside(con, table, sources, last_batch)
    counts = {batch: _count(con, batch) for batch in sources}
    _accept(con, table, last_batch)
    _leave_waiting(con, table, last_batch)
    _drop(con, sources)
    return counts


def rejudge(con: Connection, table: Table, last_batch: int) -> int:
    """Move accepted rows that now fail a rule on another table to the quarantine; returns how many."""
    rules = [rule for rule in table.rules() if rule.needs and rule.blocks]
    source = f"(select rowid as id, * from accepted.{table.name} where retired_by is null)"
    keep = "s.id, s.read_in" + (", s.line, s.raw" if table.keeps_lines else ", null as line, null as raw")
    con.execute(
        f"create or replace temp table fallen as select id, read_in, line, raw, text, {reasons(rules)} as reasons"
        f" from ({rows_to_judge(table, source, keep, stored=True)}) where not ({passes(rules)})"
    )
    _insert_waiting(con, table, "fallen", last_batch, "accepted")
    con.execute(
        f"update accepted.{table.name} set retired_by = {last_batch} where rowid in (select id from fallen)"
    )
    return int(one(con, "select count(*) from fallen"))


# --- the steps ----------------------------------------------------------------------------------------


def _names(table: Table) -> list[str]:
    return [name for name, _ in typed_columns(table)]


def _list(names: list[str] | tuple[str, ...], prefix: str = "") -> str:
    return ", ".join(prefix + quote(name) for name in names)


def _same(names: list[str] | tuple[str, ...], a: str, b: str) -> str:
    """SQL: two rows agree in these columns; null equals null."""
    return " and ".join(f"{a}.{quote(n)} is not distinct from {b}.{quote(n)}" for n in names)


def _key(table: Table) -> list[str]:
    return [name for name in _names(table) if name.removesuffix("_until") in table.key]


def _shared(table: Table) -> list[str]:
    """The columns in which lines that add up to one row agree."""
    return [name for name in _names(table) if (table.name, name) != ("loads", "loads")]


def _gather(con: Connection, table: Table, sources: dict[int, files.Source]) -> None:
    """`incoming`: text columns, where and in which ingest each row was read, and whether its lines add up."""
    columns = [c.name for c in table.all_columns]
    parts = []
    said_in = one(con, "select coalesce(max(ingest_id), 0) + 1 from record.batches")
    for batch, source in sources.items():
        adds_up = table.name == "loads" and "loads" not in source.header
        parts.append(
            f"select {_list(columns)}, {batch} as read_in, {said_in} as said_in, row_no,"
            f" cast(null as bigint) as waiting_id, {str(adds_up).lower()} as adds_up from src_{batch}"
        )
    adds_up_then = "not list_contains(b.header, 'loads')" if table.name == "loads" else "false"
    parts.append(
        f"select {_list(columns, 'w.')}, w.read_in, b.ingest_id as said_in, cast(null as bigint) as row_no,"
        f" w.waiting_id, {adds_up_then} as adds_up"
        f" from waiting.{table.name} w join record.batches b on b.batch_id = w.read_in"
        f" where w.left_by is null and not list_contains(w.reasons, {literal(LINE_WHOLE.name)})"
    )
    con.execute("create or replace temp view incoming as " + " union all ".join(parts))


def _judge(con: Connection, table: Table) -> None:
    rules = table.rules()
    typed = ", ".join(f"row.{quote(name)} as {quote(name)}" for name in _names(table))
    con.execute(
        f"create or replace temp table judged as select read_in, said_in, row_no, waiting_id, adds_up, {typed},"
        f" case when {passes(rules)} then null else {reasons(rules)} end as reasons"
        f" from ({rows_to_judge(table, 'incoming', 's.read_in, s.said_in, s.row_no, s.waiting_id, s.adds_up')})"
    )


def _decide(con: Connection, table: Table, last_batch: int) -> None:
    key, names = _key(table), _names(table)
    counted = (
        f"select {_list(names)}, read_in, said_in, row_no, waiting_id, 1 as lines from judged"
        " where reasons is null"
    )
    if table.name == "loads":
        summed = ", ".join(
            "cast(sum(loads) as integer) as loads" if n == "loads" else quote(n) for n in names
        )
        counted += (
            f" and not adds_up union all select {summed}, read_in, said_in, min(row_no), min(waiting_id),"
            f" cast(count(*) as integer) from judged where reasons is null and adds_up"
            f" group by {_list(_shared(table))}, read_in, said_in, (waiting_id is null)"
        )
    con.execute(f"create or replace temp table candidates as {counted}")
    con.execute(
        f"create or replace temp table rivals as select {_list(key)} from candidates group by {_list(key)}"
        " having count(*) > 1"
    )
    con.execute(
        "create or replace temp table decided as select c.*, cast(null as varchar) as rival_fate from candidates c"
        f" where not exists (select 1 from rivals r where {_same(key, 'c', 'r')}) union all {_rival_fates(table)}"
    )
    con.execute(
        "create or replace temp table decided as select d.*, case"
        " when d.rival_fate is not null then d.rival_fate"
        f" when cur.batch_id is null and coalesce(d.withdrawn, false) and not exists (select 1 from judged w where"
        f" w.waiting_id is not null and not coalesce(w.withdrawn, false) and {_same(key, 'w', 'd')})"
        f" then {literal(WITHDRAWS_KNOWN.name)}"
        " when cur.batch_id is null then 'accepted'"
        f" when {_same([n for n in names if n not in key], 'd', 'cur')} then 'duplicate'"
        " when said.ingest_id > d.said_in then 'superseded'"
        f" when said.ingest_id = d.said_in then {literal(ID_ONCE.name)}"
        " else 'corrected' end as fate"
        f" from decided d left join (select * from accepted.{table.name} where retired_by is null) cur"
        f" on {_same(key, 'd', 'cur')} left join record.batches said on said.batch_id = cur.read_in"
    )


def _rival_fates(table: Table) -> str:
    """SQL of the candidates that share a key: those of the latest ingest say one thing, or they disagree."""
    key, names = _key(table), _names(table)
    content = "{" + ", ".join(f"{quote(n)}: c.{quote(n)}" for n in names) + "}"
    by_key = f"partition by {_list(key)}"
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
        f" from (select c.*, {content} as content, max(said_in) over (partition by {_list(key, 'c.')}) as latest"
        f" from candidates c where exists (select 1 from rivals r where {_same(key, 'c', 'r')})))"
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


def _set_aside(con: Connection, table: Table, sources: dict[int, files.Source], last_batch: int) -> None:
    """`aside`: the new rows that go to the quarantine, with line, text and reasons, and which were there before."""
    rules = ", ".join(literal(r.name) for r in (ID_ONCE, WITHDRAWS_KNOWN, SPELLS_APART))
    con.execute(
        "create or replace temp table failing as select read_in, row_no, reasons, adds_up from judged"
        " where reasons is not null and waiting_id is null"
    )
    con.execute(  # a conflict between added-up rows concerns every line of them
        f"insert into failing select j.read_in, j.row_no, [d.fate], j.adds_up from judged j join decided d"
        f" on d.read_in = j.read_in and {_same(_shared(table), 'd', 'j')} and (j.adds_up or d.row_no = j.row_no)"
        f" where d.fate in ({rules}) and j.waiting_id is null and d.waiting_id is null and j.reasons is null"
    )
    _locate(con, table, sources)
    texts = ", ".join(f"{clean('i.' + quote(c.name))} as {quote(c.name)}" for c in table.all_columns)
    con.execute(
        f"create or replace temp table failing_text as select {texts}, f.read_in, f.row_no, f.reasons, f.adds_up, l.line, l.raw"
        " from failing f join incoming i on i.read_in = f.read_in and i.row_no = f.row_no"
        " join located l on l.read_in = f.read_in and l.row_no = f.row_no"
    )
    _mark_again(con, table)
    for batch in sources:
        con.execute(
            f"insert into aside by name select {batch} as read_in, raw, line, [{literal(LINE_WHOLE.name)}] as reasons,"
            f" exists (select 1 from waiting.{table.name} w where w.left_by is null and w.raw = b.raw) as again"
            f" from src_{batch}_broken b"
        )
    _insert_waiting(
        con,
        table,
        "(select * exclude (alike) from aside where not again)",
        last_batch,
        "read",
        as_struct=False,
    )


def _locate(con: Connection, table: Table, sources: dict[int, files.Source]) -> None:
    """`located`: line and text of the new rows, of the files that need it."""
    failing = {batch for (batch,) in rows(con, "select distinct read_in from failing")}
    located = []
    for batch, source in sources.items():
        if table.keeps_lines or batch in failing or one(con, f"select count(*) from src_{batch}_broken"):
            files.locate(con, source, f"src_{batch}")
            located.append(f"select {batch} as read_in, row_no, line, raw from src_{batch}_at")
    none = "select null::integer as read_in, null::bigint as row_no, null::bigint as line, null::varchar as raw where false"
    con.execute("create or replace temp view located as " + (" union all ".join(located) or none))


def _mark_again(con: Connection, table: Table) -> None:
    """`aside`: the failing rows, and which say `again` what stands before them or waits as the last word of its key.

    Lines that add up say the same again only all together. A contradiction is told anew, and takes the old one's
    place.
    """
    columns = [c.name for c in table.all_columns]
    key_rules = ", ".join(literal(f"{name}_{what}") for name in table.key for what in ("given", "reads"))
    con.execute(
        f"create or replace temp table words as select {_list(columns)}, count(*) as alike,"
        f" read_in = max(read_in) over (partition by {_list(table.key)}) as last"
        f" from waiting.{table.name} where left_by is null and not list_contains(reasons, {literal(LINE_WHOLE.name)})"
        f" group by {_list(columns)}, read_in"
    )
    con.execute(
        "create or replace temp table aside as select f.*, "
        f"(not adds_up and row_number() over (partition by {_list(columns)} order by read_in, row_no) > 1)"
        f" or (f.reasons <> [{literal(ID_ONCE.name)}] and exists (select 1 from words w where {_same(columns, 'w', 'f')}"
        f" and (w.last or list_has_any(f.reasons, [{key_rules}])) and (not f.adds_up or w.alike = f.alike)))"
        # a row that was accepted once and fell waits with its text rewritten from its values: its line tells it
        f" or exists (select 1 from waiting.{table.name} w where w.left_by is null and w.origin = 'accepted'"
        " and w.raw = f.raw) as again"
        f" from (select *, count(*) over (partition by {_list(columns)}, read_in) as alike from failing_text) f"
    )


def _insert_waiting(
    con: Connection, table: Table, source: str, last_batch: int, origin: str, *, as_struct: bool = True
) -> None:
    prefix = "text." if as_struct else "a."
    texts = ", ".join(f"{prefix}{quote(c.name)} as {quote(c.name)}" for c in table.all_columns)
    con.execute(
        f"insert into waiting.{table.name} by name select {texts},"
        f" (select coalesce(max(waiting_id), 0) from waiting.{table.name})"
        f" + row_number() over (order by read_in, line) as waiting_id,"
        f" read_in, {last_batch} as since, {literal(origin)} as origin, line, raw, reasons from {source} a"
    )


def _count(con: Connection, batch: int) -> Counts:
    mine = f"read_in = {batch} and waiting_id is null"
    fates = dict(rows(con, f"select fate, sum(lines) from decided where {mine} group by fate"))
    aside, again = rows(
        con, f"select count(*) filter (not again), count(*) filter (again) from aside where read_in = {batch}"
    )[0]
    read = one(con, f"select count(*) from src_{batch}") + one(
        con, f"select count(*) from src_{batch}_broken"
    )
    duplicate = int(fates.get("duplicate", 0)) + int(again)
    counts = Counts(
        int(read), int(fates.get("accepted", 0)), duplicate, int(fates.get("corrected", 0)), int(aside)
    )
    assert counts.rows == counts.accepted + counts.duplicate + counts.corrected + counts.quarantined, counts
    return counts


def _accept(con: Connection, table: Table, last_batch: int) -> None:
    key, names = _key(table), _names(table)
    booked = f"case when d.waiting_id is null then d.read_in else {last_batch} end"
    con.execute(
        f"update accepted.{table.name} a set retired_by = {booked} from decided d"
        f" where d.fate = 'corrected' and a.retired_by is null and {_same(key, 'a', 'd')}"
    )
    if table.keeps_lines:
        extra = "coalesce(l.line, w.line) as line, coalesce(l.raw, w.raw) as raw"
        joins = (
            " left join located l on d.waiting_id is null and l.read_in = d.read_in and l.row_no = d.row_no"
            f" left join waiting.{table.name} w on w.waiting_id = d.waiting_id"
        )
    else:
        extra, joins = "d.lines", ""
    con.execute(
        f"insert into accepted.{table.name} by name select {_list(names, 'd.')}, {booked} as batch_id, d.read_in,"
        f" {extra} from decided d{joins} where d.fate in ('accepted', 'corrected')"
    )


def _leave_waiting(con: Connection, table: Table, last_batch: int) -> None:
    """Waiting rows that a newer row mends, or that passed, leave; the others get today's reasons."""
    key = _key(table)
    key_rules = ", ".join(literal(f"{name}_{what}") for name in table.key for what in ("given", "reads"))
    con.execute(
        "create or replace temp table leaving as select w.waiting_id,"
        " case when j.reasons is null and d.fate is not null then case d.fate when 'corrected' then 'accepted'"
        " else d.fate end else 'mended' end as left_as"
        f" from judged j join waiting.{table.name} w on w.waiting_id = j.waiting_id"
        f" left join decided d on {_same(_shared(table), 'd', 'j')} and d.read_in = j.read_in and d.waiting_id is not null"
        " and (d.waiting_id = j.waiting_id or j.adds_up)"
        " where (j.reasons is null and d.fate in ('accepted', 'corrected', 'duplicate', 'mended', 'superseded'))"
        f" or (j.reasons is not null and not list_has_any(j.reasons, [{key_rules}]) and exists (select 1 from decided n"
        f" where n.said_in > j.said_in and n.fate in ('accepted', 'corrected', 'duplicate') and {_same(key, 'n', 'j')}))"
    )
    con.execute(
        f"update waiting.{table.name} w set left_by = {last_batch}, left_as = l.left_as from leaving l"
        " where l.waiting_id = w.waiting_id"
    )
    con.execute(
        f"update waiting.{table.name} w set reasons = coalesce(j.reasons, [d.fate]) from judged j"
        f" left join decided d on j.reasons is null and d.waiting_id is not null and d.read_in = j.read_in"
        f" and {_same(_shared(table), 'd', 'j')} where j.waiting_id = w.waiting_id and w.left_by is null"
        " and coalesce(j.reasons, [d.fate]) is distinct from w.reasons"
    )


def _drop(con: Connection, sources: dict[int, files.Source]) -> None:
    con.execute("drop view incoming; drop view located")
    for table in (
        "judged",
        "candidates",
        "rivals",
        "decided",
        "failing",
        "failing_text",
        "words",
        "aside",
        "leaving",
    ):
        con.execute(f"drop table if exists {table}")
    for batch in sources:
        for part in ("", "_broken", "_rejects", "_rejects_scan", "_lines", "_free", "_at"):
            con.execute(f"drop table if exists src_{batch}{part}")
