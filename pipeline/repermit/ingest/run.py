"""One ingest: files in, one transaction (and a sweep after it), the reconciliation out.

May import `contract`, `errors`, `settings`, `mapping`, `warehouse` and its neighbours.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from repermit import __version__
from repermit.contract import TABLES
from repermit.errors import DataError
from repermit.ingest import files, kept
from repermit.ingest.aside import rejudge
from repermit.ingest.likely import propose
from repermit.ingest.pace import Pace
from repermit.ingest.reconcile import Counts, reconcile
from repermit.ingest.straight import sweep
from repermit.mapping import Mapping
from repermit.settings import Settings
from repermit.warehouse import (
    Connection,
    build,
    check_version,
    connect,
    is_empty,
    make_schema,
    one,
    rows,
    settings_of,
    transaction,
)

SCRATCH = "repermit-reading-"
OLD_SCRATCH_S = 2 * 86_400.0
"""No ingest lasts two days."""

FEW_BYTES = 64_000_000
"""Of a store that is there: files of less, together, bring few new rows (two million loads)."""

Progress = Callable[[str], None]


@dataclass(frozen=True)
class FileResult:
    """What became of one file; `rows` = accepted + duplicate + corrected + quarantined."""

    file: str
    table: str
    rows: int
    accepted: int
    duplicate: int
    corrected: int
    quarantined: int
    read_before: bool


@dataclass(frozen=True)
class IngestResult:
    """The reconciliation of one ingest, and what it did to the quarantine.

    `ingest`: its number; where nothing new came, that of the last one.
    """

    ingest: int
    files: tuple[FileResult, ...]
    waiting: int
    left_waiting: int
    fell: int
    changed: bool
    told: tuple[str, ...] = ()
    """What the mapping changed in the store."""
    notes: tuple[str, ...] = ()
    """What a file that is read another way than before took back, or left in place."""


def ingest(
    store: Path,
    paths: list[Path],
    *,
    now: datetime,
    settings: Settings | None = None,
    mapping: Mapping | None = None,
    wait_s: float = 0.0,
    progress: Progress = lambda _: None,
    pace: Pace | None = None,
    ask: Callable[[Connection], object] = lambda _: None,
) -> IngestResult:
    """Read CSV files and folders into the store at `store`, made where there is none.

    All or nothing: on any error the store is as it was. `now` (UTC) is kept with the batches. A mapping says how
    files are read, and its settings and aliases are kept with the store; it may come without a file. `pace` may be asked
    from another thread how far it is. Where something new came, `ask` is given the store as it is then. Raises CallError,
    DataError or StoreError.
    """
    with scratch_folder() as scratch:
        found = files.find(paths, mapping) if paths or not mapping else []
        sources = [s for path, name in found for s in files.recognise(path, name, scratch, mapping)]
        stamps = [source.path.stat() for source in sources]
        new_store = not store.exists()
        empty = done = False
        few = not new_store and sum(stamp.st_size for stamp in stamps) < FEW_BYTES
        con = connect(store, few=few, wait_s=wait_s)
        try:
            with transaction(con):
                empty = is_empty(con)
                if empty:
                    make_schema(con, settings or Settings(**dict(mapping.settings if mapping else ())))
                check_version(con, store)
                result = _ingest(con, sources, mapping, now, progress, pace or Pace())
                for source, before in zip(sources, stamps, strict=True):
                    after = source.path.stat()
                    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
                        raise DataError(
                            f"{source.name}: the file changed while it was read", hint="Ingest it again."
                        )
            done = True
            # Whatever stops it: all is in, no question sees what is left, and the next ingest sweeps.
            with suppress(Exception), transaction(con):
                sweep(con)
            if result.changed:
                ask(con)
            return result
        finally:
            # While it is still held: another process that waits for it must not be given what is thrown away.
            if new_store and empty and not done:
                with suppress(PermissionError):  # where an open file cannot be removed an empty store stays
                    store.unlink(missing_ok=True)
                    store.with_name(f"{store.name}.wal").unlink(missing_ok=True)
            con.close()


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A folder for copies of files while they are read; those that killed runs left there are removed."""
    given = os.environ.get("REPERMIT_TEMP")
    if given:
        Path(given).mkdir(parents=True, exist_ok=True)
    for left in Path(given or tempfile.gettempdir()).glob(f"{SCRATCH}*"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > OLD_SCRATCH_S:
                shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=SCRATCH, dir=given) as folder:
        yield Path(folder)


