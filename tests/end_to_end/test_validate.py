"""Validation: its counts are the quarantine's, a store damaged on purpose fails and is told why, and nothing is called."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from conftest import Run
from helpers import NOW, load, query, store_from, write_csv
from repermit.contract import TABLES
from repermit.judging import reasons as reasons_of
from repermit.judging import waiting_to_judge
from repermit.validate.adding_up import ADDING_UP
from repermit.validate.run import Outcome, Validation, validate
from repermit.validate.suites import WHOLE_SETS, kept_rows, key_once
from repermit.warehouse import connect, opened, rows

RULES = {(table.name, rule.name): rule for table in TABLES for rule in table.rules()}


def named(outcomes: tuple[Outcome, ...] | list[Outcome]) -> set[tuple[str, str, str]]:
    return {(o.table, o.scope, o.name) for o in outcomes}


# --- the sample, which has bad rows in it -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample(commands: Watched, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample records as a store, as the demonstration made it but never validated; not to be changed."""
    store = tmp_path_factory.mktemp("sample") / "sample.duckdb"
    shutil.copy(commands.folder / "demo" / "sample.duckdb", store)
    damage(store, "delete from record.validations")
    return store


@pytest.fixture(scope="module")
def validated(sample: Path) -> Iterator[tuple[Path, Validation]]:
    """A copy of it that was validated once, and the outcome."""
    copy = sample.with_name("validated.duckdb")
    shutil.copy(sample, copy)
    yield copy, validate(copy, now=NOW)


def test_every_rule_is_asked_of_what_was_accepted_and_of_what_was_read(
    validated: tuple[Path, Validation],
) -> None:
    asked = named(validated[1].outcomes)
    assert {(t, n) for t, scope, n in asked if scope == "accepted"} == set(RULES)
    assert {(t, n) for t, scope, n in asked if scope == "read"} == {
        key for key, rule in RULES.items() if rule.blocks
    }
    assert len(asked) == len(validated[1].outcomes)


def test_counts_agree_with_the_quarantine_for_every_rule(validated: tuple[Path, Validation]) -> None:
    store, found = validated
    told: Counter[tuple[str, str]] = Counter()
    for table in TABLES:
        for (reasons,) in query(store, f"select reasons from waiting.{table.name} where left_by is null"):
            told.update((table.name, reason) for reason in reasons)
    assert sum(told.values()) > 20, "the sample has bad rows"
    read = [o for o in found.outcomes if o.scope == "read"]
    assert {(o.table, o.name): o.unexpected for o in read if o.unexpected} == dict(told)
    assert all(o.quarantined == told[o.table, o.name] and o.holds for o in read)


def test_nothing_accepted_breaks_a_rule_that_blocks_and_some_break_one_that_does_not(
    validated: tuple[Path, Validation],
) -> None:
    store, found = validated
    accepted = [o for o in found.outcomes if o.scope == "accepted"]
    assert [o for o in accepted if o.blocks and (o.unexpected or not o.holds)] == []
    unusual = query(
        store,
        "select count(*) from staging.repairs r join staging.trailers t on t.trailer_id = r.trailer_id"
        " and r.received_at >= t.service_from and (t.service_until is null or r.received_at < t.service_until)"
        " where t.system = 'five_wire' and (r.supply_volts < 8 or r.supply_volts > 24)",
    )
    (supply,) = [o for o in accepted if o.name == "supply_usual"]
    assert 0 < supply.unexpected == unusual[0][0]
    assert (supply.holds, supply.blocks) == (False, False)
    assert supply in found.advisory and not found.failed


def test_as_many_rows_were_looked_at_as_there_are(validated: tuple[Path, Validation]) -> None:
    store, found = validated
    for table in TABLES:
        accepted = query(store, f"select count(*) from accepted.{table.name} where retired_by is null")[0][0]
        waiting = query(store, f"select count(*) from waiting.{table.name} where left_by is null")[0][0]
        looked = {o.scope: o.checked for o in found.outcomes if o.table == table.name and o.scope != "set"}
        assert looked == {"accepted": accepted, "read": waiting}


