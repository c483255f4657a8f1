"""Opens the engine on a file, waits for it, tells what is wrong with it in plain words, and holds transactions.

May import `errors` and its neighbour `queries`.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

import duckdb

from repermit.errors import CallError, StoreError
from repermit.warehouse.queries import Connection, literal

# No extension is looked for on the network. An as-of join is never done row by row: where the engine took 25,000 repairs for
# 40, it compared each with every month of every trailer, for 12 s.
CONFIG: dict[str, Any] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "asof_loop_join_threshold": "0",
}
# What the engine may take, from the environment: how much memory, and the folder for what does not fit in it.
LIMITS = {"memory_limit": "REPERMIT_MEMORY", "temp_directory": "REPERMIT_TEMP"}
MEMORY = "1200MB"
"""The engine's memory where nothing else is said: with the program itself, and what the engine takes beyond it, less than
2 GB for 100 million loads. 14 million come in as quickly as with all that the machine has."""
READING = "600MB"
"""The same where a store is only read: a page's two processes and what they hold themselves stay below 2 GB together, and no
question takes longer."""
MEGABYTES_A_THREAD = 125
"""What a thread needs where not all fits in memory: with less the engine gives up instead of writing to the disk."""

FEW_ROWS = 14_336
"""Rows of a block in which tables are written, and of which each thread takes one at a time, where few rows are new. The
engine's own 122,880 leave most tables of a month to one thread, but pack a whole log better. What a thread holds short of a
block is packed by one thread, so a table of 45,000 rows wants several blocks for each."""

# What the engine raises where the file under it is damaged, or the disk refuses.
DAMAGE = (duckdb.IOException, duckdb.FatalException, duckdb.SerializationException)

OLD_PART_S = 60.0
"""A store is made in less: one that is half made after so long belongs to a run that was killed."""

Opened = TypeVar("Opened")


def connect(path: Path, *, read_only: bool = False, few: bool = False, wait_s: float = 0.0) -> Connection:
    """Open the store at `path`; wait up to `wait_s` seconds while another process holds it. `few`: few rows will be new.

    Raises StoreError where there is no store, the file is no store, or it stays locked.
    """
    if read_only and not path.exists():
        raise StoreError(f"there is no store at {path}", hint="Make one with: repermit ingest FOLDER")
    if path.is_dir():
        raise StoreError(
            f"{path} is a folder, and a store is a file",
            hint=f"Give the file, such as {path / 'repermit.duckdb'}.",
        )
    config = CONFIG | _limits(READING if read_only else MEMORY)
    if not read_only:  # all threads may write: an order that tells is asked for
        config["preserve_insertion_order"] = "false"

    def open_it() -> Connection:
        if not read_only and not path.exists() and path != Path(":memory:"):
            _create(path)
        return (
            _with_small_blocks(path, config)
            if few
            else duckdb.connect(str(path), read_only=read_only, config=config)
        )

    con = patiently(path, wait_s, open_it)
    if not read_only:
        _clear_leftovers(path)
    con.execute("set TimeZone = 'UTC'")  # whatever the machine's zone
    con.execute("set enable_progress_bar = false")  # it would be told on standard output, among the data
    return con


def _with_small_blocks(path: Path, config: dict[str, Any]) -> Connection:
    """The store, open for writing in blocks of FEW_ROWS: that can be told only where it is attached. What is committed goes
    into the file at once, as it is little."""
    con = duckdb.connect(config={"temp_directory": f"{path}.tmp", "checkpoint_threshold": "1KB"} | config)
    try:
        con.execute(f"attach {literal(path)} as store (row_group_size {FEW_ROWS})")
        con.execute("use store")
    except duckdb.Error:
        con.close()
        raise
    return con


def patiently(path: Path, wait_s: float, open_it: Callable[[], Opened]) -> Opened:
    """What `open_it` gives; tried again for `wait_s` seconds while another process holds the store."""
    until = time.monotonic() + wait_s
    while True:
        try:
            return open_it()
        except duckdb.Error as error:
            if not _in_use(error) or time.monotonic() >= until:
                raise told(path, error) from error
        time.sleep(0.1)


def _create(path: Path) -> None:
    """An empty database at `path`, whole or not at all: one that was left half made would open no more."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        duckdb.connect(str(part), config=CONFIG).close()
        try:
            os.link(part, path)
        except FileExistsError:
            pass  # another process was quicker: its store is the one
        except OSError:
            part.rename(path)  # a disk without links
    finally:
        part.unlink(missing_ok=True)


