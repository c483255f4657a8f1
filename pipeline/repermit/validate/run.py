"""Asks every expectation of the store, keeps the results in it, and returns them.

May import `contract`, `judging`, `warehouse` and its neighbours. Great Expectations is loaded here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path
from threading import Thread

from repermit.contract import TABLES, Table
from repermit.judging import IS_ROW, rows_to_judge, waiting_to_judge
from repermit.validate.adding_up import ADDING_UP
from repermit.validate.suites import WHOLE_SETS, Whole, broken, kept_rows, key_once, rule_queries
from repermit.warehouse import (
    Connection,
    check_version,
    connect,
    fingerprint,
    literal,
    one,
    rows,
    transaction,
)

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """One expectation and how it came out.

    `scope`: `accepted` (rows in the store), `read` (rows set aside) or `set` (a whole set). Of `read`, `holds`
    says that the count agrees with the quarantine's. `checked` rows or groups were looked at.
    """

    table: str
    scope: str
    name: str
    text: str
    blocks: bool
    holds: bool
    checked: int
    unexpected: int
    quarantined: int | None


@dataclass(frozen=True)
class Validation:
    """All outcomes of one run, and when it was made (UTC)."""

    run_id: int
    run_at: datetime
    store: str
    fingerprint: str
    outcomes: tuple[Outcome, ...]

    @property
    def failed(self) -> tuple[Outcome, ...]:
        """Blocking expectations that do not hold."""
        return tuple(o for o in self.outcomes if o.blocks and not o.holds)

    @property
    def advisory(self) -> tuple[Outcome, ...]:
        """Advisory expectations that do not hold."""
        return tuple(o for o in self.outcomes if not o.blocks and not o.holds)


def validate(
    store: Path, *, now: datetime, wait_s: float = 0.0, progress: Progress = lambda _: None
) -> Validation:
    """Ask every expectation; small tables whole, loads by what came since the last run in which they held.

    Raises StoreError where there is no store.
    """
    if not store.exists():
        connect(store, read_only=True)
    con = connect(store, wait_s=wait_s)
    try:
        check_version(con, store)
        with transaction(con):
            run_id = 1 + (one(con, "select max(run_id) from record.validations") or 0)
            last_batch = one(con, "select coalesce(max(batch_id), 0) from record.batches")
            # It takes seconds to load; the answers of rules and sets are worked out meanwhile.
            Thread(target=import_module, args=["repermit.validate.engine"]).start()
            checked = {}
            for table in TABLES:
                progress(f"{table.name}: rules")
                checked[table.name] = _judge(con, table)
            progress("whole sets")
            sets = _work_out_sets(con)
            progress("expectations")
            outcomes = [o for table in TABLES for o in _rules(con, table, checked[table.name])]
            outcomes += _whole_sets(con, sets)
            _keep(con, run_id, now, outcomes, last_batch)
            return Validation(run_id, now, store.name, fingerprint(con), tuple(outcomes))
    finally:
        con.close()


def _waiting(table: Table) -> str:
    return f"(select * from waiting.{table.name} where left_by is null and {IS_ROW})"


def _judge(con: Connection, table: Table) -> dict[str, int]:
    """`accepted_<table>` and `read_<table>`: the rows that break a rule. Returns how many were looked at, by scope.

    Each rule is worked out once a row here, however often its answer is asked for.
    """
    since = "true"
    if not table.keeps_lines:
        seen = one(
            con,
            "select max(last_batch) from (select last_batch from record.validations"
            f" where table_name = {literal(table.name)} and expectation like 'accepted.%'"
            " group by run_id, last_batch having bool_and(holds or not blocks))",
        )
        since = f"batch_id > {seen or 0}"
    accepted = f"(select * from accepted.{table.name} where retired_by is null and {since})"
    judged = {
        "accepted": rows_to_judge(table, accepted, "s.batch_id", stored=True),
        "read": waiting_to_judge(table, "s.waiting_id"),
    }
    for scope, query in judged.items():
        con.execute(f"create or replace temp table {scope}_{table.name} as {broken(table, query)}")
    sources = {"accepted": accepted, "read": _waiting(table)}
    return {scope: int(one(con, f"select count(*) from {source}")) for scope, source in sources.items()}


def _rules(con: Connection, table: Table, looked_at: dict[str, int]) -> list[Outcome]:
    from repermit.validate.engine import Expectation, ask

    reasons = dict(rows(con, f"select unnest(reasons), count(*) from {_waiting(table)} group by 1"))
    asked = [Expectation(*query) for query in rule_queries(table)]
    outcomes = []
    for scope, checked in looked_at.items():
        relation = f"{scope}_{table.name}"
        # Of no rows none breaks a rule; asking takes its time all the same.
        counts = ask(con, relation, relation, asked) if checked else [0] * len(asked)
        for e, unexpected in zip(asked, counts, strict=True):
            quarantined = int(reasons.get(e.name, 0)) if scope == "read" else None
            if scope == "accepted":
                holds = unexpected == 0
            elif e.blocks:
                holds = unexpected == quarantined
            else:
                continue  # an advisory rule sets nothing aside
            outcomes.append(
                Outcome(table.name, scope, e.name, e.text, e.blocks, holds, checked, unexpected, quarantined)
            )
    return outcomes


def _work_out_sets(con: Connection) -> list[Whole]:
    """All sets; `set_<place>`: what breaks each."""
    sets: list[Whole] = [*WHOLE_SETS, *ADDING_UP]
    for table in TABLES:
        sets += [key_once(table), kept_rows(table)]
    for place, s in enumerate(sets):
        con.execute(f"create or replace temp table set_{place} as {s.query}")
    return sets


def _whole_sets(con: Connection, sets: list[Whole]) -> list[Outcome]:
    from repermit.validate.engine import Expectation, ask

    names = [f"{s.table}.{s.name}" for s in sets]
    # Great Expectations wants its batch named in the query; these ask other relations, so it is named idly.
    idle = "select q.* from set_{place} q, (select count(*) from {{batch}}) idle"
    asked = [
        Expectation(name, s.text, idle.format(place=place), s.blocks)
        for place, (name, s) in enumerate(zip(names, sets, strict=True))
    ]
    counts = ask(con, "whole_sets", "record.meta", asked)
    return [
        Outcome(s.table, "set", s.name, s.text, s.blocks, n == 0, int(one(con, s.measured)), n, None)
        for s, n in zip(sets, counts, strict=True)
    ]


def _keep(con: Connection, run_id: int, now: datetime, outcomes: list[Outcome], last_batch: int) -> None:
    con.executemany(
        "insert into record.validations values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                run_id, now.replace(tzinfo=None), o.table, f"{o.scope}.{o.name}", o.text, o.blocks, o.holds,
                o.checked, o.unexpected, o.quarantined, None, last_batch,
            )
            for o in outcomes
        ],
    )  # fmt: skip