def test_the_program_tells_the_same_and_writes_a_page(sample: Path, tmp_path: Path, repermit: Run) -> None:
    store = tmp_path / "copy.duckdb"
    shutil.copy(sample, store)
    page = tmp_path / "pages" / "validation.html"
    result = repermit("validate", "--out", page, "--format", "json", store=store)
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["about"] == {"store": "copy.duckdb", "run": 1}
    assert {(r["table"], r["scope"], r["name"]) for r in found["rows"]} >= {
        ("repairs", "accepted", "supply_usual")
    }
    assert sum(not r["holds"] for r in found["rows"]) == sum(
        not r["holds"] and not r["blocks"] for r in found["rows"]
    )
    text = page.read_text(encoding="utf-8")
    assert "blocking expectations hold" in text and RULES["repairs", "supply_usual"].text in text

    reasons = repermit("quarantine", "--format", "csv", store=store)
    told = Counter(
        (r["table"], why)
        for r in csv.DictReader(reasons.stdout.splitlines())
        for why in r["reasons"].split("; ")
    )
    of_read = {
        (r["table"], r["name"]): r["unexpected"]
        for r in found["rows"]
        if r["scope"] == "read" and r["unexpected"]
    }
    assert told == of_read


# --- damage --------------------------------------------------------------------------------------------------------

TRAILERS = [
    {
        "trailer_id": "A",
        "positions": 4,
        "in_service_on": "2020-01-01",
        "out_of_service_on": "2024-01-01",
        "system": "five_wire",
    },
    {
        "trailer_id": "A",
        "positions": 5,
        "in_service_on": "2024-01-01",
        "out_of_service_on": None,
        "system": "five_wire",
    },
    {
        "trailer_id": "B",
        "positions": 4,
        "in_service_on": "2020-01-01",
        "out_of_service_on": None,
        "system": "two_wire",
    },
]
REFUSALS = [
    {"refusal_id": f"F{i}", "trailer_id": "AB"[i % 2], "refused_at": f"2025-03-{i + 1:02}T10:00Z", "reason": "overfill"} for i in range(9)
]  # fmt: skip
REPAIRS = [
    {"repair_id": f"R{i}", "trailer_id": "A", "refusal_id": f"F{i}", "received_at": f"2025-03-{i + 1:02}T12:00Z", "supply_volts": 12}
    for i in (0, 2, 4)
]  # fmt: skip
LOADS = [
    {"trailer_id": "AB"[i % 2], "terminal": "T", "lane": 1, "loaded_on": f"2025-03-{i + 1:02}", "loads": 2}
    for i in range(9)
]
BAD = [{"refusal_id": "F99", "trailer_id": "C", "refused_at": "2025-03-01T10:00Z", "reason": "overfill"}]


