"""The quarantine: which rows enter it, with line, text and reasons, and which leave it.

May import `contract`, `judging`, `warehouse` and its neighbours `files` and `columns`. Works on the temporary tables
of `reconcile`, which says what they hold.
"""

from __future__ import annotations

from repermit.contract import ID_ONCE, LINE_OF_TABLE, LINE_WHOLE, SPELLS_APART, WITHDRAWS_KNOWN, Table
from repermit.ingest import files, lines
from repermit.ingest.columns import key_of, listed, same, shared
from repermit.judging import IS_ROW, clean, passes, reasons, rows_to_judge
from repermit.mending import LONGEST
from repermit.warehouse import Connection, literal, one, quote, rows


def rejudge(con: Connection, table: Table, last_batch: int, changed: set[str], since: int | None) -> int:
    """Move accepted rows that now fail a rule on another table to the quarantine; returns how many.

    Only rows that name one that came or went since the batch `since` in one of the `changed` tables are looked at; all
    without it.
    """
    rules = [rule for rule in table.rules() if rule.needs and rule.blocks]
    names = {"trailers": "trailer_id", "refusals": "refusal_id"}
    touched = (
        f"{names[other]} in (select {names[other]} from accepted.{other} where batch_id >= {since} or retired_by >= {since})"
        for other in sorted(changed & table.needs)
    )
    which = "true" if since is None else " or ".join(touched)
    source = f"(select rowid as id, * from accepted.{table.name} where retired_by is null and ({which}))"
    if not one(con, f"select exists (from {source})"):
        return 0
    where = ("s.line", "s.raw", "null as sums_with")
    if not table.keeps_lines:
        where = ("null as line", "null as raw", "s.sums_with")
    keep = ", ".join(("s.id", "s.read_in", *where))
    con.execute(
        f"create or replace temp table fallen as select id, read_in, line, raw, sums_with, text, {reasons(rules)} as reasons"
        f" from ({rows_to_judge(table, source, keep, stored=True)}) where not ({passes(rules)})"
    )
    _insert_waiting(con, table, "fallen", last_batch, "accepted")
    con.execute(
        f"update accepted.{table.name} set retired_by = {last_batch} where rowid in (select id from fallen)"
    )
    return int(one(con, "select count(*) from fallen"))


def set_aside(con: Connection, table: Table, sources: dict[int, files.Source], last_batch: int) -> None:
    """`aside`: the new rows that go to the quarantine, with line, text and reasons, and which were there before."""
    rules = ", ".join(literal(r.name) for r in (ID_ONCE, WITHDRAWS_KNOWN, SPELLS_APART))
    con.execute(
        "create or replace temp table failing as select read_in, row_no, reasons, adds_up from judged"
        " where reasons is not null and waiting_id is null"
    )
    con.execute(  # a conflict between added-up rows concerns every line of them
        f"insert into failing select j.read_in, j.row_no, [d.fate], j.adds_up from judged j join decided d"
        f" on d.read_in = j.read_in and {same(shared(table), 'd', 'j')} and (j.adds_up or d.row_no = j.row_no)"
        f" where d.fate in ({rules}) and j.waiting_id is null and d.waiting_id is null and j.reasons is null"
    )
    _locate(con, table, sources)
    apart = ["failing", *(f"src_{batch}_{what}" for batch in sources for what in ("stray", "broken"))]
    if not any(one(con, f"select exists (from {name})") for name in apart):
        con.execute("create or replace temp table aside (read_in INTEGER, again BOOLEAN)")
        return
    texts = ", ".join(f"{clean('i.' + quote(c.name))} as {quote(c.name)}" for c in table.all_columns)
    con.execute(
        f"create or replace temp table failing_text as select {texts}, f.read_in, f.row_no, f.reasons, f.adds_up, i.sums_with, l.line, l.raw"
        " from failing f join incoming i on i.read_in = f.read_in and i.row_no = f.row_no"
        " join located l on l.read_in = f.read_in and l.row_no = f.row_no"
    )
    _mark_again(con, table)
    for batch, source in sources.items():
        stray = (
            f"select raw, line, {literal(LINE_OF_TABLE.name)} as rule from src_{batch}_stray join located l"
        )
        told = f"{stray} on l.read_in = {batch} and l.row_no = src_{batch}_stray.row_no"
        if source.leads:
            told += f" union all select raw, line, {literal(LINE_WHOLE.name)} from src_{batch}_broken"
        con.execute(
            f"insert into aside by name select {batch} as read_in, raw, line, [rule] as reasons, {sums_with(batch, source)} as sums_with,"
            f" exists (select 1 from waiting.{table.name} w where w.left_by is null and w.raw = b.raw) as again"
            f" from ({told}) b"
        )
    _insert_waiting(
        con,
        table,
        "(select * exclude (alike) from aside where not again)",
        last_batch,
        "read",
        as_struct=False,
    )


def sums_with(batch: int, source: files.Source) -> str:
    """SQL of the batch with whose lines those of a source add up; null where each row is a whole one."""
    return str(batch) if source.adds_up else "cast(null as integer)"


