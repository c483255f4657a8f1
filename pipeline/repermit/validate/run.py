"""Asks every expectation of the store, keeps the results in it, and returns them.

May import `contract`, `judging`, `warehouse` and its neighbours. Great Expectations is loaded here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

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
            outcomes: list[Outcome] = []
            for table in TABLES:
                progress(f"{table.name}: rules")
                outcomes += _rules(con, table)
            progress("whole sets")
            outcomes += _whole_sets(con)
            _keep(con, run_id, now, outcomes, last_batch)
            return Validation(run_id, now, store.name, fingerprint(con), tuple(outcomes))
    finally:
        con.close()


def _rules(con: Connection, table: Table) -> list[Outcome]:
    from repermit.validate.engine import Expectation, ask

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
    waiting = f"(select * from waiting.{table.name} where left_by is null and {IS_ROW})"
    reasons = dict(rows(con, f"select unnest(reasons), count(*) from {waiting} group by 1"))
    asked = [Expectation(*query) for query in rule_queries(table)]
    outcomes = []
    for scope, source, judged in (
        ("accepted", accepted, rows_to_judge(table, accepted, "s.batch_id", stored=True)),
        ("read", waiting, waiting_to_judge(table, "s.waiting_id")),
    ):
        relation = f"judged_{scope}"
        # Each rule is worked out once a row, whatever how often its answer is asked for.
        con.execute(f"create or replace temp table {relation} as {broken(table, judged)}")
        checked = int(one(con, f"select count(*) from {source}"))
        # Of no rows none breaks a rule; asking takes its time all the same.
        counts = ask(con, f"{table.name}_{scope}", relation, asked) if checked else [0] * len(asked)
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
        con.execute(f"drop table {relation}")
    return outcomes


def _whole_sets(con: Connection) -> list[Outcome]:
    from repermit.validate.engine import Expectation, ask

    sets: list[Whole] = [*WHOLE_SETS, *ADDING_UP]
    for table in TABLES:
        sets += [key_once(table), kept_rows(table)]
    names = [f"{s.table}.{s.name}" for s in sets]
    for place, s in enumerate(sets):  # worked out once: each is asked twice
        con.execute(f"create or replace temp table set_{place} as {s.query}")
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
