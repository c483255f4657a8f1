"""A store that is fed delivery by delivery, and what must hold of it after every one.

May import the package and `helpers`. What must hold is asked in SQL of the store's tables, with the contract's own rules.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from helpers import load, query, write_csv
from repermit.contract import TABLES
from repermit.ingest.run import FileResult, IngestResult
from repermit.judging import IS_ROW, passes, reasons, rows_to_judge, waiting_to_judge
from repermit.settings import Settings
from repermit.studies.records.quarantine import waiting_rows
from repermit.validate.adding_up import accepted_booked, waiting_booked
from repermit.validate.suites import WHOLE_SETS, kept_rows, key_once
from repermit.warehouse import Connection, connect, make_schema, opened, rows

Records = Sequence[Mapping[str, Any]]
WAITS = f"left_by is null and {IS_ROW}"
SET_RULES = {"id_once", "withdraws_known", "spells_apart"}


@cache
def empty_store() -> bytes:
    """A store without records, made once: a copy costs less than making another."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "empty.duckdb"
        con = connect(path)
        make_schema(con, Settings())
        con.close()
        return path.read_bytes()


class Ledger:
    """A new store in the folder, and its deliveries."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.store, self.deliveries = folder, folder / "ledger.duckdb", 0
        self.waiting_now = 0
        self.store.write_bytes(empty_store())

    def give(self, **tables: Records | str) -> IngestResult:
        """One ingest of one file a keyword: rows, or the text of the file. Its counts must add up."""
        self.deliveries += 1
        inside = self.folder / f"delivery{self.deliveries}"
        for name, records in tables.items():
            if isinstance(records, str):
                inside.mkdir(exist_ok=True)
                (inside / f"{name}.csv").write_text(records, encoding="utf-8", newline="")
            else:
                write_csv(inside, name, records)
        result = load(self.store, inside)
        entered = result.fell + sum(f.quarantined for f in result.files)
        assert result.waiting == self.waiting_now + entered - result.left_waiting
        self.waiting_now = result.waiting
        for file in result.files:
            assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined
        return result

    def broken(self) -> list[str]:
        """What must hold of the store and does not."""
        with opened(self.store) as con:
            assert self.waiting_now == waiting_rows(con)
            return broken(con)

    def current(self, table: str, columns: str) -> list[tuple[Any, ...]]:
        """What is accepted now."""
        return query(self.store, f"select {columns} from current.{table} order by all")

    def history(self, table: str, columns: str) -> list[tuple[Any, ...]]:
        """Every row ever accepted, with the batch that brought it and the one that retired it."""
        return query(
            self.store,
            f"select {columns}, batch_id, retired_by from accepted.{table} order by batch_id, line, retired_by",
        )

    def waiting(self, table: str, columns: str) -> list[tuple[Any, ...]]:
        """What waits, with its reasons."""
        return query(
            self.store,
            f"select {columns}, reasons from waiting.{table} where left_by is null order by read_in, line",
        )

    def left(self, table: str) -> list[str]:
        """As what rows left the quarantine, in the order in which they entered."""
        found = query(
            self.store, f"select left_as from waiting.{table} where left_by is not null order by waiting_id"
        )
        return [left_as for (left_as,) in found]


def counts(result: IngestResult, name: str | None = None) -> tuple[int, int, int, int]:
    """Accepted, duplicate, corrected, quarantined, of the file of that table or of the only file."""
    chosen = [f for f in result.files if name is None or Path(f.file).stem == name]
    assert len(chosen) == 1, result.files
    file: FileResult = chosen[0]
    return file.accepted, file.duplicate, file.corrected, file.quarantined


def broken(con: Connection) -> list[str]:
    """What must hold of every store and does not."""
    of_tables = (key_once, kept_rows, accepted_booked, waiting_booked)
    sets = [s for s in WHOLE_SETS if s.blocks] + [check(t) for t in TABLES for check in of_tables]
    wrong = [f"{s.table}: {s.text}" for s in sets if rows(con, s.query)]
    for table in TABLES:
        rules = table.rules()
        accepted = f"(select * from accepted.{table.name} where retired_by is null)"
        judged = rows_to_judge(table, accepted, "s.batch_id", stored=True)
        if some(con, accepted) and rows(con, f"select 1 from ({judged}) where not ({passes(rules)})"):
            wrong.append(f"{table.name}: an accepted row fails a rule")
        waiting = f"(select * from waiting.{table.name} where {WAITS})"
        judged = waiting_to_judge(table, "s.reasons")
        today = rows(con, f"select reasons, {reasons(rules)} from ({judged})") if some(con, waiting) else []
        for kept, fails in today:
            if not (kept == fails if fails else set(kept) <= SET_RULES):
                wrong.append(f"{table.name}: a row waits for {kept}, and fails {fails}")
    return wrong


def some(con: Connection, relation: str) -> bool:
    """Whether it has a row; judging one that has none would only cost time."""
    return bool(rows(con, f"select 1 from {relation} limit 1"))
