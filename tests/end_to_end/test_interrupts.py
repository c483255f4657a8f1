"""Ctrl-C at any moment, the death of either process that makes pages, streams that are closed: a plain end, soon, and nothing
left running.

All are real processes. A process that still ran would hold the pipe of standard error open, so that its end is waited for.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from helpers import load, query, write_csv

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals as they are on POSIX systems")

TRAILERS = [
    {
        "trailer_id": f"T{i}",
        "positions": 4,
        "in_service_on": "2020-01-01",
        "home_shop": f"S{i % 3}",
        "fleet": "Red",
    }
    for i in range(50)
]
MONTH = ("--month", "2025-03")
SAID = "interrupted: the store is as it was before the command, or as it is after; never in between"
INTERRUPT = "os.kill(os.getpid(), signal.SIGINT)"
AT_AN_IMPORT = """
import os, signal, sys, _imp, threading, weakref
class Finder:
    def find_spec(name, *_):
        if name == {library!r} and threading.current_thread() is threading.main_thread():
            {first}
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Finder)
from repermit.__main__ import start
start()
"""
AT_THE_END = """
import atexit, os, signal
atexit.register(os.kill, os.getpid(), signal.SIGINT)
from repermit.__main__ import start
start()
"""
THE_OTHER_IS_KILLED = """
import signal
from repermit.cli import beside, pages
pages.begin = lambda: beside.beside(signal.raise_signal, signal.SIGKILL)
from repermit.__main__ import start
start()
"""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    load(tmp_path / "s.duckdb", write_csv(tmp_path / "first", "trailers", TRAILERS))
    return tmp_path / "s.duckdb"


def started(how: tuple[str, ...], *words: str | Path) -> subprocess.Popen[str]:
    """A process of its own, with what it starts in a group."""
    return subprocess.Popen(
        [sys.executable, *how, *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    """Its code and what it told, once it and all that it started have ended."""
    try:
        out, err = process.communicate(timeout=60)
    finally:
        if process.returncode is None:
            os.killpg(process.pid, signal.SIGKILL)
    assert "Traceback" not in err, err
    return process.returncode, out, err


@pytest.mark.parametrize(
    "first",
    [
        "pass",
        "_imp.acquire_lock()",
        "weakref.finalize(Finder(), os.kill, os.getpid(), signal.SIGINT)",
        "exec('try: os.kill(os.getpid(), signal.SIGINT)\\nexcept BaseException: pass')",
    ],
    ids=["", "the lock of all imports stays held", "Python drops the first", "a library catches the first"],
)
@pytest.mark.parametrize("library", ["typer", "repermit.cli.rates", "duckdb", "repermit.studies.selection"])
def test_ctrl_c_while_a_library_is_read(store: Path, library: str, first: str) -> None:
    code = AT_AN_IMPORT.format(library=library, first=first)
    process = started(("-c", code), "rates", *MONTH, "--store", store)
    assert ended(process) == (130, "", f"{SAID}\n")


def test_ctrl_c_when_all_is_done_changes_nothing(store: Path) -> None:
    code, out, _ = ended(started(("-c", AT_THE_END), "rates", *MONTH, "--format", "csv", "--store", store))
    assert code == 0 and out


@pytest.mark.parametrize("wait_s", [0.0, 0.05, 0.3])
@pytest.mark.parametrize("to_both", [True, False])
def test_ctrl_c_ends_both_processes_that_make_pages(
    store: Path, tmp_path: Path, wait_s: float, to_both: bool
) -> None:
    """At any moment: also while the other one has only just been started, and twice, as a wrapper passes it on."""
    making = started(
        ("-m", "repermit"), "report", "all", *MONTH, "--store", store, "--out", tmp_path / "pages"
    )
    assert making.stderr is not None
    assert making.stderr.readline() == "monthly page: 2025-03\n"
    time.sleep(wait_s)
    for _ in range(2):
        os.killpg(making.pid, signal.SIGINT) if to_both else making.send_signal(signal.SIGINT)
    code, out, err = ended(making)
    assert (code, out, err.splitlines()[-1]) == (130, "", SAID)
    load(store, write_csv(tmp_path / "more", "trailers", [TRAILERS[0] | {"trailer_id": "U"}]))
    assert query(store, "select count(*) from current.trailers") == [(51,)]


@pytest.mark.parametrize("kind", ["monthly", "all"])
def test_the_process_that_draws_is_killed(store: Path, tmp_path: Path, kind: str) -> None:
    """As the system does where memory is short: what was promised or queued fails with a plain error."""
    out = tmp_path / "pages" / ("p.html" if kind == "monthly" else "")
    process = started(("-c", THE_OTHER_IS_KILLED), "report", kind, *MONTH, "--store", store, "--out", out)
    code, told, err = ended(process)
    assert (code, told) == (3, "")
    assert err.splitlines()[-2:] == [
        "error: the process that draws the pages was ended from outside (code -9)",
        "  Where memory is short the system does that: free some, or give REPERMIT_MEMORY less, and run it again.",
    ]
    assert not [p for p in tmp_path.rglob("*") if p.suffix in (".html", ".part")]


def test_the_process_that_draws_ends_with_the_other(store: Path, tmp_path: Path) -> None:
    making = started(
        ("-m", "repermit"), "report", "all", *MONTH, "--store", store, "--out", tmp_path / "pages"
    )
    assert making.stderr is not None and making.stderr.readline()
    time.sleep(0.3)  # so that the other one stands
    making.kill()
    assert ended(making)[0] == -signal.SIGKILL


@pytest.mark.parametrize("words", [("rates", *MONTH), ("rates", "--nonsense"), ("rates", "--fleet", "Blue")])
def test_closed_streams_change_neither_code_nor_data(store: Path, words: tuple[str, ...]) -> None:
    """Nobody can be told, but what is asked for is done; and the store never gets the number of such a stream."""
    line = [sys.executable, "-m", "repermit", *words]
    environment = os.environ | {"REPERMIT_STORE": str(store)}
    whole = subprocess.run(line, capture_output=True, text=True, env=environment)
    for closed in ("2>&-", ">&-", "<&- >&- 2>&-"):
        shell = ["sh", "-c", f'exec "$@" {closed}', "sh", *line]
        told = subprocess.run(shell, capture_output=True, text=True, env=environment)
        assert told.returncode == whole.returncode, closed
        assert told.stdout == ("" if ">&-" in closed.replace("2>&-", "") else whole.stdout)
        assert told.stderr == ("" if "2>&-" in closed else whole.stderr)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is of Linux")
def test_a_full_disk_under_the_output_ends_with_3() -> None:
    with Path("/dev/full").open("w") as full:
        line = [sys.executable, "-m", "repermit", "contract"]
        told = subprocess.run(line, stdout=full, stderr=subprocess.PIPE, text=True)
        assert told.returncode == 3 and told.stderr.startswith("error: standard output: No space left"), told
        assert len(told.stderr.splitlines()) == 2
        assert subprocess.run([*line, "--nonsense"], stdout=full, stderr=full).returncode == 141
