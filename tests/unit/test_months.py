"""Months judged from records: signals, shifts, months cut short, filters, and words made from the numbers."""

from __future__ import annotations

import json
from calendar import monthrange
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from helpers import STORE, store_from
from repermit.cli.main import app
from repermit.studies.frequency.months import Months, month_sentence, months, shift_sentence
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit.wording import number

FIRST_YEAR, MONTHS = 2022, 40
SPIKE, LAST = "2024-09", "2025-04"
"""The month with four times the faults of others, and the one in whose middle records end."""
USUAL = (5, 7, 6, 8, 5, 6, 7)


def names() -> list[str]:
    return [f"{FIRST_YEAR + i // 12}-{i % 12 + 1:02d}" for i in range(MONTHS)]


def faults_of(i: int, name: str, shifted_from: str | None) -> int:
    usual = USUAL[i % len(USUAL)]
    if name == SPIKE and not shifted_from:
        return 4 * usual
    return usual * 3 if shifted_from and name >= shifted_from else usual


def records(shifted_from: str | None = None) -> dict[str, list[dict[str, Any]]]:
    """Ten trailers of two fleets; each loads 40 times on the first and last of a month; visits spread over it."""
    trailers = [
        {"trailer_id": f"T{k}", "fleet": "F" if k < 8 else "G", "positions": 4, "in_service_on": "2021-01-01",
         "home_shop": "S"}
        for k in range(10)
    ]  # fmt: skip
    loads, repairs = [], []
    for i, name in enumerate(names()):
        year, month = int(name[:4]), int(name[5:])
        last = 15 if name == LAST else monthrange(year, month)[1]
        for t in trailers:
            loads += [
                {"trailer_id": t["trailer_id"], "terminal": "X", "lane": "1", "loaded_on": f"{name}-{day:02d}", "loads": 40}
                for day in (1, last)
            ]  # fmt: skip
        for j in range(0 if name == LAST else faults_of(i, name, shifted_from)):
            day, hour = 2 + j % 24, 6 + j // 24
            repairs.append(
                {"repair_id": f"R{name}-{j}", "trailer_id": f"T{j % 8}", "shop": "S", "found_position": 1,
                 "received_at": f"{name}-{day:02d}T{hour:02d}:00Z", "returned_at": f"{name}-{day:02d}T{hour:02d}:30Z",
                 "cause": "bad_crimp", "action": "recrimped", "found_place": "sensor"}
            )  # fmt: skip
    return {"trailers": trailers, "loads": loads, "repairs": repairs}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("months"), records())


def ask(store: Path, **words: Any) -> Months:
    with opened(store) as con:
        return months(con, STORE, select(con, **words))


def test_the_wild_month_is_the_only_signal_on_both_clocks(store: Path) -> None:
    found = ask(store)
    assert [r.month for r in found.rows] == names()
    for clock in ("by_loads", "by_days"):
        signals = {r.month: getattr(r, clock).signal for r in found.rows}
        assert {name for name, s in signals.items() if s not in (None, "none")} == {SPIKE}
        assert signals[SPIKE] == "high"
        assert [name for name, s in signals.items() if s is None] == [*names()[:12], LAST]
    assert not found.shifts_by_loads and not found.shifts_by_days


def test_a_month_in_which_records_end_is_not_judged(store: Path) -> None:
    row = ask(store).rows[-1]
    assert row.month == LAST and row.by_loads is not None and row.by_loads.signal is None
    assert "records do not cover it whole" in month_sentence(ask(store), row)


def test_the_window_chooses_months_and_changes_no_verdict(store: Path) -> None:
    whole = {r.month: r for r in ask(store).rows}
    (one,) = ask(store, month=SPIKE).rows
    assert one == whole[SPIKE]
    cut = ask(store, first="2024-09-10", end="2024-12-01").rows
    assert [r.month for r in cut] == ["2024-09", "2024-10", "2024-11"]
    assert cut[0].by_loads is not None and cut[0].by_loads.signal is None
    assert cut[1].by_loads == whole["2024-10"].by_loads
    early = ask(store, first="2024-09-01", end="2024-09-20").rows
    assert early[0].by_loads is not None and early[0].by_loads.signal is None


def test_filters_choose_whose_months(store: Path) -> None:
    few = ask(store, fleet="G")
    assert {r.faults for r in few.rows} == {0}
    sentence = month_sentence(few, few.rows[-2])
    assert "no faults" in sentence and sentence.startswith("No signal")
    assert "No signal" in month_sentence(ask(store, fleet="F"), ask(store, fleet="F").rows[-2])
    by_terminal = ask(store, terminal="X")
    assert {r.by_days for r in by_terminal.rows} == {None} and by_terminal.rows[20].by_loads is not None


def test_a_lasting_shift_is_dated(tmp_path: Path) -> None:
    found = ask(store_from(tmp_path, records(shifted_from="2024-11")))
    (shift,) = found.shifts
    assert shift.began == "2024-11" and shift.direction == "up"
    assert shift.low <= 3 * 0.9 and shift.high >= 3 * 0.9
    told = shift_sentence(found)
    assert "more faults since 2024-11" in told and number(shift.ratio) in told and shift.shown in told
    assert [
        d["shift"] for d, r in zip(found.as_dicts(), found.rows, strict=True) if r.month == "2024-11"
    ] == ["up"]


def test_words_are_made_from_the_numbers(store: Path) -> None:
    found = ask(store)
    rows = {r.month: r for r in found.rows}
    spike = rows[SPIKE].by_loads
    assert spike is not None and spike.rate is not None
    told = month_sentence(found, rows[SPIKE])
    assert (
        told.startswith("Signal, more faults") and number(spike.rate) in told and number(spike.high) in told
    )
    assert f"{rows[SPIKE].faults} faults" in told and "%" not in told
    told = month_sentence(found, rows["2024-10"])
    assert told.startswith("No signal:") and number(rows["2024-10"].by_loads.centre) in told  # type: ignore[union-attr]
    assert "can't be judged: fewer than 12" in month_sentence(found, rows["2022-03"])
    quiet = replace(spike, centre=0.5, low=0.0, high=2.6, signal="none")
    told = month_sentence(found, replace(rows[SPIKE], by_loads=quiet, loads=1000))
    assert "too few to tell" in told and "only 3 faults or more" in told
    assert shift_sentence(found) == "No lasting shift of the level is shown."


def test_the_command_says_signal_or_no_signal(store: Path) -> None:
    call = ["rates", "--by", "month", "--store", str(store)]
    shown = CliRunner().invoke(app, call)
    lines = {line.split()[0]: line.split()[-1] for line in shown.stdout.splitlines() if line[:2] == "20"}
    assert lines[SPIKE] == "high" and lines["2024-10"] == "none" and lines[LAST] == "judged"
    found = json.loads(CliRunner().invoke(app, [*call, "--format", "json"]).stdout)
    rows = {row["month"]: row for row in found["rows"]}
    assert rows[SPIKE]["signal"] == rows[SPIKE]["signal_days"] == "high"
    assert rows[SPIKE]["limit_high_per_1000_loads"] < rows[SPIKE]["per_1000_loads"]
    assert rows[LAST]["signal"] is None and rows[LAST]["limit_high_per_1000_loads"] is None
    by_fleet = json.loads(
        CliRunner().invoke(app, ["rates", "--by", "fleet", "--store", str(store), "--format", "json"]).stdout
    )
    assert "signal" not in by_fleet["rows"][0]
