"""The benchmark's own parts: figures by hand and by the tool agree, a difference is told, what fails is written down."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

import agreement
import big_worlds
import stage_tables
import stages
from conftest import Run
from helpers import store_of

BENCHMARKS = Path(stages.__file__).parent
ENVIRONMENT = stages.environment(Path(), None)
RATES = next(f for f in agreement.FIGURES if f.name == "rates by trailer")
NO_LIFELINES = find_spec("lifelines") is None


@pytest.mark.skipif(NO_LIFELINES, reason="lifelines is not installed: pip install -e '.[test,benchmark]'")
@pytest.mark.parametrize("silent", [0.0, 0.2], ids=["every finding written down", "one in five missing"])
def test_the_script_by_hand_gives_the_same_figures(silent: float, tmp_path: Path, repermit: Run) -> None:
    big_worlds.write(tmp_path / "world", 80_000, silent=silent)
    store_of(tmp_path / "world")
    by_hand = subprocess.run(
        [sys.executable, str(BENCHMARKS / "by_hand.py"), str(tmp_path / "world")],
        capture_output=True,
        check=True,
    )
    for command in dict.fromkeys(figure.command for figure in agreement.FIGURES):
        told = repermit(*command, "--format", "json", store=tmp_path / "world" / "store.duckdb")
        assert told.exit_code == 0, told.stderr
        (tmp_path / agreement.file_of(command)).write_text(told.stdout)
    held = agreement.hold_all(json.loads(by_hand.stdout), tmp_path)
    assert [(a.name, a.differs) for a in held if not a.agrees] == []
    assert sum(a.cells for a in held) > 700


def test_a_difference_is_told() -> None:
    row = {"trailer": "A", "faults": 3, "loads": 100, "days": 9.5, "per_1000_loads": 30.0, "mtbf_days": 3.2}
    row |= {"per_1000_loads_low": 6.2, "per_1000_loads_high": 87.7}
    same = agreement.hold(RATES, [row], {"rows": [row]})
    assert same.agrees and same.cells == 7 and same.worst == 0
    for other, said in (
        ([row | {"faults": 4}], "faults: 3 by hand, 4"),
        ([row | {"days": 9.5002}], "days: 9.5 by hand, 9.5002"),
        ([row | {"mtbf_days": None}], "mtbf_days: 3.2 by hand, None"),
        ([], "by hand only"),
        ([row, row | {"trailer": "B"}], "('B',) not by hand"),
    ):
        found = agreement.hold(RATES, [row], {"rows": other})
        assert not found.agrees and said in str(found.differs)
    assert not agreement.hold(RATES, [], {"rows": []}).agrees  # nothing compared is no agreement


def test_a_risk_must_lie_between_its_bounds() -> None:
    figure = agreement.Figure("x", (), ("action",), (), between=(("risk", "least", "most"),))
    by_hand = [{"action": "a", "least": 0.1, "most": 0.2}]
    assert agreement.hold(figure, by_hand, {"rows": [{"action": "a", "risk": 0.2}]}).agrees
    assert not agreement.hold(figure, by_hand, {"rows": [{"action": "a", "risk": 0.21}]}).agrees
    assert not agreement.hold(figure, by_hand, {"rows": [{"action": "a", "risk": None}]}).agrees


@pytest.mark.parametrize("part", ["floor", "typing", "questions"])
def test_what_no_command_runs_runs_alone(part: str, tmp_path: Path) -> None:
    big_worlds.write(tmp_path / "world", 5_000)
    store = store_of(tmp_path / "world") if part == "questions" else tmp_path / "s.duckdb"
    done = stages.timed(
        [sys.executable, str(BENCHMARKS / "probes.py"), part, str(tmp_path / "world"), str(store)],
        tmp_path / "said.txt", ENVIRONMENT, 60,
    )  # fmt: skip
    assert done["code"] == 0, done["said"]
    assert done["seconds"] > 0 and done["processor_s"] > 0 and 20 < done["peak_mb"] < 2_000


def test_what_lasts_too_long_or_fails_is_written_down(tmp_path: Path) -> None:
    places = dict.fromkeys(("store", "out"), tmp_path / "none")
    slow = stages.Stage("slow", (sys.executable, "-c", "import time; time.sleep(60)"))
    found = stages.measure(slow, places, ENVIRONMENT, 0.3)
    assert found["failed"] and found["said"] == "longer than 0 s" and found["seconds"] < 10
    assert stages.measure(slow, places, ENVIRONMENT, -1.0)["said"] == "no time was left"
    broken = stages.Stage("broken", (sys.executable, "-c", "raise SystemExit('no such thing')"), times=3)
    found = stages.measure(broken, places, ENVIRONMENT, 30)
    assert found["failed"] and found["said"] == "no such thing"


def test_tables_tell_growth_targets_and_failures(tmp_path: Path) -> None:
    def row(rows: int, stage: str, seconds: float, said: str = "") -> dict[str, object]:
        measured = {
            "seconds": seconds,
            "processor_s": seconds,
            "peak_mb": 100.0,
            "store_mb": 50.0,
            "memory": None,
        }
        return {"rows": rows, "stage": stage, "failed": bool(said), "said": said, "code": 0, **measured}

    small, large = 1_000_000, stage_tables.JUDGED_AT
    results = {
        "machine": {"date": "2026-01-01", "cores": 2, "memory_gb": 8, "load": 0.1, "versions": {"duckdb": "2"}, "by_hand": None},
        "files_mb": {str(small): 28.0, str(large): 400.0},
        "agreement": {},
        "stages": [
            row(small, "bare typed load", 0.5), row(large, "bare typed load", 7.0), row(small, "ingest", 2.0),
            row(large, "ingest", 56.0), row(small, "validate", 1.0), row(large, "validate", 9.0, "out | of memory"),
            row(large, "--help", 0.1),
        ],
    }  # fmt: skip
    text = stage_tables.tables(results)
    assert (
        "| bare typed load | 0.50 (100) | 7.00 (100) | 1.0 | 1.00 |" in text
    )  # 14 times the rows, 14 times as long
    assert "| ingest | 2.00 (100) | 56.00 (100) | 8.0 | 1.26 |" in text
    assert "failed: out / of memory" in text and "| ingest and validate | 3.00 (100) |  |" in text
    assert (
        "| ingest with marts, floors | 6 | 8 | **no** |" in text
        and "| --help, seconds | 0.2 | 0.1 | yes |" in text
    )
    assert "| greatest growth of a stage, 1 to 14 million: ingest | 1.05 | 1.26 | **no** |" in text
    assert "| all pages, seconds | 10 | not measured |  |" in text
    readme = tmp_path / "README.md"
    readme.write_text(f"a\n{stage_tables.BEGINS}\nold\n{stage_tables.ENDS}\nb\n")
    for _ in range(2):
        stage_tables.write_readme(readme, text)
        told = readme.read_text()
        assert told == f"a\n{stage_tables.BEGINS}\n{text}{stage_tables.ENDS}\nb\n"
