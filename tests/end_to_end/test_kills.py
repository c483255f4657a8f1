"""Killed at any moment, a command leaves the store as it was before or as it is after, and the next one completes.

A run is watched once: when it tells something, when its log of the commit appears, when it ends. A kill is set at a
moment of that timeline, counted from the mark before it, so that kills spread over the whole run on a slow machine as
on a quick one; half of them fall between the first byte of the commit and the end. SIGKILL leaves nothing to a program.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import select
import signal
import sys
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from helpers import dump, query, run_program, write_csv
from repermit.contract import TABLES
from repermit.errors import StoreError
from repermit.ingest.straight import sweep
from repermit.warehouse import connect, transaction
from tanker_world import Scenario, simulate, write

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="a process that forks itself ready is of Linux"
)

SCHEMAS = ("record", "accepted", "waiting", "current", "core", "marts")
CLOCK = ("read_at", "run_at", "made_at")
Content = dict[str, list[tuple[Any, ...]]]

READY = multiprocessing.get_context("forkserver")
READY.set_forkserver_preload(
    ["repermit.cli.main", "repermit.ingest.run", "repermit.validate.engine", "helpers"]
)


# --- a command, and how it goes ------------------------------------------------------------------------------------


class Running:
    """A command on a store in a process of its own; `marks` are the moments of its start, of each line that it tells
    and of the first byte of its commit."""

    def __init__(self, words: tuple[str, ...], store: Path) -> None:
        self.log = store.with_name(f"{store.name}.wal")
        self.told, other = READY.Pipe(duplex=False)
        self.process = READY.Process(
            target=run_program, args=((*words, "--store", str(store)), other), daemon=True
        )
        self.process.start()
        other.close()
        self.marks = [time.monotonic()]
        self.commits: float | None = None

    def reach(self, marks: int | None = None) -> bool:
        """Wait for so many marks, or for the end; whether it still runs."""
        while marks is None or len(self.marks) < marks:
            if select.select([self.told], [], [], 0.001)[0]:
                told = os.read(self.told.fileno(), 1 << 16)
                if not told:
                    return False
                self.marks += [time.monotonic()] * told.count(b"\n")
            if self.commits is None and self.log.exists():
                self.commits = time.monotonic()
                self.marks.append(self.commits)
        return True

    def end(self) -> int:
        """Wait for the end; the code."""
        self.process.join(60)
        self.told.close()
        assert self.process.exitcode is not None
        return self.process.exitcode


@dataclass(frozen=True)
class Timeline:
    """Seconds from the start on: of the marks, of the first byte of the commit, and of the end."""

    marks: list[float]
    commits: float
    end: float


def timeline(words: tuple[str, ...], store: Path) -> Timeline:
    """How the command goes when nobody kills it."""
    run = Running(words, store)
    run.reach()
    ended = time.monotonic()
    assert run.end() == 0 and run.commits is not None
    began = run.marks[0]
    return Timeline([m - began for m in run.marks], run.commits - began, ended - began)


def killed(times: Timeline, at: float, words: tuple[str, ...], store: Path) -> bool:
    """Run the command and kill it at that second of its timeline; whether it was still alive."""
    mark = max(i for i, moment in enumerate(times.marks) if moment <= at)
    run = Running(words, store)
    if run.reach(mark + 1):
        time.sleep(max(0.0, run.marks[mark] + at - times.marks[mark] - time.monotonic()))
    run.process.kill()
    code = run.end()
    assert code in (0, -signal.SIGKILL), code
    return code != 0


# --- the states before and after -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """A command: its words, the store before (None = none), what a store holds before and after, how long it takes."""

    words: tuple[str, ...]
    store: bytes | None
    before: Content | None
    after: Content
    times: Timeline


def content(store: Path) -> Content | None:
    """What the store holds, the clock left out; None where there is none, or an empty file that is none yet."""
    try:
        return dump(store, SCHEMAS, without=CLOCK)
    except StoreError as error:
        assert "not a repermit store" in error.what or not store.exists()
        return None


def made(words: tuple[str, ...], store: Path) -> Step:
    """The step that the command is on that store; the store is then the one after it."""
    held, before = store.read_bytes() if store.exists() else None, content(store)
    times = timeline(words, store)
    after = content(store)
    assert after is not None and after != before
    return Step(words, held, before, after, times)


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Step]:
    """A first ingest; one that corrects, withdraws and judges accepted rows anew; a validation."""
    here = tmp_path_factory.mktemp("kills")
    write(simulate(Scenario(name="dirty", seed=5, trailers=12, months=4, dirt=True)), here)
    store = here / "s.duckdb"
    first = made(("ingest", str(here / "1-first")), store)
    spells = query(store, "select distinct trailer_id, in_service_on from current.trailers order by 1")
    rows = [{"trailer_id": name, "in_service_on": day, "positions": 2} for name, day in spells]
    write_csv(here / "2-later", "trailers", rows)
    later = made(("ingest", str(here / "2-later")), store)
    assert query(store, "select 1 from accepted.trailers where retired_by is not null")
    assert query(store, "select 1 from accepted.refusals where withdrawn")
    assert query(store, "select 1 from waiting.refusals where origin = 'accepted'")
    validation = made(("validate", "--out", str(here / "v.html")), store)
    return {"first": first, "later": later, "validate": validation}


@pytest.fixture(scope="module")
def report(steps: dict[str, Step], tmp_path_factory: pytest.TempPathFactory) -> Step:
    """A report, whose figures are written down in the store."""
    here = tmp_path_factory.mktemp("report")
    store = placed(steps["later"], here)
    step = made(("report", "monthly", "--month", "2023-02", "--out", str(here / "m.html")), store)
    assert query(store, "select count(*) from record.reports") == [(1,)]
    return step


def assert_adds_up(store: Path) -> None:
    """The four counts of every file, and the rows that they name."""
    counts = "rows, accepted, duplicate, corrected, quarantined"
    for rows, *parts in query(store, f"select {counts} from record.batches"):
        assert rows == sum(parts)
    for table in TABLES:
        lines = "count(*)" if table.keeps_lines else "coalesce(sum(lines), 0)"
        assert query(
            store,
            "select coalesce(sum(accepted + corrected), 0), coalesce(sum(quarantined), 0) from record.batches"
            f" where table_name = '{table.name}'",
        ) == query(
            store,
            f"select (select {lines} from accepted.{table.name} where batch_id = read_in),"
            f" (select count(*) from waiting.{table.name} where origin = 'read')",
        ), table.name


# --- kills -----------------------------------------------------------------------------------------------------------


def placed(step: Step, folder: Path) -> Path:
    """A folder's own copy of the store before the step."""
    store = folder / "s.duckdb"
    if step.store is not None:
        store.write_bytes(step.store)
    return store