def _ingest(
    con: Connection,
    sources: list[files.Source],
    mapping: Mapping | None,
    now: datetime,
    progress: Progress,
    pace: Pace,
) -> IngestResult:
    seen = dict(rows(con, f"select digest, rows from ({kept.LAST_READINGS})"))
    fresh: dict[str, files.Source] = {}
    for source in sources:
        if source.digest not in seen:
            fresh.setdefault(source.digest, source)
    first = one(con, "select coalesce(max(batch_id), 0) + 1 from record.batches")
    ingest_id = one(con, "select coalesce(max(ingest_id), 0) + 1 from record.batches")
    told = kept.keep(con, mapping, ingest_id) if mapping else []
    if mapping and told:
        kept.record(con, mapping, first, ingest_id, now)
    batches = dict(enumerate(fresh.values(), start=first + bool(told)))
    waiting_before = _waiting(con)
    counts: dict[int, Counts] = {}
    pace.watch(con, sum(source.size for source in batches.values()))
    fell = 0
    if batches or told:
        last = max(batches, default=first)
        changed = {table.name for table in TABLES} if told else set()
        for table in TABLES:
            mine = {batch: source for batch, source in batches.items() if source.table is table}
            if changed & table.needs:
                fell += rejudge(con, table, last, changed, None if told else first)
            if not mine and not _has_waiting(con, table.name):
                continue
            progress(f"{table.name}: {', '.join(s.name for s in mine.values()) or 'the rows set aside'}")
            pace.table(sum(source.size for source in mine.values()))
            counts |= reconcile(con, table, mine, last, pace)
            touched = f"retired_by between {first} and {last}"
            if table.name == "refusals":  # a new one may contradict a repair that named it before it was here
                touched += f" or batch_id between {first} and {last}"
            if one(con, f"select count(*) from accepted.{table.name} where {touched}"):
                changed.add(table.name)
        for batch, source in batches.items():
            _record(con, batch, ingest_id, source, counts[batch], now)
        pace.build()
        propose(con)
        progress("building the tables")
        build(con, settings_of(con), since=first)
    by_digest = {source.digest: (batch, source) for batch, source in batches.items()}
    results = [_result(source, by_digest, counts, seen) for source in sources]
    waiting = _waiting(con)
    entered = fell + sum(c.quarantined for c in counts.values())
    return IngestResult(
        ingest_id if batches or told else ingest_id - 1,
        tuple(results),
        waiting,
        waiting_before + entered - waiting,
        fell,
        bool(batches or told),
        tuple(told),
        tuple(note for batch, source in batches.items() for note in kept.read_otherwise(con, batch, source)),
    )


def _result(
    source: files.Source,
    by_digest: dict[str, tuple[int, files.Source]],
    counts: dict[int, Counts],
    seen: dict[str, int],
) -> FileResult:
    batch, first = by_digest.get(source.digest, (0, None))
    if first is source:
        c = counts[batch]
        return FileResult(
            source.name, source.table.name, c.rows, c.accepted, c.duplicate, c.corrected, c.quarantined, False
        )
    number = counts[batch].rows if first else seen[source.digest]
    return FileResult(source.name, source.table.name, number, 0, number, 0, 0, True)


def _has_waiting(con: Connection, table: str) -> bool:
    return bool(one(con, f"select count(*) from waiting.{table} where left_by is null"))


def _waiting(con: Connection) -> int:
    return sum(int(one(con, f"select count(*) from waiting.{t.name} where left_by is null")) for t in TABLES)


def _record(
    con: Connection, batch: int, ingest_id: int, source: files.Source, counts: Counts, now: datetime
) -> None:
    con.execute(
        "insert into record.batches values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            batch, ingest_id, source.table.name, source.name, source.digest, source.content, source.size, list(source.header),
            counts.rows, counts.accepted, counts.duplicate, counts.corrected, counts.quarantined,
            now.replace(tzinfo=None), __version__,
        ],
    )  # fmt: skip
