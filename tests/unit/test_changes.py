"""Before and after from records: the counts on either side of a change, who it is held against, and the words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from helpers import STORE, store_from
from repermit.cli.main import app
from repermit.studies.ages.changes import AfterChange, ChangeRow, Changes, change_sentence, changes
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit.wording import estimate, number

CHANGED_ON = "2024-07-11"


def records(others_of_fleet: int = 6) -> dict[str, list[dict[str, Any]]]:
    """Two years of trailers with a fault every other month; the first three are changed, and have none from then on."""
    trailers, loads, repairs = [], [], []
    for k in range(14):
        fleet = "F" if k < 3 + others_of_fleet else "G"
        trailers.append(
            {"trailer_id": f"T{k:02d}", "fleet": fleet, "positions": 4, "in_service_on": "2022-01-01"}
        )
        for i in range(24):
            month = f"{2023 + i // 12}-{i % 12 + 1:02d}"
            loads += [
                {"trailer_id": f"T{k:02d}", "terminal": "X", "lane": "1", "loaded_on": f"{month}-{day}", "loads": 10}
                for day in ("01", "20", "28")
            ]  # fmt: skip
            if (i + k) % 2 == 0 and not (k < 3 and month > "2024-07"):
                repairs.append(
                    {"repair_id": f"R{k}-{i}", "trailer_id": f"T{k:02d}", "received_at": f"{month}-10T08:00Z",
                     "returned_at": f"{month}-10T20:00Z", "action": "recrimped"}
                )  # fmt: skip
    made = [{"trailer_id": f"T{k:02d}", "change": "new_crimp", "applied_on": CHANGED_ON} for k in range(3)]
    late = [{"trailer_id": "T09", "change": "too_late", "applied_on": "2025-06-01"}]
    return {"trailers": trailers, "loads": loads, "repairs": repairs, "changes": made + late}


def ask(store: Path, **words: Any) -> Changes:
    with opened(store) as con:
        return changes(con, STORE, select(con, **words))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("changes"), records())


def test_counts_on_either_side(store: Path) -> None:
    """The month of the change has a fault and a load before it, and loads after; time in the shop is not at risk."""
    (row,) = ask(store).rows
    assert (row.change, row.trailers, row.others, row.against) == ("new_crimp", 3, 6, "same fleets")
    assert row.first_on == row.last_on == CHANGED_ON
    before = 10 + 9 + 10  # of the first, second and third trailer, July 2024 being the nineteenth month
    assert (row.faults_before, row.faults_after) == (before, 0)
    assert row.days_before == pytest.approx(3 * 557 - before / 2)  # 2023-01-01 to 2024-07-10
    assert row.days_after == pytest.approx(3 * 171)  # 2024-07-11 to 2024-12-28, the last day on record
    assert row.ratio_raw == 0
    for told in (row.by_days, row.by_loads):
        assert told is not None and told.expected is not None and told.high is not None
        assert told.ratio == told.low == 0 and told.high < 1 and told.verdict == "fewer"
        assert told.expected == pytest.approx(8.5, abs=0.8)  # 7.5 from August on, one in the rest of July


def test_all_trailers_where_the_fleet_has_too_few_others(tmp_path: Path) -> None:
    (row,) = ask(store_from(tmp_path, records(others_of_fleet=2))).rows
    assert (row.others, row.against) == (11, "all")


def test_filters(store: Path) -> None:
    assert ask(store, end="2024-07-11").rows == ()
    assert ask(store, fleet="G").rows == ()
    (row,) = ask(store, terminal="X").rows
    assert row.by_days is None and row.ratio_raw is None and row.by_loads is not None


def test_words_are_made_from_the_numbers(store: Path) -> None:
    (row,) = ask(store).rows
    told = row.by_loads
    assert told is not None
    text = change_sentence(row)
    assert "new_crimp on 3 trailers" in text and "fewer faults" in text and number(told.expected) in text
    assert estimate(told.ratio, told.low, told.high) in text and "6 trailers of the same fleets" in text

    def said(**found: Any) -> str:
        return change_sentence(replace(row, by_loads=AfterChange(**found)))

    few = said(expected=9.0, ratio=0.7, low=0.3, high=1.6, verdict="too_few")
    assert "too few to tell" in few and "0.7 (0.3 to 1.6)" in few
    assert "can't be told" in said(expected=None, ratio=None, low=None, high=None, verdict="too_few")


def test_the_command(store: Path) -> None:
    call = ["rates", "--by", "change", "--store", str(store)]
    shown = CliRunner().invoke(app, call)
    assert "new_crimp" in shown.stdout and "fewer faults" in shown.stderr
    found = json.loads(CliRunner().invoke(app, [*call, "--format", "json"]).stdout)
    (row,) = found["rows"]
    assert row["verdict_loads"] == "fewer" and row["expected_days"] > 0 and row["trailers"] == 3
    empty = CliRunner().invoke(app, [*call, "--fleet", "G"])
    assert empty.exit_code == 0 and "No change" in empty.stderr
    fields = [n for n in ChangeRow.__dataclass_fields__ if not n.startswith("by_")]
    assert list(row)[: len(fields)] == fields
    as_csv = CliRunner().invoke(app, [*call, "--fleet", "G", "--format", "csv"])
    assert as_csv.exit_code == 0 and as_csv.stdout.startswith("change,")
