"""Processes beside each other on one store: one writes, the others end with 3 or wait; nothing is lost, nothing is left.

All are real processes of the program. Beside them: what a killed run left, a reader of the output that goes away, and
limits of the memory.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from helpers import load, query, write_csv
from reconciled import broken
from repermit.errors import CallError, StoreError
from repermit.warehouse import opened

TRAILERS = [{"trailer_id": f"T{i}", "positions": 4, "in_service_on": "2020-01-01"} for i in range(50)]
READER = "import duckdb, sys; con = duckdb.connect(sys.argv[1], read_only=True); print('held', flush=True); sys.stdin.readline()"
MANY = 20_000


def program(*words: str | Path, **environment: str) -> subprocess.Popen[str]:
    """The program in a process of its own."""
    command = [sys.executable, "-m", "repermit", *map(str, words)]
    return subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
        start_new_session=True,
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Its code and what it told; never a traceback."""
    _, told = process.communicate(timeout=120)
    assert "Traceback" not in told
    return process.returncode, told


@pytest.fixture
def store(tmp_path: Path) -> Path:
    load(tmp_path / "s.duckdb", write_csv(tmp_path / "first", "trailers", TRAILERS))
    return tmp_path / "s.duckdb"


def many_loads(folder: Path) -> Path:
    """A file that takes a while."""
    path = folder / "loads.csv"
    path.parent.mkdir(exist_ok=True)
    lines = (f"T{i % 50},N,{i},2025-03-01,1\n" for i in range(MANY))
    path.write_text("trailer_id,terminal,lane,loaded_on,loads\n" + "".join(lines))
    return path


def some_refusals(folder: Path) -> Path:
    return write_csv(
        folder,
        "refusals",
        [{"refusal_id": i, "trailer_id": "T1", "refused_at": "2025-03-01"} for i in range(9)],
    )


def held(store: Path) -> list[tuple[int, int]]:
    """How many loads and refusals the store holds; all that must hold of it does."""
    with opened(store) as con:
        assert broken(con) == []
    return query(
        store, "select (select count(*) from current.loads), (select count(*) from current.refusals)"
    )


def test_while_one_ingest_works_others_end_with_3_or_wait(store: Path, tmp_path: Path) -> None:
    first = program("ingest", many_loads(tmp_path / "a"), "--store", store)
    assert first.stderr is not None
    assert first.stderr.readline() == "loads: loads.csv\n"  # it is at work,
    first.send_signal(signal.SIGSTOP)  # and stays so
    refusals = some_refusals(tmp_path / "b")
    with pytest.raises(StoreError, match="is in use by another process"):
        load(store, refusals)
    with pytest.raises(StoreError, match="is in use by another process"), opened(store):
        pass
    waits = program("ingest", refusals, "--store", store, "--wait", "100")
    with pytest.raises(subprocess.TimeoutExpired):
        waits.wait(1.0)
    first.send_signal(signal.SIGCONT)
    with opened(store, wait_s=100) as con:
        assert broken(con) == []
        assert con.execute("select count(*) from current.loads").fetchall() == [(MANY,)]
    assert ended(first)[0] == 0
    assert ended(waits)[0] == 0
    assert held(store) == [(MANY, 9)]


def test_two_ingests_that_make_one_store(tmp_path: Path) -> None:
    """Neither knows of the other when it starts; who comes second waits, and finds what the first made."""
    store = tmp_path / "new.duckdb"
    parts = [write_csv(tmp_path / "a", "trailers", TRAILERS), some_refusals(tmp_path / "b")]
    both = [program("ingest", part, "--store", store, "--wait", "100") for part in parts]
    assert [ended(process)[0] for process in both] == [0, 0]
    assert held(store) == [(0, 9)]
    assert query(store, "select count(distinct ingest_id), count(*) from record.batches") == [(2, 2)]
    assert sorted(p.name for p in tmp_path.glob("new*")) == ["new.duckdb"]


