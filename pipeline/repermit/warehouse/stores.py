"""A store that is there, opened for reading and checked for its version.

May import `errors` and its neighbours.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from repermit.warehouse.answers import once, unchanging
from repermit.warehouse.engine import DAMAGE, connect, patiently, told
from repermit.warehouse.queries import Connection, literal, one
from repermit.warehouse.schema import SCHEMAS, check_version


@contextmanager
def opened(path: Path, *, wait_s: float = 0.0) -> Iterator[Connection]:
    """An existing store, open for reading, checked for its version; closed at the end."""
    con = connect(path, read_only=True, wait_s=wait_s)
    try:
        check_version(con, path)
        with unchanging(con):
            yield con
    except DAMAGE as error:
        raise told(path, error) from error
    finally:
        con.close()


@contextmanager
def beside(path: Path, *, wait_s: float = 0.0) -> Iterator[Connection]:
    """An empty database in memory with the schemas of a store, and the store at `path` beside it as `store`.

    The store can only be read. Its version is checked.
    """
    if not path.exists():
        connect(path, read_only=True)
    con = connect(Path(":memory:"))
    try:
        # what does not fit into memory goes where the machine keeps such files, not into the working folder
        spill = os.environ.get("REPERMIT_TEMP") or Path(tempfile.gettempdir()) / f"repermit-{os.getpid()}"
        con.execute(f"set temp_directory = {literal(spill)}")
        patiently(path, wait_s, lambda: con.execute(f"attach {literal(path)} as store (read_only)"))
        con.execute("use store")
        check_version(con, path)
        con.execute("use memory")
        for schema in SCHEMAS:
            con.execute(f"create schema {schema}")
        yield con
    except DAMAGE as error:
        raise told(path, error) from error
    finally:
        con.close()


@once
def fingerprint(con: Connection) -> str:
    """A short digest of which files the store has read and in which batches."""
    return str(
        one(
            con,
            "select left(md5(coalesce(string_agg(digest, ',' order by batch_id), '')), 12) from record.batches",
        )
    )
