"""Bad files, bad stores, bad calls: a plain error, the right exit code, no traceback, and the store as it was.

Exit codes: 0 done, 1 a file that cannot be read as data, 2 the call, 3 the store or the disk, 70 a defect of repermit.
"""

from __future__ import annotations

import ctypes
import gzip
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pytest

from helpers import dump, load, write_csv
from repermit import __version__, warehouse
from repermit.cli import main
from repermit.contract import TABLES

SCHEMAS = ("record", "accepted", "waiting", "core", "marts")
TRAILERS = b"trailer_id,positions,in_service_on,fleet\nA,4,2020-01-01,Heron\nB,4,2020-01-01,Egret\n"
REFUSALS = b"refusal_id,trailer_id,refused_at,reason\nF1,A,2025-03-01T10:00Z,overfill\nF2,B,2025-03-31T10:00Z,ground\n"
LOADS = b"trailer_id,terminal,lane,loaded_on,loads\nA,T,1,2025-03-01,3\nB,T,1,2025-03-31,2\n"
JPEG = bytes.fromhex("ffd8ffe000104a46494600010100000100010000ffdb0043")


@dataclass(frozen=True)
class Told:
    """How a command ended."""

    code: int
    out: str
    err: str


Call = Callable[..., Told]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Call:
    """Runs the program as its script does, in this process."""

    def run(*words: str | Path) -> Told:
        monkeypatch.setattr(sys, "argv", ["repermit", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main.run()
        out, err = capsys.readouterr()
        code = ended.value.code or 0
        assert isinstance(code, int)
        return checked(Told(code, out, err))

    return run


def checked(told: Told) -> Told:
    """No traceback ever; an error is one line and what to try, on standard error."""
    assert "Traceback" not in told.out + told.err
    if told.code:
        assert told.err.strip()
    if told.err.startswith("error: ") and told.code != 1:
        assert told.out == ""
    *before, last = told.err.rstrip().split("\n") if "error: " in told.err else ("error: ", "  ")
    assert last.startswith("  ") and before[-1].startswith("error: "), "what to try stands under each error"
    return told


def process(*words: str | Path, before: Callable[[], None] | None = None) -> Told:
    """Runs the program in a process of its own."""
    command = [sys.executable, "-m", "repermit", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, preexec_fn=before, timeout=60)
    return checked(Told(done.returncode, done.stdout, done.stderr))


@cache
def sound_store() -> bytes:
    """A store with two trailers, refusals and loads of one month."""
    with TemporaryDirectory() as folder:
        records = Path(folder) / "records"
        records.mkdir()
        for name, data in (("trailers", TRAILERS), ("refusals", REFUSALS), ("loads", LOADS)):
            (records / f"{name}.csv").write_bytes(data)
        load(Path(folder) / "s.duckdb", records)
        return (Path(folder) / "s.duckdb").read_bytes()


@cache
def sound_content() -> dict[str, list[tuple[Any, ...]]]:
    """What it holds. A writer may leave other bytes that hold the same."""
    with TemporaryDirectory() as folder:
        (Path(folder) / "s.duckdb").write_bytes(sound_store())
        return content(Path(folder) / "s.duckdb")


def content(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All that a store holds but the reports that were made of it."""
    reports = ("record.reports", "record.pages")
    return {name: rows for name, rows in dump(store, SCHEMAS).items() if name not in reports}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Path]:
    """That store; its content must be the same after the test."""
    path = tmp_path / "sound.duckdb"
    path.write_bytes(sound_store())
    yield path
    assert path.read_bytes() == sound_store() or content(path) == sound_content()
    assert sorted(p.name for p in tmp_path.glob("sound*")) == ["sound.duckdb"]


# --- files ------------------------------------------------------------------------------------------------------

SEMICOLONS = TRAILERS.replace(b",", b";")
UNREADABLE = {
    "empty": ("a.csv", b"", "a.csv: the file is empty, not even a header", "repermit contract"),
    "semicolons": ("a.csv", SEMICOLONS, "a.csv, line 1: the columns are separated by semicolons", "commas"),
    "tabs": ("a.csv", TRAILERS.replace(b",", b"\t"), "a.csv, line 1: the columns are separated by tabs", "commas"),
    "latin 1": ("a.csv", REFUSALS + b"F3,A\xe9,,\n", "a.csv, line 4, byte 5: the file is not UTF-8", "UTF-8"),
    "UTF-16": ("a.csv", TRAILERS.decode().encode("utf-16"), "a.csv, line 1, byte 1: it looks like UTF-16", "UTF-8"),
    "NUL": ("a.csv", TRAILERS + b"C\0,4,2020-01-01,\n", "a.csv, line 4, byte 2: a NUL byte", "UTF-8"),
    "gzip cut short": ("a.csv.gz", gzip.compress(TRAILERS * 99)[:-12], "a.csv.gz: the compressed file is damaged", "Copy"),
    "picture": ("a.csv", JPEG, "a.csv, line 1, byte 1: the file is not UTF-8", "UTF-8"),
    "spreadsheet": ("a.csv", b"PK\x03\x04\x14\0\xff", "a.csv: a spreadsheet or an archive, not CSV", "Save its sheet as CSV"),
    "picture in gzip": ("a.csv", gzip.compress(JPEG), "a.csv, line 1, byte 1: the file is not UTF-8", "UTF-8"),
    "no header": ("a.csv", TRAILERS.split(b"\n", 1)[1], "a.csv, line 1: no column of this header is known: A, 4", "repermit contract"),
    "nearest": (
        "a.csv", b"trailer,positions,in_service_on\n",
        "a.csv, line 1: the header fits no table; the nearest is trailers, which also needs trailer_id; it has no column"
        " 'trailer' (did you mean trailer_id?)", "The columns of trailers: repermit contract",
    ),
    "twice": ("a.csv", b"trailer_id,positions,positions,in_service_on\n", "a.csv, line 1: the column 'positions' stands twice", "Rename"),
}  # fmt: skip


@pytest.mark.parametrize("case", UNREADABLE)
def test_a_file_that_is_no_table_ends_with_1(call: Call, store: Path, tmp_path: Path, case: str) -> None:
    name, data, what, hint = UNREADABLE[case]
    (tmp_path / name).write_bytes(data)
    good = write_csv(
        tmp_path, "trailers", [{"trailer_id": "C", "positions": 4, "in_service_on": "2020-01-01"}]
    )
    for target in (store, tmp_path / "new.duckdb"):
        told = call("ingest", good, tmp_path / name, "--store", target)
        assert told.code == 1
        assert told.err.splitlines()[0].startswith(f"error: {what}")
        assert hint in told.err.splitlines()[1]
    assert not list(tmp_path.glob("new*"))


def test_a_path_that_is_not_there_and_a_folder_of_pictures_end_with_2(
    call: Call, store: Path, tmp_path: Path
) -> None:
    (tmp_path / "pictures").mkdir()
    (tmp_path / "pictures" / "a.jpg").write_bytes(JPEG)
    for path, what in (("nowhere.csv", "no file or folder"), ("pictures", "no CSV file in the folder")):
        told = call("ingest", tmp_path / path, "--store", store)
        assert (told.code, path in told.err, what in told.err) == (2, True, True)
        assert call("ingest", tmp_path / path, "--store", tmp_path / "new.duckdb").code == 2
    assert not list(tmp_path.glob("new*"))


def test_a_header_alone_ends_with_0(call: Call, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(TRAILERS.split(b"\n")[0])
    told = call("ingest", tmp_path / "a.csv", "--store", tmp_path / "new.duckdb", "--format", "csv")
    assert (told.code, told.out.splitlines()[1]) == (0, "a.csv,trailers,0,0,0,0,0")


def test_rows_set_aside_end_with_0(call: Call, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(REFUSALS)
    told = call("ingest", tmp_path / "a.csv", "--store", tmp_path / "new.duckdb", "--format", "csv")
    assert (told.code, told.out.splitlines()[1]) == (0, "a.csv,refusals,2,0,0,0,2")
    assert "2 rows wait in the quarantine; see why with: repermit quarantine" in told.err


# --- stores ------------------------------------------------------------------------------------------------------

QUESTIONS = (
    ("ingest", "{folder}/trailers.csv"),
    ("rates", "--month", "2025-03"),
    ("validate", "--out", "{folder}/page.html"),
    ("quarantine",),
    ("episode", "F1"),
    ("report", "monthly", "--month", "2025-03", "--out", "{folder}/page.html"),
)


def ask_all(call: Call, folder: Path, store: Path, *more: str, but: tuple[str, ...] = ()) -> list[Told]:
    (folder / "trailers.csv").write_bytes(TRAILERS)
    asked = [words for words in QUESTIONS if words[0] not in but]
    told = [call(*(w.format(folder=folder) for w in words), "--store", store, *more) for words in asked]
    assert not (folder / "page.html").exists()
    return told


def foreign(path: Path) -> None:
    con = duckdb.connect(str(path))
    con.execute("create table t as select 1 as a")
    con.close()


def other_version(path: Path) -> None:
    path.write_bytes(sound_store())
    con = duckdb.connect(str(path))
    con.execute("update record.meta set value = '999' where name = 'schema_version'")
    con.close()


NOT_STORES: dict[str, tuple[Callable[[Path], object], str]] = {
    "text": (lambda p: p.write_text("trailer_id\n" * 999), "is not a repermit store"),
    "bytes": (lambda p: p.write_bytes(JPEG * 999), "is not a repermit store"),
    "nothing": (lambda p: p.write_bytes(b""), "is not a repermit store"),
    "cut": (lambda p: p.write_bytes(sound_store()[:20_000]), "cannot be opened"),
    "folder": (lambda p: p.mkdir(), "is a folder, and a store is a file"),
    "foreign": (foreign, "is a DuckDB file but not a repermit store"),
    "version": (other_version, f"has schema version 999, this program reads {warehouse.SCHEMA_VERSION}"),
}


@pytest.mark.parametrize("case", NOT_STORES)
def test_what_is_no_store_of_this_version_ends_with_3_and_is_left_alone(
    call: Call, tmp_path: Path, case: str
) -> None:
    make, what = NOT_STORES[case]
    path = tmp_path / "other.duckdb"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    for told in ask_all(call, tmp_path, path):
        assert told.code == 3
        assert told.err.startswith("error: ")
        assert what in told.err and "other.duckdb" in told.err
        assert len(told.err.splitlines()) == 2
    assert (path.read_bytes() if path.is_file() else None) == before
    assert sorted(p.name for p in tmp_path.glob("other*")) == ["other.duckdb"]


def test_no_store_ends_with_3_and_none_is_made(call: Call, tmp_path: Path) -> None:
    for told in ask_all(call, tmp_path, tmp_path / "new.duckdb", but=("ingest",)):
        assert (told.code, "there is no store at" in told.err, "repermit ingest" in told.err) == (
            3,
            True,
            True,
        )
    told = call("ingest", tmp_path / "trailers.csv", "--store", tmp_path / "no" / "folder" / "new.duckdb")
    assert told.code == 3
    assert sorted(p.name for p in tmp_path.iterdir()) == ["trailers.csv"]


HOLD = "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.readline(); con.close()"


@pytest.fixture
def held(store: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that has the store open for writing until it reads a line."""
    command = [sys.executable, "-c", HOLD, str(store)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        yield other
        if other.poll() is None:
            other.communicate("\n")


def test_a_store_in_use_ends_with_3(
    call: Call, store: Path, tmp_path: Path, held: subprocess.Popen[str]
) -> None:
    for told in ask_all(call, tmp_path, store):
        assert told.code == 3
        assert "is in use by another process" in told.err and "--wait" in told.err
    since = time.monotonic()
    assert call("rates", "--month", "2025-03", "--store", store, "--wait", "0.4").code == 3
    assert time.monotonic() - since >= 0.4
    held.communicate("\n")


def test_wait_waits_for_a_store_in_use(store: Path, held: subprocess.Popen[str]) -> None:
    command = [
        sys.executable,
        "-m",
        "repermit",
        "rates",
        "--month",
        "2025-03",
        "--store",
        str(store),
    ]
    with subprocess.Popen([*command, "--wait", "30"], stdout=subprocess.PIPE, text=True) as asking:
        with pytest.raises(subprocess.TimeoutExpired):
            asking.wait(1.0)
        held.communicate("\n")
        out, _ = asking.communicate(timeout=30)
    assert asking.returncode == 0
    assert out.startswith("position")


def spoiled(path: Path) -> None:
    data = bytearray(sound_store())
    for at in range(20_000, len(data), 200_000):
        data[at : at + 64] = b"\xff" * 64
    path.write_bytes(data)


def test_a_store_with_spoiled_bytes_ends_with_3(call: Call, tmp_path: Path) -> None:
    spoiled(tmp_path / "spoiled.duckdb")
    for told in ask_all(call, tmp_path, tmp_path / "spoiled.duckdb"):
        assert told.code == 3
        assert "in use" not in told.err


def test_a_foreign_file_with_views_alone_is_left_alone(call: Call, tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    con = duckdb.connect(str(path))
    con.execute("create view t as select 1 as a")
    con.close()
    (tmp_path / "trailers.csv").write_bytes(TRAILERS)
    assert call("ingest", tmp_path / "trailers.csv", "--store", path).code == 3


def no_master_key() -> None:
    """Gives up the right of a superuser to write where rights forbid it."""
    for capability in (1, 2):  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH of linux/capability.h
        if ctypes.CDLL(None, use_errno=True).prctl(24, capability, 0, 0, 0):  # PR_CAPBSET_DROP
            raise OSError(ctypes.get_errno(), "prctl")


@pytest.mark.skipif(
    sys.platform != "linux" and os.name == "posix" and os.geteuid() == 0, reason="a superuser writes anywhere"
)
def test_a_folder_that_may_not_be_written_ends_with_3(store: Path, tmp_path: Path) -> None:
    before = no_master_key if os.geteuid() == 0 else None
    folder = tmp_path / "locked"
    folder.mkdir()
    (folder / "a.csv").write_bytes(TRAILERS)
    (folder / "old.duckdb").write_bytes(sound_store())
    (folder / "old.duckdb").chmod(0o444)
    folder.chmod(0o555)
    calls = (
        ("ingest", folder / "a.csv", "--store", folder / "new.duckdb"),
        ("ingest", folder / "a.csv", "--store", folder / "old.duckdb"),
        ("quarantine", "--out", folder / "mend.csv", "--store", store),
        ("report", "monthly", "--month", "2025-03", "--out", folder / "page.html", "--store", store),
        ("contract", "--format", "csv", "--out", folder / "contract"),
        ("contract", "--format", "csv", "--out", folder),
    )
    try:
        for words in calls:
            told = process(*words, before=before)
            assert told.code == 3, (words, told)
            assert told.err.splitlines()[-2].startswith("error: ")
        assert process("rates", "--store", folder / "old.duckdb", before=before).code == 0, (
            "reading needs no right to write"
        )
        assert sorted(p.name for p in folder.iterdir()) == ["a.csv", "old.duckdb"]
        assert (folder / "old.duckdb").read_bytes() == sound_store()
    finally:
        folder.chmod(0o755)


def test_a_file_without_the_right_to_read_it_ends_with_1(store: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(TRAILERS)
    path.chmod(0)
    before = no_master_key if os.geteuid() == 0 else None
    told = process("ingest", path.parent, "--store", store, before=before)
    assert (told.code, told.err.splitlines()[0]) == (
        1,
        f"error: {tmp_path.name}/a.csv: cannot be read: Permission denied",
    )
    told = process("ingest", path, "--store", store, before=before)
    assert (told.code, "a.csv' is not readable" in told.err) == (2, True)


def little_room() -> None:
    """No file may grow beyond 1 MB: to the program as a full disk."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, 1_000_000))


@pytest.mark.parametrize("rows", [200_000, 20_000])
def test_a_full_disk_ends_with_3_and_leaves_the_store_as_it_was(tmp_path: Path, rows: int) -> None:
    old = tmp_path / "old.duckdb"
    old.write_bytes(sound_store())
    many = tmp_path / "loads.csv"
    many.write_text(
        "trailer_id,terminal,loaded_on,loads\n" + "".join(f"A,{i * 7919},2025-03-01,1\n" for i in range(rows))
    )
    told = [
        process("ingest", many, "--store", target, before=little_room)
        for target in (old, tmp_path / "new.duckdb")
    ]
    assert content(old) == sound_content()
    assert not list(tmp_path.glob("new*"))
    assert [t.code for t in told] == [3, 3]
    assert all("the store could not be written" in t.err for t in told)


# --- calls ---------------------------------------------------------------------------------------------------------

BAD_CALLS = {
    "month 13": (("rates", "--month", "2026-13"), "'2026-13' is no month", "YYYY-MM"),
    "month in words": (("rates", "--month", "March"), "'March' is no month", "YYYY-MM"),
    "month of a page": (("report", "monthly", "--month", "2026-00"), "'2026-00' is no month", "YYYY-MM"),
    "no such day": (("rates", "--from", "2025-02-30"), "'2025-02-30' is no date", "YYYY-MM-DD"),
    "from after to": (("rates", "--from", "2025-03-02", "--to", "2025-03-01"), "2025-03-02 to 2025-03-01 is empty", "--to is not"),
    "from at to": (("rates", "--from", "2025-03-01", "--to", "2025-03-01"), "is empty", "--from is included"),
    "month and from": (("rates", "--month", "2025-03", "--from", "2025-03-01"), "--month was given with --from", "one or the other"),
    "fleet": (("rates", "--fleet", "Stork"), "there is no fleet 'Stork'", "Known: Egret, Heron."),
    "fleet, nearly": (("rates", "--fleet", "heron"), "there is no fleet 'heron'", "Did you mean 'Heron'?"),
    "terminal": (("rates", "--terminal", "X"), "there is no terminal 'X'", "Known: T."),
    "system": (("rates", "--system", "six_wire"), "there is no system 'six_wire'", "Known: none."),
    "key": (("rates", "--by", "position,colour"), "'colour'", "position, place, cause"),
    "episode": (("episode", "F99"), "no episode, refusal or repair 'F99'", "repermit quarantine"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_CALLS)
def test_a_call_that_makes_no_sense_ends_with_2(call: Call, store: Path, case: str) -> None:
    words, what, hint = BAD_CALLS[case]
    told = call(*words, "--store", store)
    first, second = told.err.splitlines()
    assert (told.code, told.out) == (2, "")
    assert first.startswith("error: ") and what in first
    assert hint in second


@pytest.mark.parametrize("month", ["9999-12", ""])
def test_a_month_that_no_record_can_be_of_ends_with_2(call: Call, store: Path, month: str) -> None:
    assert call("rates", "--month", month, "--store", store).code == 2


@pytest.mark.parametrize(
    "words",
    [("nonsense",), ("rates", "--nonsense"), ("rates", "--wait", "-1"), ("rates", "--format", "xml"), ("contract", "--format", "x")],
)  # fmt: skip
def test_words_that_are_no_command_end_with_2(call: Call, words: tuple[str, ...]) -> None:
    told = call(*words)
    assert (told.code, told.out) == (2, "")
    error, hint = told.err.splitlines()
    command, *option = words
    assert error.startswith("error: ") and error[7].islower() and (option or words)[0] in error
    assert hint == f"  See: repermit{f' {command}' if option else ''} --help"


def test_a_month_without_records_is_told_and_not_shown_as_zeros(
    call: Call, store: Path, tmp_path: Path
) -> None:
    page = tmp_path / "page.html"
    told = call("report", "monthly", "--month", "2024-06", "--out", page, "--store", store)
    assert (told.code, told.out.strip()) == (0, str(page))
    text = page.read_text(encoding="utf-8")
    assert "No loads, refusals or visits are on record for 2024-06." in text
    assert "0 faults" not in text and "<svg" not in text
    told = call("rates", "--month", "2024-06", "--store", store)
    assert told.code == 0
    assert "no record covers 2024-06-01 to 2024-06-30" in told.err
    assert "the records cover 2025-03-01 to 2025-03-31" in told.err
    assert "no record covers" not in call("rates", "--store", store).err


def test_a_store_without_records_is_told(call: Call, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(TRAILERS.split(b"\n")[0])
    store = tmp_path / "empty.duckdb"
    call("ingest", tmp_path / "a.csv", "--store", store)
    assert "the records of this store do not say which days they cover" in call("rates", "--store", store).err
    assert "month to report" in call("report", "monthly", "--store", store).err
    assert (
        call("report", "monthly", "--month", "2025-03", "--out", tmp_path / "p.html", "--store", store).code
        == 0
    )
    assert call("rates", "--month", "2025-03", "--store", store).code == 0
    assert call("quarantine", "--store", store).err == "nothing waits in the quarantine\n"


# --- defects and interruptions -----------------------------------------------------------------------------------------


def test_a_folder_in_the_place_of_a_file_ends_with_3(call: Call, store: Path, tmp_path: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    told = call("rates", "--store", folder)
    assert told.code == 3 and "is a folder" in told.err and "folder/repermit.duckdb" in told.err
    told = call("report", "monthly", "--month", "2025-03", "--out", folder, "--store", store)
    assert told.code == 3 and "folder/page.html" in told.err
    told = call("quarantine", "--out", folder, "--store", store)
    assert told.code == 3 and "folder/mend.csv" in told.err


@pytest.mark.parametrize(("kind", "known"), [("fleet", "Egret, Heron"), ("terminal", "T"), ("shop", "none")])
def test_a_page_about_nobody_asks_who(call: Call, store: Path, kind: str, known: str) -> None:
    told = call("report", kind, "--store", store)
    assert told.code == 2
    assert told.err == f"error: no {kind} was named\n  Give --{kind} NAME; known: {known}.\n"


def test_the_version_is_told_and_help_has_its_short_name(call: Call) -> None:
    assert call("--version").out == f"repermit {__version__}\n"
    told = call("rates", "-h")
    assert told.code == 0 and told.out == call("rates", "--help").out
    commands = call("-h").out.split("Commands:")[1]
    assert "..." not in commands  # each is told whole


def test_a_defect_ends_with_70_and_a_line_to_report(
    call: Call, store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a defect\nover two lines")

    monkeypatch.setattr("repermit.ingest.run.build", fail)
    (tmp_path / "a.csv").write_bytes(TRAILERS + b"C,4,2020-01-01,\n")
    for target in (store, tmp_path / "new.duckdb"):
        told = call("ingest", tmp_path / "a.csv", "--store", target)
        assert told.code == 70
        progress, first, second = told.err.splitlines()[-3:]
        assert progress == "building the tables"
        assert first.startswith("error: a defect in repermit: ZeroDivisionError at ") and first.endswith(
            ": a defect"
        )
        assert "tests/end_to_end/test_bad_input.py:" in first or ".py:" in first
        assert "report this line" in second
    assert not list(tmp_path.glob("new*"))


def test_a_defect_in_a_process_of_its_own_ends_with_70(store: Path) -> None:
    code = (
        "import sys; from repermit.cli import main; from repermit.studies.frequency import rates\n"
        "def fail(*_): raise RuntimeError('broken')\n"
        "rates.rates = fail; main.run()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "rates", "--store", str(store)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    told = checked(Told(done.returncode, done.stdout, done.stderr))
    assert (told.code, told.out) == (70, "")
    assert "error: a defect in repermit: RuntimeError at" in told.err


def test_ctrl_c_ends_with_130_and_leaves_the_store_as_it_was(
    call: Call, store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.csv").write_bytes(TRAILERS + b"C,4,2020-01-01,\n")
    for interruption in (KeyboardInterrupt(), RuntimeError("Query interrupted")):

        def interrupt(*_: object, error: BaseException = interruption, **__: object) -> None:
            raise error

        monkeypatch.setattr("repermit.ingest.run.build", interrupt)
        monkeypatch.setattr("repermit.cli.interrupts._first", [0.0])
        told = call("ingest", tmp_path / "a.csv", "--store", store)
        assert (told.code, told.out, "defect" in told.err) == (130, "", False)
        assert call("ingest", tmp_path / "a.csv", "--store", tmp_path / "new.duckdb").code == 130
    assert not list(tmp_path.glob("new*"))


def test_the_store_is_made_of_every_table(store: Path) -> None:
    """What `store` holds against at the end of each test is not an empty list."""
    kept = dump(store, ("accepted",))
    assert set(kept) == {f"accepted.{table.name}" for table in TABLES}
    assert [len(kept[f"accepted.{name}"]) for name in ("trailers", "refusals", "loads")] == [2, 2, 2]