def test_an_ingest_waits_for_a_reader(store: Path, tmp_path: Path) -> None:
    refusals = some_refusals(tmp_path / "b")
    command = [sys.executable, "-c", READER, str(store)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as reader:
        assert reader.stdout is not None and reader.stdout.readline() == "held\n"
        code, told = ended(program("ingest", refusals, "--store", store))
        assert code == 3 and "is in use by another process" in told and "--wait" in told
        waits = program("ingest", refusals, "--store", store, "--wait", "100")
        with pytest.raises(subprocess.TimeoutExpired):
            waits.wait(2.0)
        reader.communicate("\n")
    assert ended(waits)[0] == 0
    assert held(store) == [(0, 9)]


def old(path: Path, seconds: float) -> None:
    """As it would look so long after a kill."""
    os.utime(path, (time.time() - seconds,) * 2)


def test_what_killed_runs_left_is_removed(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    temp = tmp_path / "temp"
    monkeypatch.setenv("REPERMIT_TEMP", str(temp))
    spill = tmp_path / "s.duckdb.tmp"
    for folder in (spill, temp / "repermit-reading-old", temp / "repermit-reading-new", temp / "other"):
        folder.mkdir(parents=True)
        (folder / "duckdb_temp_storage-0.tmp").write_text("x")
        (folder / "mine.txt").write_text("x")
    for name in ("s.duckdb.1.part", "s.duckdb.2.part", "s.duckdb.3.part.wal", "t.duckdb.1.part"):
        (tmp_path / name).write_text("x")
        old(tmp_path / name, 0 if "2" in name else 100)
    old(temp / "repermit-reading-old", 3 * 86_400)
    old(temp / "other", 3 * 86_400)
    load(store, some_refusals(tmp_path / "b"))
    assert sorted(p.name for p in tmp_path.iterdir() if "part" in p.name) == [
        "s.duckdb.2.part",
        "t.duckdb.1.part",
    ]
    assert [p.name for p in spill.iterdir()] == ["mine.txt"]
    assert sorted(p.name for p in temp.iterdir()) == ["other", "repermit-reading-new"]
    assert held(store) == [(0, 9)]


@pytest.mark.parametrize(
    "words",
    [
        ("contract",),
        ("quarantine", "--format", "csv"),
        ("rates", "--from", "2025-03-01", "--to", "2025-04-01"),
    ],
    ids=" ".join,
)
def test_whoever_read_the_output_has_gone(store: Path, words: Sequence[str]) -> None:
    environment = {} if words == ("contract",) else {"REPERMIT_STORE": str(store)}
    process = program(*words, **environment)
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    with process.stderr:
        told = process.stderr.read()
    assert process.wait(60) == 141
    assert "Traceback" not in told and "Exception" not in told and "error" not in told


def test_a_memory_that_is_no_size_ends_with_2(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, told = ended(program("validate", "--store", store, REPERMIT_MEMORY="much"))
    assert code == 2
    assert told.splitlines() == [
        "error: REPERMIT_MEMORY is 'much', which is no size",
        "  Give a number and a unit, such as 2GB.",
    ]
    for memory in ("2", "-1GB", "1e3MB", "GB", "0.5 KB", "1GB; select 1"):
        monkeypatch.setenv("REPERMIT_MEMORY", memory)
        with pytest.raises(CallError, match="which is no size"):
            load(store, some_refusals(store.parent / "b"))


def test_too_little_memory_ends_with_3_and_changes_nothing(store: Path, tmp_path: Path) -> None:
    loads = many_loads(tmp_path / "a")
    code, told = ended(program("ingest", loads, "--store", store, REPERMIT_MEMORY="1MB"))
    assert code == 3 and "memory" in told, told
    assert held(store) == [(0, 0)]
    assert ended(program("ingest", loads, "--store", store, REPERMIT_MEMORY="200 MiB"))[0] == 0
    assert held(store) == [(MANY, 0)]
