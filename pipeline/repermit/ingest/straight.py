"""A first exposure log goes into the store as it is judged: no copy is made of its text, and none of its typed rows.

May import `contract`, `judging`, `warehouse` and its neighbours `files`, `lines`, `columns` and `judged`.

Only rows that pass are put in, in the order in which the engine comes by them. Where lines are left over, the file is
read again as any other, for the rows that fail. A row that is not the one of its key that stands is retired by
the batch that brought it, so that no question sees it, and deleted at the end.
"""

from __future__ import annotations

from repermit.contract import ID_ONCE, TABLES, Table
from repermit.ingest import files, lines
from repermit.ingest.columns import key_of, listed, typed_names
from repermit.ingest.judged import Part, judged_part, judging, of_part, shown, union
from repermit.judging import passes
from repermit.warehouse import Connection, joined_as_written, literal, one, quote, rows


def goes_straight(con: Connection, table: Table, sources: dict[int, files.Source]) -> bool:
    """Whether these files can: each as it lies, a row at a time, with nothing that takes back; into a table of which
    nothing is accepted and nothing waits. A later log may repeat many rows, each of which would stay behind."""
    if table.keeps_lines or not sources:
        return False
    if any(s.how or s.mends or s.adds_up or "withdrawn" in s.header for s in sources.values()):
        return False
    return not one(con, f"select exists (from accepted.{table.name}) or exists (from waiting.{table.name})")


def put(con: Connection, table: Table, sources: dict[int, files.Source], parts: list[Part]) -> None:
    """Into `accepted` the rows that pass, of files taken by `lines.stream`; `judged` is a view of them."""
    for batch, part in zip(sources, parts, strict=True):
        names = [name for name in typed_names(table) if name not in part.fixed]
        told = ", ".join(f"row.{quote(name)} as {quote(name)}" for name in names)
        with joined_as_written(con):
            con.execute(
                f"insert into accepted.{table.name} by name select * exclude (passes) from (select {told},"
                f" {batch} as batch_id, {batch} as read_in, 1 as lines, {passes(table.rules(), part.in_print)} as passes"
                f" from ({of_part(table, part)})) where passes"
            )
        lines.take_broken(con, f"src_{batch}")
    union(con, _standing(table, sources, parts))


def _standing(table: Table, sources: dict[int, files.Source], parts: list[Part]) -> list[str]:
    """Queries of the rows that were put in and stand, as `judged` shows them. They do not know their places."""
    queries = []
    for batch, part in zip(sources, parts, strict=True):
        columns = shown(table, part.fixed | {"row_no": "cast(null as bigint)"})
        queries.append(
            f"select {columns}, cast(null as varchar[]) as reasons, rowid as id from accepted.{table.name}"
            f" where batch_id = {batch} and retired_by is null"
        )
    return queries


def settle(con: Connection, table: Table, sources: dict[int, files.Source], parts: list[Part]) -> set[int]:
    """Retire what does not stand, now that it is decided, and add to `judged` the rows that are set aside, with place and
    reasons: of the batches that are returned, which are read again for them."""
    con.execute(
        f"update accepted.{table.name} set retired_by = batch_id where rowid in (select id from others)"
    )
    key, again = key_of(table), set()
    judged = _standing(table, sources, parts)
    by_id_once = f"from others where fate = {literal(ID_ONCE.name)}"
    con.execute(f"create or replace temp table disputed as select distinct {listed(key)}, fate {by_id_once}")
    bring_disputed = {batch for (batch,) in rows(con, f"select distinct read_in {by_id_once}")}
    for number, ((batch, source), part) in enumerate(zip(sources.items(), parts, strict=True)):
        put_in = one(con, f"select count(*) from accepted.{table.name} where batch_id = {batch}")
        if put_in == source.rows_at_most and batch not in bring_disputed:
            continue
        lines.read(con, source, f"src_{batch}")
        alike = (f"d.{quote(n)} is not distinct from {part.fixed.get(n, f'j.{quote(n)}')}" for n in key)
        con.execute(
            f"create or replace temp table judged_{number} as"
            f" select j.* replace (coalesce(j.reasons, [d.fate]) as reasons) from ({judging(table, part)}) j"
            f" left join disputed d on {' and '.join(alike)} where j.reasons is not null or d.fate is not null"
        )
        judged.append(judged_part(table, part, number))
        again.add(batch)
    union(con, judged)
    return again


def sweep(con: Connection) -> None:
    """Delete what does not stand, after the transaction that brought it: within it the engine would write all rows once more."""
    for table in TABLES:
        if not table.keeps_lines:
            con.execute(
                f"delete from accepted.{table.name} where retired_by is not null and retired_by = batch_id"
            )