def stay_or_leave(con: Connection, table: Table, batch: int) -> None:
    """Of a file to mend: `src_N_same`, the rows that are as they wait or are dropped, so that nothing new is said;
    what is dropped and what the others mend leaves the quarantine."""
    alike = " and ".join(
        f"{_shown('s.' + quote(c.name))} is not distinct from {_shown('w.' + quote(c.name))}"
        for c in table.all_columns
    )
    con.execute(
        f"create or replace temp table src_{batch}_same as select s.row_no from src_{batch} s"
        f" join waiting.{table.name} w on w.waiting_id = s.mends and w.left_by is null where {alike}"
        f" union select row_no from src_{batch} where dropped"
    )
    con.execute(
        f"update waiting.{table.name} set left_by = {batch}, left_as = 'dropped' where left_by is null"
        f" and waiting_id in (select mends from src_{batch} where dropped)"
    )
    con.execute(
        f"update waiting.{table.name} set left_by = {batch}, left_as = 'mended' where left_by is null and waiting_id in"
        f" (select mends from src_{batch} where row_no not in (select row_no from src_{batch}_same))"
    )


def _shown(cell: str) -> str:
    """SQL of a cell as a file to mend shows it."""
    ends = f"replace(replace({clean(cell)}, chr(13) || chr(10), chr(10)), chr(13), chr(10))"
    return clean(f"left({ends}, {LONGEST})")


def _locate(con: Connection, table: Table, sources: dict[int, files.Source]) -> None:
    """`located`: line and text of the new rows, of the files that need it."""
    failing = {batch for (batch,) in rows(con, "select distinct read_in from failing")}
    located = []
    for batch, source in sources.items():
        told_by_line = (
            f"select (select count(*) from src_{batch}_broken) + (select count(*) from src_{batch}_stray)"
        )
        if table.keeps_lines or batch in failing or one(con, told_by_line):
            strays = f"select row_no from src_{batch}_stray"
            wanted = f"select row_no from failing where read_in = {batch} union all {strays}"
            lines.locate(con, source, f"src_{batch}", "" if table.keeps_lines else wanted)
            located.append(f"select {batch} as read_in, row_no, line, raw from src_{batch}_at")
    none = "select null::integer as read_in, null::bigint as row_no, null::bigint as line, null::varchar as raw where false"
    con.execute("create or replace temp view located as " + (" union all ".join(located) or none))


def _mark_again(con: Connection, table: Table) -> None:
    """`aside`: the failing rows, and which say `again` what stands before them or waits as the last word of its key.

    Lines that add up say the same again only all together. A contradiction is told anew, and takes the old one's
    place.
    """
    columns = [c.name for c in table.all_columns]
    key_rules = ", ".join(literal(name) for name in table.key_rules)
    con.execute(
        f"create or replace temp table words as select {listed(columns)}, count(*) as alike,"
        f" read_in = max(read_in) over (partition by {listed(table.key)}) as last"
        f" from waiting.{table.name} where left_by is null and {IS_ROW}"
        f" group by {listed(columns)}, read_in"
    )
    con.execute(
        "create or replace temp table aside as select f.*, "
        f"(not adds_up and row_number() over (partition by {listed(columns)} order by read_in, row_no) > 1)"
        f" or (f.reasons <> [{literal(ID_ONCE.name)}] and exists (select 1 from words w where {same(columns, 'w', 'f')}"
        f" and (w.last or list_has_any(f.reasons, [{key_rules}])) and (not f.adds_up or w.alike = f.alike)))"
        # a row that was accepted once and fell waits with its text rewritten from its values: its line tells it
        f" or exists (select 1 from waiting.{table.name} w where w.left_by is null and w.origin = 'accepted'"
        " and w.raw = f.raw) as again"
        f" from (select *, count(*) over (partition by {listed(columns)}, read_in) as alike from failing_text) f"
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
        f" read_in, {last_batch} as since, {literal(origin)} as origin, line, raw, reasons, sums_with from {source} a"
    )


def leave_waiting(con: Connection, table: Table, last_batch: int) -> None:
    """Waiting rows that a newer row mends, or that passed, leave; the others get today's reasons."""
    if not one(con, "select exists (select 1 from judged where waiting_id is not null)"):
        return
    key = key_of(table)
    key_rules = ", ".join(literal(name) for name in table.key_rules)
    con.execute(
        "create or replace temp table leaving as select w.waiting_id,"
        " case when j.reasons is null and d.fate is not null then case d.fate when 'corrected' then 'accepted'"
        " else d.fate end else 'mended' end as left_as"
        f" from judged j join waiting.{table.name} w on w.waiting_id = j.waiting_id"
        f" left join decided d on {same(shared(table), 'd', 'j')} and d.read_in = j.read_in and d.waiting_id is not null"
        " and (d.waiting_id = j.waiting_id or j.adds_up)"
        " where (j.reasons is null and d.fate in ('accepted', 'corrected', 'duplicate', 'mended', 'superseded'))"
        f" or (j.reasons is not null and not list_has_any(j.reasons, [{key_rules}]) and exists (select 1 from decided n"
        f" where n.said_in > j.said_in and n.fate in ('accepted', 'corrected', 'duplicate') and {same(key, 'n', 'j')}))"
    )
    con.execute(
        f"update waiting.{table.name} w set left_by = {last_batch}, left_as = l.left_as from leaving l"
        " where l.waiting_id = w.waiting_id"
    )
    con.execute(
        "create or replace temp table today as select w.waiting_id, w.reasons as were, coalesce(j.reasons, [d.fate]) as are"
        f" from judged j join waiting.{table.name} w on w.waiting_id = j.waiting_id and w.left_by is null"
        f" left join decided d on j.reasons is null and d.waiting_id is not null and d.read_in = j.read_in"
        f" and {same(shared(table), 'd', 'j')} where coalesce(j.reasons, [d.fate]) is distinct from w.reasons"
    )
    con.execute(
        f"insert into record.reasons select {literal(table.name)}, waiting_id, {last_batch}, were from today"
    )
    con.execute(
        f"update waiting.{table.name} w set reasons = t.are from today t where t.waiting_id = w.waiting_id"
    )
