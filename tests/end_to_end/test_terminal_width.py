"""What commands write fits a terminal of 80 columns, in colour only where there is one that wants it."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import Result

from conftest import Run
from helpers import load
from repermit.cli.show import WIDTH, as_table, shortened
from repermit.cli.talk import styled
from repermit.contract import TABLES
from repermit.contract_text import text
from repermit.resources import folder

COMMANDS = (
    *(f"rates --by {by}" for by in (
        "position", "cause", "place", "position,cause", "place,cause", "system", "fleet", "terminal", "shop", "month", "trailer",
        "fleet,month", "system,position,cause", "change", "silent",
    )),
    *(f"rates --compare --by {by}" for by in ("position", "cause", "fleet", "trailer")),
    *(f"fixes --by {by}" for by in ("action", "shop", "cause", "method", "lot")),
    *(f"trend --by {by}" for by in ("system", "fleet")),
    *(f"life --by {by}" for by in ("system", "lot")),
    "life --points", "trend --points", "located", "lanes", "outlook", "quarantine", "quarantine --left",
    "where-first", "where-first --system five_wire --indicated 3", "where-first --system two_wire --indicated several",
    "episode O-00205", "episode O-00001", "chart --shop Ashlode",
)  # fmt: skip


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("sample") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, folder("sample_data") / "csv" / delivery)
    return store


@pytest.fixture(scope="module")
def ran() -> dict[str, Result]:
    """What the commands said that were run before, so that none is run twice."""
    return {}


def run_once(ran: dict[str, Result], repermit: Run, command: str, store: Path) -> Result:
    if command not in ran:
        ran[command] = repermit(*command.split(), store=store)
    return ran[command]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_table_fits_a_terminal(
    sample: Path, repermit: Run, command: str, ran: dict[str, Result]
) -> None:
    done = run_once(ran, repermit, command, sample)
    assert done.exit_code == 0, done.stderr
    fits(done.stdout)


def fits(text: str) -> None:
    assert text and "\x1b" not in text
    wide = [line for line in text.splitlines() if len(line) > WIDTH]
    assert wide == [], max(wide, key=len)


def examples() -> dict[str, list[str]]:
    """Every command of the README that stands with what it prints of the sample, and those lines."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^    repermit ([^\n]+)\n((?:\n|    [^\n]*\n)+)", readme, flags=re.MULTILINE)
    fenced = readme.split("The rest is shared out in those proportions:")[1].split("```")[1]
    blocks.append(("rates --by position", fenced.removeprefix("text\n")))
    found = {
        command: [line for line in told.splitlines() if line.strip() not in ("", "...")]
        for command, told in blocks
    }
    return {command: lines for command, lines in found.items() if lines}


@pytest.mark.parametrize("command", examples())
def test_the_readme_shows_what_commands_print(
    sample: Path, repermit: Run, command: str, ran: dict[str, Result]
) -> None:
    """Lines may be left out of the README, and sentences be broken elsewhere; what stands there is as printed."""
    done = run_once(ran, repermit, command, sample)
    said = " ".join(f"{done.stdout} {done.stderr}".split())
    assert [line for line in examples()[command] if " ".join(line.split()) not in said] == []


def test_what_became_of_files_is_one_line_each(repermit: Run, tmp_path: Path) -> None:
    """Their whole names are in JSON and CSV."""
    trailers = "trailer_id,positions,in_service_on\nT-1,4,2024-01-01\n"
    tests = "trailer_id,position,tested_at,result\nT-1,1,2024-02-01,pass\n"
    months = [f"proof-tests-of-the-northern-yard-{month}.csv" for month in ("2024-01", "2024-02")]
    folder_ = tmp_path / "from the north"
    folder_.mkdir()
    for name, said in (
        ("trailers.csv", trailers),
        (months[0], tests),
        (months[1], tests.replace("02-01", "02-02")),
    ):
        (folder_ / name).write_text(said)
    done = repermit("ingest", folder_)
    fits(done.stdout)
    assert len(done.stdout.splitlines()) == 2 + 1 + 3  # headings, the line under them, a row a file
    assert all(f"-{month}.csv" in done.stdout for month in ("2024-01", "2024-02"))
    told = json.loads(repermit("ingest", folder_, "--format", "json").stdout)
    assert {Path(row["file"]).name for row in told["rows"]} == {"trailers.csv", *months}


def test_limits_beyond_all_measure_are_null_in_json(sample: Path, repermit: Run) -> None:
    """Split so finely, a billionth of a fault has a lower limit whose reciprocal no number holds."""
    done = repermit("rates", "--by", "trailer,cause", "--format", "json", store=sample)
    assert done.exit_code == 0, done.stderr
    found = [row for row in json.loads(done.stdout)["rows"] if 0 < row["faults"] < 0.01]
    assert found and any(row["mtbf_days_high"] is None for row in found)


def test_the_contract_fits_too() -> None:
    fits("\n\n".join(map(text, TABLES)))


def test_what_does_not_hold_fits_too(repermit: Run, sample: Path, tmp_path: Path) -> None:
    done = repermit("validate", "--out", tmp_path / "v.html", store=sample)
    fits(done.stdout)


@pytest.mark.parametrize("width", range(3, 12))
def test_both_ends_of_a_shortened_name_are_its_own(width: int) -> None:
    name = "abcdefghijkl"
    short = shortened(name, width)
    first, last = short.split("…")
    assert len(short) == width and name.startswith(first) and name.endswith(last)
    assert shortened(name, 12) == name


@given(
    st.lists(
        st.lists(
            st.one_of(st.none(), st.integers(-(10**7), 10**7), st.text("ab_ c", max_size=60)),
            min_size=6,
            max_size=6,
        ),
        max_size=4,
    ),
    st.lists(st.text("abc_", min_size=1, max_size=18), min_size=6, max_size=6, unique=True),
)
@settings(max_examples=200, deadline=None)
def test_nothing_is_lost_where_a_table_is_too_wide(rows: list[list[Any]], names: list[str]) -> None:
    text = as_table(names, rows)
    told = "".join(text.split())
    for row in rows:
        for cell in row:
            if isinstance(cell, int):
                assert f"{cell:,}" in text
            elif isinstance(cell, str) and len(cell) < 12:
                assert "".join(cell.split()) in told
    assert all(len(line) <= WIDTH for line in text.splitlines())


def test_colour_only_on_a_terminal_that_wants_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert styled("error", Terminal(), bold=True) == "\x1b[1merror\x1b[0m"
    assert styled("error", io.StringIO(), bold=True) == "error"
    monkeypatch.setattr(sys, "stdout", Terminal())
    table = as_table(("lane", "flagged"), [("A", True), ("B", False)])
    assert [line.startswith("\x1b") for line in table.splitlines()] == [True, False, True, False]
    monkeypatch.setenv("NO_COLOR", "1")
    assert styled("error", Terminal(), bold=True) == "error"
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert styled("error", Terminal(), bold=True) == "error"
