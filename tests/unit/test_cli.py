"""The command line's own part: forms of output, what goes to which stream, options, and words told to people."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from conftest import Run
from helpers import load, write_csv
from repermit.cli import life, options, show, trend
from repermit.cli.main import app
from repermit.contract import TABLES

COMMANDS = ("demo", "contract", "ingest", "quarantine", "validate", "rates", "episode", "outlook", "report")
TRAILER = {"trailer_id": "A", "positions": 4, "in_service_on": "2020-01-01"}
REFUSAL = {"refusal_id": "F1", "trailer_id": "A", "refused_at": "2025-03-01T10:00Z", "reason": "overfill"}


def bare(*words: str) -> Result:
    return CliRunner().invoke(app, words)


# --- forms --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "told"),
    [("=1+1", "'=1+1"), ("+1", "'+1"), ("-1", "'-1"), ("@x", "'@x"), ("\tx", "'\tx"), ("\rx", "'\rx"), ("a=1", "a=1"), ("", ""),
     (-1, -1), (-1.5, -1.5), (None, None), (True, True)],
)  # fmt: skip
def test_no_cell_is_a_formula_to_a_spreadsheet(value: Any, told: Any) -> None:
    assert show.inert(value) == told


def test_csv_is_read_back_as_it_was_written() -> None:
    cells: list[list[Any]] = [
        ["a,b", 'say "x"', "two\nlines", "é", None, 1.5, True],
        ["", " ", "x", "y", "z", 0, False],
    ]
    text = show.as_csv([*"abcdefg"], cells)
    assert list(csv.reader(io.StringIO(text, newline=""))) == [
        [*"abcdefg"],
        ["a,b", 'say "x"', "two\nlines", "é", "", "1.5", "True"],
        ["", " ", "x", "y", "z", "0", "False"],
    ]


def test_json_has_times_in_utc_and_no_numbers_that_are_none() -> None:
    found = json.loads(
        show.as_json(
            {"at": datetime(2025, 3, 1, 14, 5, tzinfo=UTC), "on": date(2025, 3, 1), "n": None, "é": "é"}
        )
    )
    assert found == {"at": "2025-03-01T14:05:00Z", "on": "2025-03-01", "n": None, "é": "é"}
    for number in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="not JSON compliant"):
            show.as_json({"x": number})


def test_a_table_aligns_and_shows_what_is_not_known_as_a_dash() -> None:
    text = show.as_table(
        ("name", "count", "share"),
        [("a", 12_345, 0.12345), ("long name", None, 1234.5), ("b\x1b[31m", 1, None)],
    )
    assert text.splitlines() == [
        "name        count  share",
        "---------  ------  -----",
        "a          12,345  0.123",
        "long name       -  1,234",
        "b\N{REPLACEMENT CHARACTER}[31m          1      -",
    ]


def test_a_table_of_no_rows_is_its_header() -> None:
    assert show.as_table(("a", "bc"), []) == "a  bc\n-  --"
    tiny = show.as_table(("p",), [(2.24e-116,), (0.0,), (1e-4,)]).splitlines()[2:]
    assert [line.strip() for line in tiny] == ["<0.0001", "0", "0.0001"]


# --- streams -------------------------------------------------------------------------------------------------------


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """A folder with a trailer and two refusals, one of which is of no known trailer."""
    folder = tmp_path / "records"
    write_csv(folder, "trailers", [TRAILER])
    write_csv(folder, "refusals", [REFUSAL, REFUSAL | {"refusal_id": "=2+3", "trailer_id": "nobody"}])
    return folder


def test_ingest_tells_the_reconciliation_in_every_form(repermit: Run, records: Path, tmp_path: Path) -> None:
    names = ["file", "table", "rows", "accepted", "duplicate", "corrected", "quarantined"]
    refusals = ["records/refusals.csv", "refusals", 2, 1, 0, 0, 1]
    told = repermit("ingest", records, "--format", "json", store=tmp_path / "1.duckdb")
    found = json.loads(told.stdout)
    assert (told.exit_code, list(found), list(found["rows"][0])) == (0, ["about", "rows"], names)
    assert list(found["rows"][0].values()) == refusals
    told = repermit("ingest", records, "--format", "csv", store=tmp_path / "2.duckdb")
    assert list(csv.reader(told.stdout.splitlines()))[:2] == [names, [str(cell) for cell in refusals]]
    told = repermit("ingest", records, store=tmp_path / "3.duckdb")
    upper, lower, _, first, *_ = told.stdout.splitlines()  # what is too wide is broken over two lines
    assert upper.split() == ["dupli-", "cor-", "quaran-"]
    assert lower.split() == ["file", "table", "rows", "accepted", "cate", "rected", "tined"]
    assert first.split() == [str(cell) for cell in refusals]
    assert "1 rows wait in the quarantine" in told.stderr and "wait" not in told.stdout


def test_ingest_tells_what_moved(repermit: Run, records: Path, tmp_path: Path) -> None:
    repermit("ingest", records)
    again = repermit("ingest", records)
    assert "what was given had been read before" in again.stderr
    assert "nothing new: the store is as it was" in again.stderr
    other = write_csv(
        tmp_path, "trailers", [TRAILER | {"in_service_on": "2025-06-01", "trailer_id": "nobody"}]
    )
    assert "rows left the quarantine" not in repermit("ingest", other).stderr
    other = write_csv(
        tmp_path,
        "trailers",
        [
            TRAILER
            | {"trailer_id": "nobody", "in_service_on": "2019-01-01", "out_of_service_on": "2025-06-01"}
        ],
    )
    assert "1 rows left the quarantine" in repermit("ingest", other).stderr
    other = write_csv(tmp_path, "trailers", [TRAILER | {"out_of_service_on": "2024-01-01"}])
    assert (
        "1 rows accepted earlier now fail a rule and wait in the quarantine"
        in repermit("ingest", other).stderr
    )


def test_the_quarantine_is_told_in_every_form(repermit: Run, records: Path, tmp_path: Path) -> None:
    repermit("ingest", records)
    line = "=2+3,nobody,2025-03-01T10:00Z,overfill"
    row = {
        "table": "refusals",
        "file": "records/refusals.csv",
        "line": 3,
        "reasons": "trailer_known",
        "nearest": "",
        "raw": line,
    }
    assert json.loads(repermit("quarantine", "--format", "json").stdout)["rows"] == [row]
    told = repermit("quarantine", "--format", "csv")
    assert list(csv.DictReader(told.stdout.splitlines())) == [row | {"line": "3", "raw": f"'{line}"}]
    told = repermit("quarantine", "--out", tmp_path / "mend.csv")
    assert told.stdout == "" and "1 rows written to" in told.stderr
    written = csv.DictReader((tmp_path / "mend.csv").read_text(encoding="utf-8").splitlines())
    assert [cells["file"] for cells in written] == ["records/refusals.csv"]
    told = repermit("quarantine")
    assert told.stdout.splitlines()[2].split(maxsplit=3) == [
        "refusals",
        "1",
        "trailer_known",
        "the trailer is in the list of trailers",
    ]


def test_an_empty_quarantine_has_a_header_and_no_rows(repermit: Run, tmp_path: Path) -> None:
    load(tmp_path / "store.duckdb", write_csv(tmp_path, "trailers", [TRAILER]))
    assert repermit("quarantine", "--format", "csv").stdout == "table,file,line,reasons,nearest,raw\n"
    assert json.loads(repermit("quarantine", "--format", "json").stdout)["rows"] == []
    assert repermit("quarantine").stdout == ""


def test_rates_in_json_are_one_object_with_its_head(repermit: Run, records: Path) -> None:
    repermit("ingest", records)
    told = repermit("rates", "--by", "position", "--month", "2025-03", "--format", "json")
    found = json.loads(told.stdout)
    assert (told.exit_code, list(found)) == (0, ["about", "rows"])
    assert found["about"]["store"] == "store.duckdb"
    assert found["about"]["window"] == {"from": "2025-03-01", "to": "2025-04-01"}
    assert found["about"]["counts"]["quarantined"] == 1


# --- options ---------------------------------------------------------------------------------------------------------


def test_the_store_may_be_named_by_the_environment(records: Path, tmp_path: Path) -> None:
    store = tmp_path / "named.duckdb"
    told = CliRunner().invoke(app, ["ingest", str(records)], env={"REPERMIT_STORE": str(store)})
    assert told.exit_code == 0
    assert store.exists()


def test_the_store_is_in_the_working_folder_otherwise(
    records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("REPERMIT_STORE", raising=False)
    assert bare("ingest", str(records)).exit_code == 0
    assert (tmp_path / options.DEFAULT_STORE).exists()


def test_help_names_every_command_and_each_explains_itself() -> None:
    told = bare("--help")
    assert told.exit_code == 0
    assert all(f"  {name} " in told.stdout for name in COMMANDS)
    for name in COMMANDS:
        explained = bare(name, "--help")
        assert explained.exit_code == 0
        assert explained.stdout.startswith("Usage:") and len(explained.stdout.splitlines()) > 4


def test_no_command_shows_the_help() -> None:
    assert "repermit demo" in bare().output


def test_the_clock_is_in_utc() -> None:
    assert options.now().tzinfo is UTC


def test_contract_is_told_without_a_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told = bare("contract")
    assert told.stdout.count("\n  key: ") == len(TABLES)
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_goes_away_gets_no_traceback() -> None:
    command = f"{sys.executable} -m repermit contract --format json | head -c 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, timeout=30)
    assert (done.stdout, done.stderr) == ("{", "")


def test_of_many_rows_those_with_news_are_told_and_the_others_counted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    fleet = {"apart": False, "more_than_rest": None, "season_robust_p_adjusted": 0.5, "sentence": "told"}
    fleets = [SimpleNamespace(key=f"F{n}", verdict="no_change_shown", **fleet) for n in range(4)]
    worse = [SimpleNamespace(key=f"W{n}", verdict="worse", **fleet) for n in range(7)]
    trend._say_rows(SimpleNamespace(rows=fleets))  # type: ignore[arg-type]
    assert capsys.readouterr().err.count("told") == 4
    for rows, some, rest in ((fleets * 2, 0, "the 8 rows: as"), (fleets + worse, 5, "the other 6 rows: as")):
        trend._say_rows(SimpleNamespace(rows=rows))  # type: ignore[arg-type]
        said = capsys.readouterr().err
        assert said.count("told") == some == said.count("W") and rest in said and "--format json" in said

    lot = {"stands_out": None, "sentence": "told"}
    lots = [SimpleNamespace(key=f"L{n}", verdict="random", **lot) for n in range(6)]
    old = SimpleNamespace(key="old", verdict="wear_out", **lot)
    life._say_rows("lot", SimpleNamespace(rows=[*lots, old], total=old))  # type: ignore[arg-type]
    said = capsys.readouterr().err
    assert said.count("told") == said.count("lot old") == 2 and "the other 6 rows: as the table says" in said