def _clear_leftovers(path: Path) -> None:
    """Remove what runs that were killed left beside the store, which this process alone holds now."""
    parts = re.compile(re.escape(path.name) + r"\.\d+\.part(\.wal)?")
    with suppress(OSError):
        for left in path.parent.iterdir():
            if parts.fullmatch(left.name) and time.time() - left.stat().st_mtime > OLD_PART_S:
                left.unlink(missing_ok=True)
        for spilled in path.with_name(f"{path.name}.tmp").glob("duckdb_temp_*"):
            spilled.unlink(missing_ok=True)


def _limits(memory_limit: str) -> dict[str, str]:
    """The engine's limits, those that the environment sets before others. Raises CallError where the memory is no size."""
    said = {name: os.environ[variable] for name, variable in LIMITS.items() if os.environ.get(variable)}
    given = {"memory_limit": memory_limit} | said
    memory = given["memory_limit"]
    size = re.fullmatch(r"(\d+(?:\.\d+)?) ?([MGT])i?B", memory)
    if size is None:
        raise CallError(
            f"REPERMIT_MEMORY is {memory!r}, which is no size",
            hint="Give a number and a unit, such as 2GB.",
        )
    megabytes = float(size[1]) * {"M": 1, "G": 1000, "T": 1_000_000}[size[2]]
    threads = min(os.cpu_count() or 1, max(1, int(megabytes // MEGABYTES_A_THREAD)))
    return {**given, "threads": str(threads)}


def _in_use(error: duckdb.Error) -> bool:
    """Whether another process holds the file."""
    return "set lock on file" in str(error)


def told(path: Path, error: duckdb.Error) -> StoreError:
    message = str(error)
    if _in_use(error):
        return StoreError(
            f"the store {path} is in use by another process",
            hint="Wait until that is done, or give --wait SECONDS.",
        )
    if "not a valid DuckDB database file" in message or "Serialization" in message:
        return StoreError(
            f"{path} is not a repermit store", hint="Give another --store; the file was left alone."
        )
    first = message.splitlines()[0].removeprefix("IO Error: ")
    return StoreError(
        f"the store {path} cannot be opened: {first}", hint="Check the folder, its rights and its free space."
    )


def progress_of(con: Connection) -> Callable[[], float]:
    """How far the connection's query is, of 1: to be asked from another thread; nothing is printed."""
    con.execute("set enable_progress_bar_print = false")
    con.execute("set enable_progress_bar = true")
    con.execute("set progress_bar_time = 0")  # tell from the start, not only of what takes two seconds

    def share() -> float:
        try:
            return min(max(con.query_progress() / 100, 0.0), 1.0)
        except duckdb.Error:  # it was closed meanwhile
            return 0.0

    return share


@contextmanager
def joined_as_written(con: Connection) -> Iterator[None]:
    """Meanwhile the table named first in a join is the one that is run through. The engine takes a file for short."""
    con.execute("set disabled_optimizers = 'build_side_probe_side,filter_pushdown'")
    yield
    con.execute("reset disabled_optimizers")


@contextmanager
def transaction(con: Connection) -> Iterator[None]:
    """All or nothing: commit at the end, roll back on any error."""
    con.execute("begin transaction")
    try:
        yield
        con.execute("commit")
    except BaseException as error:
        with suppress(duckdb.Error):  # the engine may have rolled back by itself
            con.execute("rollback")
        if isinstance(error, (*DAMAGE, duckdb.OutOfMemoryException, duckdb.TransactionException)):
            raise StoreError(
                f"the store could not be written: {str(error).splitlines()[0]}",
                hint="Check free disk space and memory; the store is as it was before.",
            ) from error
        raise
