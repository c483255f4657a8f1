"""The rows of one table in one ingest, gathered as text and judged.

May import `contract`, `judging`, `warehouse` and its neighbours `files`, `columns` and `aside`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from repermit.contract import Table
from repermit.ingest import files
from repermit.ingest.aside import sums_with
from repermit.ingest.columns import listed, typed_names
from repermit.judging import IS_ROW, lacks, passes, reasons, rows_to_judge
from repermit.warehouse import Connection, literal, one, quote, typed_columns


@dataclass(frozen=True)
class Part:
    """Rows that are judged together, of one file or of the quarantine.

    `query` gives them as text; `fixed` is the SQL of columns in which all agree; `in_print`: they are known to have no
    control character; `lacking`: the columns of the contract that none has, where that is known.
    """

    query: str
    fixed: dict[str, str]
    in_print: bool
    lacking: frozenset[str] | None


WHERE_READ = ("read_in", "said_in", "row_no", "waiting_id", "adds_up", "sums_with")
ADDS_UP = "sums_with is not null as adds_up"
APART = 1 << 40
"""More than the rows of a part: keeps the ids of parts apart."""


def gather(con: Connection, table: Table, sources: dict[int, files.Source]) -> list[Part]:
    """What there is to judge, a part a file and one of the quarantine where a row waits: text columns, where and in which
    ingest each row was read, and with which lines it adds up."""
    columns = [c.name for c in table.all_columns]
    parts = []
    said_in = one(con, "select coalesce(max(ingest_id), 0) + 1 from record.batches")
    for batch, source in sources.items():
        header = f"[{', '.join(literal(name) for name in source.header)}]"
        adds, mended, fixed = sums_with(batch, source), "", _fixed(table, batch, source, said_in)
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
        lacking = None if source.mends else frozenset(columns).difference(source.header)
        parts.append(Part(query, fixed, source.in_print, lacking))
    if not parts or one(con, f"select exists (select 1 from waiting.{table.name} where left_by is null)"):
        query = (
            f"select {listed(columns, 'w.')}, w.read_in, b.ingest_id as said_in, cast(null as bigint) as row_no,"
            f" w.waiting_id, w.sums_with, {lacks(table, 'b.header')} as lacks"
            f" from waiting.{table.name} w join record.batches b on b.batch_id = w.read_in"
            f" where w.left_by is null and {IS_ROW}"
        )
        parts.append(Part(query, {}, False, None))
    return parts


def _fixed(table: Table, batch: int, source: files.Source, said_in: int) -> dict[str, str]:
    """What is the same for all rows of a file, but for one to mend; of the exposure log, which is not filled from what
    was accepted, also the columns that it lacks."""
    if source.mends:
        return {}
    fixed = {"read_in": str(batch), "said_in": str(said_in), "waiting_id": "cast(null as bigint)"}
    fixed["sums_with"] = sums_with(batch, source)
    fixed["adds_up"] = f"{fixed['sums_with']} is not null"
    if not table.keeps_lines:
        given = {c.name for c in table.all_columns if c.name in source.header or c.default is not None}
        lacking = (typed for typed in typed_columns(table) if typed[0].removesuffix("_until") not in given)
        fixed |= {name: f"cast(null as {kind})" for name, kind in lacking}
    return fixed


def judge(con: Connection, table: Table, parts: list[Part]) -> None:
    """`judged`: a view of a table a part, in which what is fixed for a part takes no room."""
    for number, part in enumerate(parts):
        con.execute(
            f"create or replace temp table judged_{number} as {judging(table, part, without_names=True)}"
        )
        if one(con, f"select exists (from judged_{number} where reasons is not null)"):
            _name_reasons(con, table, part, number)
    union(con, [judged_part(table, part, number) for number, part in enumerate(parts)])


def _name_reasons(con: Connection, table: Table, part: Part, number: int) -> None:
    """Of the rows that fail, which are few: the names are half of what the engine has to read and plan."""
    place = f"coalesce(row_no, {part.fixed.get('waiting_id', 'waiting_id')})"
    failing = f"select {place} from judged_{number} where reasons is not null"
    theirs = replace(
        part, query=f"select * from ({part.query}) where coalesce(row_no, waiting_id) in ({failing})"
    )
    con.execute(f"create or replace temp table named as {judging(table, theirs)}")
    con.execute(
        f"update judged_{number} set reasons = n.reasons from"
        f" (select {place} as place, reasons from named) n where {place} = n.place"
    )


def of_part(table: Table, part: Part) -> str:
    """A query of the rows of a part as `rows_to_judge` makes it."""
    rows = f"(select *, {ADDS_UP} from ({part.query}))"
    return rows_to_judge(table, rows, listed(WHERE_READ, "s."), lacking=part.lacking)


def judging(table: Table, part: Part, *, without_names: bool = False) -> str:
    """A query of the rows of a part, typed, with the reasons for which they fail; without what is fixed for them.
    `without_names`: an empty list where there are reasons."""
    rules, names = table.rules(), [*WHERE_READ, *typed_names(table)]
    own = [name for name in names if name not in part.fixed]
    told = ", ".join(f"{'' if name in WHERE_READ else 'row.'}{quote(name)} as {quote(name)}" for name in own)
    why = "cast([] as varchar[])" if without_names else reasons(rules)
    fails = f"case when {passes(rules, part.in_print)} then null else {why} end as reasons"
    return f"select {told}, {fails} from ({of_part(table, part)})"


def judged_part(table: Table, part: Part, number: int) -> str:
    """A query of the rows of a part as they stand in `judged`, of the table that `judging` filled."""
    return (
        f"select {shown(table, part.fixed)}, reasons, rowid + {number} * {APART} as id from judged_{number}"
    )


def shown(table: Table, fixed: dict[str, str]) -> str:
    """SQL of the columns of `judged`, of a relation that lacks those that are `fixed`."""
    names = (*WHERE_READ, *typed_names(table))
    return ", ".join(f"{fixed.get(name, quote(name))} as {quote(name)}" for name in names)


def show_text(con: Connection, parts: list[Part]) -> None:
    """`incoming`: a view of the rows of all parts as text."""
    incoming = " union all ".join(f"select *, {ADDS_UP} from ({part.query})" for part in parts)
    con.execute(f"create or replace temp view incoming as {incoming}")


def union(con: Connection, judged_parts: list[str]) -> None:
    """`judged`, of the queries of its parts."""
    con.execute(f"create or replace temp view judged as {' union all '.join(judged_parts)}")
