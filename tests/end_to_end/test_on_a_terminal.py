"""The program as it runs on a terminal: a pseudo-terminal as wide as asked, for what it says and how far it is."""

from __future__ import annotations

import os
import pty
import re
import struct
import subprocess
import sys
import termios
from fcntl import ioctl
from pathlib import Path

import pytest

from helpers import store_from
from repermit.cli.talk import countdown, pace_words, wrapped
from repermit.ingest.pace import DECIDED, JUDGED, READ, ROWS, Pace

TRAILER = {"trailer_id": "T-1", "positions": 4, "in_service_on": "2024-01-01"}
PROGRAM = "from repermit.cli import talk; talk.SOON_S = talk.EVERY_S = 0.0; from repermit.cli.main import run; run()"


def on_a_terminal(*words: str | Path, columns: int = 80, **environment: str) -> tuple[int, str]:
    """Run the program with standard output and error on a pseudo-terminal; its exit code and all that it wrote."""
    ours, theirs = pty.openpty()
    ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS")}
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *map(str, words)],
        stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs, env={**kept, "TERM": "xterm", **environment},
    )  # fmt: skip
    os.close(theirs)
    told = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # as some systems end a terminal whose other side has gone
            break
        if not part:
            break
        told += part
    os.close(ours)
    return process.wait(timeout=60), told.decode().replace("\r\n", "\n")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("store"), {"trailers": [TRAILER]})


@pytest.mark.parametrize("environment", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}], ids=str)
def test_colour_on_a_terminal_that_wants_it(store: Path, environment: dict[str, str]) -> None:
    code, told = on_a_terminal("rates", "--month", "soon", "--store", store, **environment)
    assert code == 2 and "error" in told
    assert ("\x1b[" in told) == (environment == {})
    code, told = on_a_terminal("quarantine", "--left", "--store", store, **environment)
    assert code == 0 and "left_as" in told
    assert ("\x1b[" in told) == (environment == {})


@pytest.mark.parametrize(("columns", "lines"), [(40, 4), (80, 3), (120, 2)])
def test_messages_are_wrapped_at_the_ends_of_words(store: Path, columns: int, lines: int) -> None:
    code, told = on_a_terminal("rates", "--by", "colour", "--store", store, columns=columns, NO_COLOR="1")
    assert code == 2
    assert len(told.splitlines()) == lines and max(map(len, told.splitlines())) <= columns
    words = " ".join(told.split())
    assert "position, place, cause" in words  # whole: no word is cut


def test_an_ingest_says_how_far_it_is_on_a_terminal_only(tmp_path: Path) -> None:
    (tmp_path / "loads.csv").write_text(
        "trailer_id,loaded_on,terminal,lane\n" + "T-1,2025-01-01,A,1\n" * 300_000, encoding="utf-8"
    )
    (tmp_path / "trailers.csv").write_text("trailer_id,positions,in_service_on\nT-1,4,2024-01-01\n")
    words = ["ingest", tmp_path, "--store", tmp_path / "s.duckdb"]
    code, told = on_a_terminal(*words, NO_COLOR="1")
    assert code == 0
    lines = re.findall(r"  (\d+) % of \d+ MB, [\d,.]+ MB a second, about [\d,]+ s left", told)
    assert lines and list(map(int, lines)) == sorted(map(int, lines))
    assert re.search(r"read 6 MB in \d+ s, [\d.]+ MB a second", told)
    for line in told.split("\n"):
        # what a line of progress left is wiped before the next message, so that nothing stands after its end
        *parts, last = line.split("\r")
        assert len(parts) == 0 or all(len(part) < 80 for part in parts), last
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *map(str, words[:2]), "--store", str(tmp_path / "other.duckdb")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert " s left" not in done.stderr and "\r" not in done.stderr + done.stdout


def test_who_reads_no_further_is_told_nothing(store: Path) -> None:
    for words in (["contract"], ["contract", "--format", "json"], ["rates", "--help"]):
        done = subprocess.run(
            ["sh", "-c", '"$@" | head -n 1; exit 0', "sh", sys.executable, "-c", PROGRAM, *words],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.stdout.count("\n") == 1
        assert done.stderr == ""


def test_pace_by_hand() -> None:
    assert pace_words(120_000_000, 0.25, 10.0) == "  25 % of 120 MB, 3.0 MB a second, about 30 s left"
    assert pace_words(120_000_000, 0.0, 4.0) == "  4 s so far"


def test_how_far_an_ingest_is_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    query = now = 0.0
    monkeypatch.setattr("repermit.ingest.pace.progress_of", lambda _: lambda: query)
    pace = Pace(lambda: now)
    assert pace.done() == 0
    pace.watch(None, 400)  # type: ignore[arg-type]
    pace.table(100)
    pace.step(READ)
    query = 0.5
    assert pace.done() == pytest.approx(ROWS * 0.25 * READ / 2)
    now = 3.0
    pace.step(JUDGED)
    query = 0.0
    assert pace.done() == pytest.approx(ROWS * 0.25 * READ)
    now = 6.0  # reading took 3 s; judging is expected to take as much more as it is the longer step
    assert pace.done() == pytest.approx(ROWS * 0.25 * 2 * READ)
    now = 600.0
    assert pace.done() == pytest.approx(ROWS * 0.25 * (READ + 0.95 * (JUDGED - READ)))
    pace.step(DECIDED)
    query = 1.0
    assert pace.done() == pytest.approx(ROWS * 0.25 * DECIDED)
    query = 0.0
    assert pace.done() == pytest.approx(ROWS * 0.25 * DECIDED), "it never goes back"
    pace.table(300)
    pace.step(READ)
    assert pace.done() == pytest.approx(ROWS * 0.25)
    pace.build()
    query = 0.5
    assert pace.done() == pytest.approx((ROWS + 1) / 2)


def test_long_messages_are_broken_at_words_and_paths_stay_whole() -> None:
    path = "/a/very/long/path/" + "x" * 60
    assert wrapped(f"see {path} and mend it", 40) == f"see\n  {path}\n  and mend it"
    assert wrapped("  Try this or that", 12) == "  Try this\n    or that"
    assert wrapped("anything at all " * 20, None) == "anything at all " * 20


def test_pages_are_counted_down_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter([0.0, 1.0, 5.0, 10.0, 0.0, 9.0])
    monkeypatch.setattr("repermit.cli.talk.time.monotonic", lambda: next(clock))
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    step = countdown(5)
    assert step() == "", "nothing is known before the first is done"
    assert step() == " (2 of 5, about 20 s left)"
    assert step() == " (3 of 5, about 15 s left)"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: False)
    assert countdown(2)() == ""
