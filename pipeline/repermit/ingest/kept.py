"""What a mapping leaves in the store: settings, the aliases that a person confirmed, and rows of earlier readings.

May import `errors`, `mapping`, `warehouse` and its neighbour `files`.
"""

from __future__ import annotations

from datetime import datetime

from repermit import __version__
from repermit.errors import CallError
from repermit.ingest.files import Source
from repermit.mapping import Mapping
from repermit.warehouse import Connection, one, quote, rows, settings_of

LAST_READINGS = (
    "select b.* from record.batches b where not exists (select 1 from record.batches later"
    " where later.content = b.content and later.table_name = b.table_name and later.batch_id > b.batch_id)"
)
"""SQL of the batches that say how each file was last read."""

MAPPING = "mapping"
"""Stands in place of a table's name in the batch that says when settings or aliases changed."""


def keep(con: Connection, mapping: Mapping, ingest_id: int) -> list[str]:
    """Write new settings and aliases down; returns a sentence on each change.

    Raises CallError where an alias contradicts the store.
    """
    return _settings(con, mapping) + _aliases(con, mapping, ingest_id)


def record(con: Connection, mapping: Mapping, batch: int, ingest_id: int, now: datetime) -> None:
    """The batch of the mapping itself, which has no rows."""
    con.execute(
        "insert into record.batches values (?, ?, ?, ?, ?, ?, ?, [], 0, 0, 0, 0, 0, ?, ?)",
        [
            batch, ingest_id, MAPPING, mapping.path.name, mapping.digest, mapping.digest,
            mapping.path.stat().st_size, now.replace(tzinfo=None), __version__,
        ],
    )  # fmt: skip


def _settings(con: Connection, mapping: Mapping) -> list[str]:
    told = []
    before = settings_of(con).as_dict()
    for name, value in mapping.settings:
        if before[name] != value:
            con.execute("update record.meta set value = ? where name = ?", [str(value), f"setting.{name}"])
            told.append(f"the setting {name} is now {value} (it was {before[name] or 'not stated'})")
    return told


def _aliases(con: Connection, mapping: Mapping, ingest_id: int) -> list[str]:
    known = dict(rows(con, "select alias, trailer_id from record.aliases"))
    new = [(alias, trailer) for alias, trailer in mapping.aliases if known.get(alias) != trailer]
    for alias, trailer in new:
        where = f"{mapping.path}: aliases.{alias!r}"
        if alias in known:
            raise CallError(
                f"{where}: the store knows it as {known[alias]!r} since an earlier ingest",
                hint="Rows have been accepted under that trailer. Keep the alias, or ingest into a new store.",
            )
        if one(con, "select count(*) from current.trailers where trailer_id = ?", [alias]):
            raise CallError(
                f"{where}: {alias!r} is a listed trailer, so it can't be another name of {trailer!r}",
                hint="Withdraw it from the list of trailers first, or remove the alias.",
            )
        if trailer in known or one(con, "select count(*) from record.aliases where trailer_id = ?", [alias]):
            raise CallError(f"{where}: an alias of an alias", hint="Name the trailer as it is listed.")
        con.execute("insert into record.aliases values (?, ?, ?)", [alias, trailer, ingest_id])
    return [f"{alias!r} now means the trailer {trailer!r}" for alias, trailer in new]


def read_otherwise(con: Connection, batch: int, source: Source) -> list[str]:
    """What became of rows of the same file as it was read before, another way, in words.

    Rows that it no longer says were taken back, though another file may have said them too: it was counted as a
    duplicate, and no store remembers of what. Rows of a table that it no longer fills stay.
    """
    notes = []
    earlier = "select batch_id from record.batches where content = ? and table_name = ? and batch_id < ?"
    table = source.table
    key = " and ".join(f"n.{quote(c)} is not distinct from a.{quote(c)}" for c in table.key)
    taken = one(
        con,
        f"select count(*) from accepted.{table.name} a where retired_by = ? and read_in in ({earlier})"
        f" and not exists (select 1 from accepted.{table.name} n where n.batch_id = ? and {key})",
        [batch, source.content, table.name, batch, batch],
    )
    if taken:
        notes.append(
            f"{source.name}: {taken} rows of {table.name} that it said before, and does not say as it is read now, are taken"
            " back; one that another file says too comes again with a new copy of that file's row"
        )
    if source.leads:
        file = source.content.partition("#")[0]
        before = rows(
            con,
            "select table_name, list(batch_id) from record.batches where split_part(content, '#', 1) = ? group by 1"
            " having max(ingest_id) < (select max(ingest_id) from record.batches) order by 1",
            [file],
        )
        for name, batches in before:
            stay = one(
                con,
                f"select count(*) from accepted.{name} where retired_by is null and read_in in ({', '.join(map(str, batches))})",
            )
            if stay:
                notes.append(
                    f"{source.name}: it filled {name} before and does not now; {stay} rows there stay. To take them back,"
                    " ingest a file of their keys with withdrawn = yes"
                )
    return notes