def kill(step: Step, at: float) -> str:
    """Kill the step at that second. The store is as before or as after, and the next run of the step completes."""
    with TemporaryDirectory() as folder:
        store = placed(step, Path(folder))
        alive = killed(step.times, at, step.words, store)
        if content(store) is not None:  # what a sweep that was killed left goes with the next ingest
            with closing(connect(store)) as con, transaction(con):
                sweep(con)
        found = content(store)
        assert found in (step.before, step.after), (step.words[0], at, step.times)
        if found is not None:
            assert_adds_up(store)
        done = found == step.after
        if not (done and step.words[0] == "validate"):  # a validation is kept as often as it is made
            again = Running(step.words, store)
            again.reach()
            assert again.end() == 0
            assert content(store) == step.after, (step.words[0], at, step.times)
    return ("ended by itself, " if not alive else "killed, ") + ("after" if done else "before")


def kills(step: Step, number: int, seed: int) -> Counter[str]:
    """So many kills: half of them over the whole run, half from the commit on, one in each of as many equal parts."""
    chance, times = random.Random(seed), step.times
    found: Counter[str] = Counter()
    for began, parts in ((0.0, number // 2), (times.commits, (number + 1) // 2)):
        for part in range(parts):
            at = began + (times.end - began) * (part + chance.random()) / parts
            found[kill(step, at)] += 1
            found["killed while it worked"] += times.marks[1] < at < times.commits
    return found


def check(found: Counter[str], number: int) -> None:
    """The kills did not all fall into the same place."""
    print(dict(found))
    assert found["killed, before"] + found["killed, after"] + found["ended by itself, after"] == number
    assert found["killed, before"] > 0 and found["killed while it worked"] > 0
    assert found["killed, after"] > 0


def test_kills_leave_the_store_before_or_after(steps: dict[str, Step]) -> None:
    found = kills(steps["first"], 4, 1) + kills(steps["later"], 5, 2) + kills(steps["validate"], 1, 3)
    check(found, 10)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first", "later", "validate"])
def test_many_kills_leave_the_store_before_or_after(steps: dict[str, Step], name: str) -> None:
    check(kills(steps[name], 60, 4), 60)


@pytest.mark.slow
def test_many_kills_of_a_report_leave_the_store_before_or_after(report: Step) -> None:
    check(kills(report, 20, 5), 20)