@cache
def small_store() -> bytes:
    """A small store without a bad row."""
    with TemporaryDirectory() as folder:
        tables: dict[str, list[dict[str, Any]]] = {
            "trailers": TRAILERS,
            "refusals": REFUSALS,
            "repairs": REPAIRS,
            "loads": LOADS,
        }
        return store_from(Path(folder), tables).read_bytes()


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A copy of it."""
    store = tmp_path / "small.duckdb"
    store.write_bytes(small_store())
    return store


def damage(store: Path, *statements: str) -> None:
    con = connect(store)
    for statement in statements:
        con.execute(statement)
    con.close()


def copied(table: str, where: str, **changed: str) -> str:
    """SQL that inserts an accepted row once more, changed."""
    replaced = ", ".join(f"{value} as {name}" for name, value in changed.items())
    return f"insert into accepted.{table} select * replace ({replaced}) from accepted.{table} where {where}"


def test_a_sound_store_holds_to_the_last_expectation(small: Path) -> None:
    found = validate(small, now=NOW)
    assert found.failed == ()
    assert sum(o.checked for o in found.outcomes if o.scope == "accepted") > 100


def test_rows_that_break_a_rule_fail_and_are_named(small: Path) -> None:
    damage(
        small,
        copied("refusals", "refusal_id = 'F1'", refusal_id="'X1'", trailer_id="'nobody'"),
        copied("refusals", "refusal_id = 'F1'", refusal_id="'X2'", reason="'flat tyre'"),
        copied("refusals", "refusal_id = 'F1'", refusal_id="'X3'", delay_min="-1"),
        copied("refusals", "refusal_id = 'F1'", refusal_id="'X4'", refused_at="timestamp '1999-01-01'"),
        copied("refusals", "refusal_id = 'F0'", refusal_id="'X5'", indicated_position="6"),
        copied("refusals", "refusal_id = 'F0'", refusal_id="repeat('x', 201)"),
        copied("repairs", "repair_id = 'R0'", repair_id="'Y1'", supply_volts="61"),
        copied("repairs", "repair_id = 'R0'", repair_id="'Y2'", refusal_id="'F1'"),
        copied("repairs", "repair_id = 'R0'", repair_id="'Y3'", returned_at="timestamp '2025-02-28'", returned_at_until="timestamp '2025-03-01'"),
        copied("repairs", "repair_id = 'R2'", repair_id="'Y4'", received_at="timestamp '2025-03-01'", received_at_until="timestamp '2025-03-01'"),
        copied("loads", "trailer_id = 'B' and loaded_on = date '2025-03-02'", trailer_id="'nobody'"),
        copied("loads", "trailer_id = 'B' and loaded_on = date '2025-03-02'", loads="null", loaded_on="null"),
        copied("trailers", "trailer_id = 'B'", positions="9", trailer_id="'C'"),
    )  # fmt: skip
    found = validate(small, now=NOW)
    failed = {(o.table, o.name): o.unexpected for o in found.failed if o.scope == "accepted"}
    assert failed == {
        ("trailers", "two_wire_length"): 1,
        ("loads", "trailer_known"): 1,
        ("loads", "moment_given"): 1,
        ("refusals", "trailer_known"): 1,
        ("refusals", "reason_listed"): 1,
        ("refusals", "delay_min_in_range"): 1,
        ("refusals", "in_service"): 1,
        ("refusals", "indicated_position_exists"): 1,
        ("refusals", "refusal_id_reads"): 1,
        ("repairs", "supply_volts_in_range"): 1,
        ("repairs", "refusal_of_trailer"): 1,
        ("repairs", "returned_after_received"): 1,
        ("repairs", "received_after_refusal"): 2,  # Y2, whose refusal is of the day after, and Y4
    }
    assert {(o.table, o.name) for o in found.failed if o.scope == "set"} == {
        ("trailers", "rows_kept"), ("loads", "rows_kept"), ("refusals", "rows_kept"), ("repairs", "rows_kept"),
        # and the relations that questions are asked of are still those of the rows before
        ("trailers", "days_at_risk"), ("loads", "loads_by_day"), ("loads", "loads_by_lane_month"),
        ("refusals", "refusals_in_episodes"), ("repairs", "visits_in_episodes"),
    }  # fmt: skip
    assert {(o.table, o.name) for o in found.failed if o.scope == "read"} == set()


# Damage done together, and all that fails of it; each has something of its own to fail.
SETS = {
    "counts and keys": (
        (
            "update record.batches set accepted = accepted + 1 where table_name = 'refusals'",
            "delete from accepted.loads where loaded_on = date '2025-03-02'",
            copied("repairs", "repair_id = 'R0'", batch_id="99"),
            "update accepted.trailers set out_of_service_on = date '2024-01-02' where positions = 4 and trailer_id = 'A'",
        ),
        {
            ("batches", "set", "counts_add_up"), ("refusals", "set", "rows_kept"), ("loads", "set", "rows_kept"),
            ("repairs", "set", "key_once"), ("trailers", "set", "spells_apart"), ("repairs", "set", "accepted_booked"),
            ("loads", "set", "loads_by_day"), ("loads", "set", "loads_by_lane_month"),
        },
    ),
    "what still adds up": (
        (
            "update record.batches set rows = rows + 1, quarantined = 1 where table_name = 'trailers'",
            copied("repairs", "repair_id = 'R0'", repair_id="'X1'", retired_by="batch_id"),
            "update accepted.loads set lane = null, loaded_on = date '2025-03-01', trailer_id = 'B'"
            " where loaded_on in (date '2025-03-02', date '2025-03-04')",
            "update waiting.refusals set reasons = ['in_service']",
        ),
        {
            ("trailers", "set", "rows_kept"), ("repairs", "set", "rows_kept"), ("loads", "set", "key_once"),
            ("refusals", "read", "in_service"), ("refusals", "read", "trailer_known"), ("repairs", "set", "accepted_booked"),
        },
    ),
    "a row that waits without a cause": (
        ("update waiting.refusals set trailer_id = 'A'",), {("refusals", "read", "trailer_known")},
    ),
    "a row that waits no more": (("delete from waiting.refusals",), {("refusals", "set", "rows_kept")}),
}  # fmt: skip


@pytest.mark.parametrize("case", SETS)
def test_damage_to_sets_and_counts_fails_and_is_named(small: Path, tmp_path: Path, case: str) -> None:
    load(small, write_csv(tmp_path / "bad", "refusals", BAD))
    statements, expected = SETS[case]
    damage(small, *statements)
    assert named(validate(small, now=NOW).failed) == expected


# One damage each, and all that fails of it.
BROKEN = {
    "a batch is lost": (
        "delete from record.batches where table_name = 'refusals' and batch_id < 5",
        {("refusals", "accepted_booked")},
    ),
    "a row of no ingest": (
        copied("refusals", "refusal_id = 'F1'", refusal_id="'X1'", batch_id="99", read_in="99", reason="'paperwork'"),
        {("refusals", "accepted_booked")},
    ),
    "retired before it came": (
        copied("refusals", "refusal_id = 'F1'", batch_id="5", retired_by="1"), {("refusals", "accepted_booked")},
    ),
    "waits without a reason": (
        "update waiting.refusals set reasons = []", {("refusals", "waiting_booked"), ("refusals", "trailer_known")},
    ),
    "waits since an ingest that was not": ("update waiting.refusals set since = 99", {("refusals", "waiting_booked")}),
    "left without a way": (
        "update waiting.refusals set left_by = 5", {("refusals", "waiting_booked")},
    ),
    "loads of a day lost": ("delete from core.load_days where trailer_id = 'B'", {("loads", "loads_by_day")}),
    "loads of a lane doubled": (
        "update marts.loads_by_lane_month set loads = 2 * loads", {("loads", "loads_by_lane_month")},
    ),
    "an accepted load lost": (
        "delete from accepted.loads where loaded_on = date '2025-03-02'",
        {("loads", "rows_kept"), ("loads", "loads_by_day"), ("loads", "loads_by_lane_month")},
    ),
    "a refusal in no episode": (
        "delete from marts.episode_parts where part_id = 'F1'",
        {("refusals", "refusals_in_episodes"), ("repairs", "visits_in_episodes")},
    ),
    "a refusal in two episodes": (
        "insert into marts.episode_parts select * replace ('E-F3' as episode_id) from marts.episode_parts where part_id = 'F1'",
        {("refusals", "refusals_in_episodes")},
    ),
    "paperwork in an episode": (
        "update accepted.refusals set reason = 'paperwork' where refusal_id = 'F1'", {("refusals", "refusals_in_episodes")},
    ),
    "a visit in no episode": (
        "delete from marts.episode_parts where part_id = 'R0'", {("repairs", "visits_in_episodes")},
    ),
    "a fault of no episode": (
        "update marts.faults set episode_id = 'E-none' where repair_id = 'R0'", {("refusals", "faults_from_episodes")},
    ),
    "a fault twice": (
        "insert into marts.faults from marts.faults where repair_id = 'R0'", {("refusals", "faults_from_episodes")},
    ),
    "a fault lost": ("delete from marts.faults where repair_id = 'R0'", {("refusals", "faults_from_episodes")}),
    "days lost": (
        "update marts.at_risk set at_risk_from = at_risk_from + interval 1 day where trailer_id = 'B'", {("trailers", "days_at_risk")},
    ),
    "days twice": ("insert into marts.at_risk from marts.at_risk where trailer_id = 'B'", {("trailers", "days_at_risk")}),
    "days before service": (
        "update marts.at_risk set at_risk_from = timestamp '2019-12-31' where trailer_id = 'B'", {("trailers", "days_at_risk")},
    ),
    "days in the shop": (
        "update marts.at_risk set at_risk_until = at_risk_until + interval 1 hour where trailer_id = 'A'"
        " and at_risk_until = timestamp '2025-03-01 12:00'", {("trailers", "days_at_risk")},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_a_store_that_does_not_add_up_says_where(tmp_path: Path, case: str) -> None:
    store = tmp_path / "small.duckdb"
    store.write_bytes(one_waits())
    statement, expected = BROKEN[case]
    damage(store, statement)
    assert unmet(store) == expected


@cache
def one_waits() -> bytes:
    """The small store with a row that waits, in which all that blocks holds."""
    with TemporaryDirectory() as folder:
        store = Path(folder) / "small.duckdb"
        store.write_bytes(small_store())
        load(store, write_csv(Path(folder) / "bad", "refusals", BAD))
        assert unmet(store) == set()
        return store.read_bytes()


def unmet(store: Path) -> set[tuple[str, str]]:
    """What blocks and does not hold: the sets asked straight, the rules by the names of the rows that wait."""
    with opened(store) as con:
        sets = [*(s for s in WHOLE_SETS if s.blocks), *ADDING_UP]
        sets += [check(table) for table in TABLES for check in (key_once, kept_rows)]
        found = {(s.table, s.name) for s in sets if rows(con, s.query)}
        for table in TABLES:
            judged = waiting_to_judge(table, "s.reasons")
            listed = reasons_of(table.rules())
            for kept, fails in rows(con, f"select reasons, {listed} from ({judged})"):
                found |= {(table.name, name) for name in set(kept) ^ set(fails)}
    return found


def test_a_failure_ends_with_1_names_it_and_keeps_failing(small: Path, tmp_path: Path, repermit: Run) -> None:
    validate(small, now=NOW)
    load(small, more_loads(tmp_path, "2025-04-01", "2025-04-02"))
    damage(small, "update accepted.loads set trailer_id = 'nobody' where loaded_on = date '2025-04-01'")
    told = {
        "csv": "loads,accepted,trailer_known,True,False,2,1,",
        "table": "loads accepted trailer_known yes no 2 1 -",
    }
    for form, line in told.items():
        page = tmp_path / f"{form}.html"
        result = repermit("validate", "--out", page, "--format", form, store=small)
        assert result.exit_code == 1
        assert line in [" ".join(shown.split()) for shown in result.stdout.splitlines()]
        assert "2 blocking and" in result.stderr  # and the sums of that trailer
        text = page.read_text(encoding="utf-8")
        assert "do not use the figures until they do" in text and RULES["loads", "trailer_known"].text in text


def more_loads(tmp_path: Path, *days: str) -> Path:
    path = tmp_path / "more" / "loads.csv"
    path.parent.mkdir(exist_ok=True)
    path.write_text(
        "trailer_id,terminal,lane,loaded_on,loads\n" + "".join(f"A,T,1,{day},2\n" for day in days)
    )
    return path


# --- what is kept -----------------------------------------------------------------------------------------------------


def test_results_are_kept_with_their_time(small: Path, tmp_path: Path) -> None:
    first = validate(small, now=NOW)
    load(small, more_loads(tmp_path, "2025-04-01"))
    later = NOW + timedelta(days=1)
    second = validate(small, now=later)
    assert (first.run_id, second.run_id, first.fingerprint == second.fingerprint) == (1, 2, False)
    kept = query(
        small,
        "select run_id, run_at, table_name, expectation, text, blocks, holds, checked, unexpected, quarantined"
        " from record.validations order by all",
    )
    told = sorted(
        (v.run_id, v.run_at.astimezone(UTC).replace(tzinfo=None), o.table, f"{o.scope}.{o.name}", o.text, o.blocks, o.holds,
         o.checked, o.unexpected, o.quarantined)
        for v in (first, second) for o in v.outcomes
    )  # fmt: skip
    assert sorted(kept, key=repr) == sorted(told, key=repr)
    assert {run_at for _, run_at, *_ in kept} == {datetime(2026, 1, 1), datetime(2026, 1, 2)}


def test_loads_are_looked_at_since_the_last_run_in_which_they_held(small: Path, tmp_path: Path) -> None:
    def looked(v: Validation) -> int:
        return max(o.checked for o in v.outcomes if (o.table, o.scope) == ("loads", "accepted"))

    assert looked(validate(small, now=NOW)) == len(LOADS)
    assert looked(validate(small, now=NOW)) == 0
    load(small, more_loads(tmp_path, "2025-04-01", "2025-04-02"))
    assert looked(validate(small, now=NOW)) == 2


def test_validating_changes_nothing_but_its_own_results(small: Path) -> None:
    def rest() -> list[object]:
        names = ("record.batches", "record.meta", "accepted.refusals", "waiting.refusals", "marts.faults")
        return [query(small, f"select * from {name} order by all") for name in names]

    before = rest()
    validate(small, now=NOW)
    assert rest() == before


# --- no network --------------------------------------------------------------------------------------------------------

WATCH = '''"""Runs at the start of every Python process of the test, children too: notes every use of the network."""
import os, sys

def note(event, arguments):
    internet = event == "socket.__new__" and arguments[1] in (2, 10)  # AF_INET, AF_INET6 of Linux
    if internet or event in {"socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"}:
        with open(os.environ["WATCH_LOG"], "a") as log:
            log.write(f"{event} {arguments[1:]}\\n")
        raise PermissionError(f"no network here: {event}")

sys.addaudithook(note)
with open(os.environ["WATCH_LOG"], "a") as log:
    log.write("watching\\n")
'''


@dataclass(frozen=True)
class Watched:
    """What a process did in its folder: how it ended, and every try to use the network."""

    folder: Path
    done: subprocess.CompletedProcess[str]
    tried: list[str]


def watched(tmp_path: Path, code: str) -> Watched:
    """Runs Python code in a process that may not use the network."""
    (tmp_path / "watch").mkdir()
    (tmp_path / "watch" / "sitecustomize.py").write_text(WATCH)
    log = tmp_path / "watch" / "log.txt"
    places = os.pathsep.join([str(tmp_path / "watch"), *filter(None, [os.environ.get("PYTHONPATH")])])
    environment = os.environ | {"PYTHONPATH": places, "WATCH_LOG": str(log)}
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        env=environment,
        cwd=tmp_path,
        timeout=120,
    )
    noted = log.read_text().splitlines()
    assert "watching" in noted
    return Watched(tmp_path, done, [line for line in noted if line != "watching"])


COMMANDS = """
import sys
from repermit.cli.main import run
calls = [
    "demo --out demo",
    "ingest demo/records/1-first/trailers.csv demo/records/2-later --store s.duckdb",
    "validate --store s.duckdb",
    "rates --by position,cause --store s.duckdb",
    "quarantine --store s.duckdb",
    "report monthly --store s.duckdb",
    "contract",
]
for words in calls:
    sys.argv = ["repermit", *words.split()]
    try:
        run()
    except SystemExit as ended:
        assert not ended.code, (words, ended.code)
print("all done")
"""


@pytest.fixture(scope="module")
def commands(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    """All the commands under watch."""
    return watched(tmp_path_factory.mktemp("commands"), COMMANDS)


def test_no_command_uses_the_network(commands: Watched) -> None:
    assert commands.done.stdout.splitlines()[-1:] == ["all done"], commands.done.stderr[-2000:]
    assert commands.tried == []


@pytest.mark.parametrize(
    ("code", "event"),
    [
        ("import socket; socket.create_connection(('127.0.0.1', 9), 1)", "socket."),
        ("import socket; socket.getaddrinfo('localhost', 80)", "socket.getaddrinfo"),
        ("import socket; socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)", "socket.__new__"),
        ("import urllib.request; urllib.request.urlopen('http://127.0.0.1:9/')", "socket."),
        ("import subprocess, sys; subprocess.run([sys.executable, '-c', 'import socket; socket.socket()'])", "socket.__new__"),
    ],
)  # fmt: skip
def test_the_watch_sees_what_it_is_there_for(tmp_path: Path, code: str, event: str) -> None:
    tried = watched(tmp_path, code).tried
    assert tried and tried[0].startswith(event)
