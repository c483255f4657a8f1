"""Hostile content from end to end: it is stored as it is or refused plainly, and nothing that is told of it acts.

What pages do with it is for the tests of the browser; here are the store, the exported CSV, JSON and the terminal.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from conftest import Run
from helpers import load, query, write_csv
from repermit.cli.main import app, run
from repermit.errors import DataError

NAMES = (
    "<script>alert(1)</script>",
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2+3",
    "@SUM(1)",
    "'; DROP TABLE record.batches; --",
    '"; drop table accepted.trailers; --',
    "\u202etxt.exe",
    "{batch}",
    "$episode_gap_h",
    "%s%n",
    "a\\'b",
)
"""Names that do harm where text is taken for code, or hide what they are. None has a control character."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which every name there is is hostile; half of the refusals wait."""
    here = tmp_path_factory.mktemp("hostile")
    spell = {"positions": 4, "in_service_on": "2020-01-01", "system": "five_wire"}
    days = [f"2025-03-{i + 1:02}" for i in range(len(NAMES))]
    every = list(zip(NAMES, days, strict=True))
    write_csv(here / "in", "trailers", [{"trailer_id": n, "fleet": n, "home_shop": n} | spell for n in NAMES])
    write_csv(
        here / "in",
        "loads",
        [{"trailer_id": n, "terminal": n, "lane": n, "loaded_on": d, "loads": 1} for n, d in every],
    )
    good = [
        {
            "refusal_id": n,
            "trailer_id": n,
            "terminal": n,
            "lane": n,
            "refused_at": f"{d}T10:00Z",
            "reason": "overfill",
        }
        for n, d in every
    ]
    bad = [row | {"refusal_id": f"{row['refusal_id']}!", "reason": row["refusal_id"]} for row in good]
    write_csv(here / "in", "refusals", good + bad)
    write_csv(
        here / "in",
        "repairs",
        [
            {"repair_id": n, "trailer_id": n, "refusal_id": n, "shop": n, "received_at": f"{d}T12:00Z",
             "returned_at": f"{d}T18:00Z", "found_position": 1, "action": "recrimped", "method": n,
             "part_lot": n, "mechanic": n, "note": n, "sensor_in": n, "sensor_out": n} for n, d in every
        ],
    )  # fmt: skip
    write_csv(here / "in", "changes", [{"trailer_id": n, "change": n, "applied_on": d} for n, d in every])
    result = load(here / "s.duckdb", here / "in")
    assert result.waiting == len(NAMES)
    return here / "s.duckdb"


def test_every_name_is_stored_as_it_is(hostile: Path) -> None:
    for column in ("trailers.trailer_id", "trailers.fleet", "loads.terminal", "refusals.refusal_id", "repairs.note", "repairs.mechanic",
                   "repairs.part_lot", "changes.change"):  # fmt: skip
        table, name = column.split(".")
        assert query(hostile, f"select {name} from current.{table} order by 1") == [
            (n,) for n in sorted(NAMES)
        ], column
    assert sorted(n for (n,) in query(hostile, "select reason from waiting.refusals")) == sorted(NAMES)


COMMANDS = (
    ("rates", "--by", "fleet"), ("rates", "--by", "trailer"), ("rates", "--by", "terminal"), ("rates", "--by", "shop"),
    ("fixes", "--by", "shop"), ("fixes", "--by", "method"), ("quarantine",),
)  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_no_form_of_output_acts(hostile: Path, repermit: Run, words: tuple[str, ...]) -> None:
    told = repermit(*words, "--format", "csv", store=hostile)
    assert told.exit_code == 0, told.stderr
    cells = [cell for row in csv.reader(io.StringIO(told.stdout, newline="")) for cell in row]
    assert [c for c in cells if c.startswith(FORMULA) and not is_number(c)] == []
    assert any("cmd|" in c for c in cells), "the names are there"
    told = repermit(*words, "--format", "json", store=hostile)
    assert told.exit_code == 0 and json.loads(told.stdout)["rows"]
    told = repermit(*words, store=hostile)
    assert told.exit_code == 0
    assert acting(told.stdout) == acting(told.stderr) == ""


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def acting(text: str) -> str:
    """The characters to which a terminal does something, or which turn the text around."""
    return "".join(c for c in text if unicodedata.category(c) in ("Cc", "Cf") and c != "\n")


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_found_by_itself(hostile: Path, repermit: Run, name: str) -> None:
    told = repermit("rates", f"--fleet={name}", "--format", "json", store=hostile)
    assert told.exit_code == 0, told.stderr
    told = episode(hostile, name)
    assert told.exit_code == 0, told.stderr
    assert acting(told.stdout) == ""


def episode(store: Path, name: str) -> Result:
    """One episode explained; the name comes last, for it may look like an option."""
    return CliRunner().invoke(app, ["episode", "--store", str(store), "--", name])


def test_an_unknown_hostile_name_is_told_inertly(
    hostile: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("\x1b[2J\x1b]0;x\x07", "\u202eabc", "'; DROP TABLE accepted.refusals; --"):
        for words in (
            ["rates", f"--fleet={name}", "--store", str(hostile)],
            ["episode", "--store", str(hostile), "--", name],
        ):
            monkeypatch.setattr("sys.argv", ["repermit", *words])
            with pytest.raises(SystemExit) as ended:
                run()
            told = "".join(capsys.readouterr())
            assert ended.value.code == 2 and told.startswith("error: ") and acting(told) == ""
    assert query(hostile, "select count(*) from record.batches") == [(5,)]


@pytest.mark.parametrize("size", [300, 100_000, 500_000])
def test_a_long_cell_is_set_aside_and_told_shortly(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.csv"
    path.write_text("serial,result\n" + "x" * size + ",confirmed\nS1,confirmed\n")
    result = load(tmp_path / "s.duckdb", path)
    assert (result.files[0].accepted, result.files[0].quarantined) == (1, 1)
    assert query(tmp_path / "s.duckdb", "select reasons from waiting.returns") == [(["serial_reads"],)]


def test_a_cell_of_megabytes_is_set_aside_or_refused(tmp_path: Path) -> None:
    for size in (1_000_000, 1_100_000, 5_000_000):
        path = tmp_path / "a.csv"
        path.write_text("serial,result\n" + "x" * size + ",confirmed\nS1,confirmed\n")
        try:
            result = load(tmp_path / f"s{size}.duckdb", path)
            assert (result.files[0].accepted, result.files[0].quarantined) == (1, 1), size
        except DataError as error:
            assert error.what == "a.csv, line 2: a line of more than 524,288 bytes, so this is not a table"
            assert not (tmp_path / f"s{size}.duckdb").exists()
        else:
            assert size < 2_000_000


def test_a_header_of_ten_thousand_columns_is_told_in_a_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        ",".join(["serial", "result", *(f"c{i}" for i in range(10_000))]) + "\n" + "," * 10_001 + "\n"
    )
    with pytest.raises(DataError) as caught:
        load(tmp_path / "s.duckdb", path)
    assert len(caught.value.what) < 1000 and not (tmp_path / "s.duckdb").exists()


def test_a_nul_byte_is_told_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"serial,result\nS\0,confirmed\n")
    with pytest.raises(DataError, match=r"line 2, byte 2: a NUL byte"):
        load(tmp_path / "s.duckdb", path)
