"""The next quarter from records: what is counted, months cut short, forecasts made again, and the words."""

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
from repermit.errors import CallError
from repermit.studies.frequency.outlook import Outlook, held_sentence, outlook, outlook_sentence
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit.wording import number

MONTHS = 27
"""January 2023 to March 2025; records end on the tenth of April."""


def names() -> list[str]:
    return [f"{2023 + i // 12}-{i % 12 + 1:02d}" for i in range(MONTHS + 1)]


def records() -> dict[str, list[dict[str, Any]]]:
    """Two fleets of five; each month a crimp and a failed sensor a fleet, one hour each, and three refusals of fleet F."""
    trailers = [
        {"trailer_id": f"T{k}", "fleet": "FG"[k // 5], "positions": 4, "in_service_on": "2022-01-01"}
        for k in range(10)
    ]
    loads, repairs, refusals = [], [], []
    for i, name in enumerate(names()):
        last = 10 if i == MONTHS else monthrange(int(name[:4]), int(name[5:]))[1]
        for t in trailers:
            loads += [
                {"trailer_id": t["trailer_id"], "terminal": "X", "lane": "1", "loaded_on": f"{name}-{day:02d}", "loads": 2}
                for day in range(1, last + 1)
            ]  # fmt: skip
        for fleet, k in ((0, i % 5), (1, 5 + i % 5)):
            for what, day in (("recrimped", 4), ("sensor_replaced", 8)):
                repairs.append(
                    {"repair_id": f"R{i}-{fleet}-{day}", "trailer_id": f"T{k}", "received_at": f"{name}-{day:02d}T08:00Z",
                     "returned_at": f"{name}-{day:02d}T10:00Z", "action": what, "labour_min": 60,
                     "cause": "bad_crimp" if what == "recrimped" else "sensor_failed"}
                )  # fmt: skip
        refusals += [
            {"refusal_id": f"F{i}-{j}", "trailer_id": f"T{j}", "refused_at": f"{name}-0{j + 1}T12:00Z", "terminal": "X",
             "lane": "1", "reason": "overfill" if j < 3 else "paperwork", "released_by": "retry"}
            for j in range(4)
        ]  # fmt: skip
    return {"trailers": trailers, "loads": loads, "refusals": refusals, "repairs": repairs}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("outlook"), records())


def ask(store: Path, **words: Any) -> Outlook:
    with opened(store) as con:
        return outlook(con, STORE, select(con, **words))


def test_three_months_of_every_quantity_and_key(store: Path) -> None:
    found = ask(store)
    keys = {(f.quantity, f.key) for f in found.rows}
    assert keys == {
        ("refusals", "all"), ("faults", "all"), ("faults", "bad_crimp"), ("faults", "sensor_failed"),
        ("parts", "all"), ("parts", "sensor"), ("shop_hours", "all"),
    }  # fmt: skip
    assert len(found.rows) == 3 * len(keys) and len(found.quarter) == len(keys)
    assert [f.month for f in found.rows[:3]] == ["2025-04", "2025-05", "2025-06"]
    expected = {("refusals", "all"): 3, ("faults", "all"): 4, ("faults", "bad_crimp"): 2, ("parts", "all"): 2,
                ("shop_hours", "all"): 4}  # fmt: skip
    for f in found.rows:
        if (f.quantity, f.key) in expected:
            assert f.expected == pytest.approx(expected[f.quantity, f.key], rel=0.06)
        assert f.low <= f.expected <= f.high
    for whole in found.quarter:
        months = [f.expected for f in found.rows if (f.quantity, f.key) == (whole.quantity, whole.key)]
        assert whole.expected == pytest.approx(sum(months))


def test_the_month_cut_short_is_not_counted(store: Path) -> None:
    found = ask(store)
    assert max(p.month for p in found.past) == "2025-03"
    assert ask(store, end="2025-01-20").rows[0].month == "2025-01"


def test_a_fleet_has_its_own(store: Path) -> None:
    found = ask(store, fleet="G")
    faults = next(f for f in found.quarter if (f.quantity, f.key) == ("faults", "all"))
    assert faults.expected == pytest.approx(6, rel=0.06)
    assert not any(f.quantity == "refusals" for f in found.rows)
    with pytest.raises(CallError, match="terminal"):
        ask(store, terminal="X")


def test_earlier_forecasts_are_those_made_then(store: Path) -> None:
    """The forecast of the last quarter made again is the one that records cut off there give."""
    found = ask(store)
    then = ask(store, end="2025-01-01")
    last = [h for h in found.held if h.made_for == "2025-01"]
    assert [h.forecast for h in last] == list(then.rows)
    came = {("refusals", "all"): 3, ("faults", "all"): 4, ("faults", "bad_crimp"): 2, ("parts", "sensor"): 2}
    for h in last:
        if (h.forecast.quantity, h.forecast.key) in came:
            assert h.came == came[h.forecast.quantity, h.forecast.key]
    assert [m for m in dict.fromkeys(h.made_for for h in found.held)] == [
        "2025-01", "2024-10", "2024-07", "2024-04", "2024-01",
    ]  # fmt: skip
    inside, n = found.coverage()
    assert n == 5 * 3 * 7 and inside == n
    assert found.coverage("refusals") == (15, 15)


def test_words_are_made_from_the_numbers(store: Path) -> None:
    found = ask(store)
    told = outlook_sentence(found)
    for f in found.quarter:
        assert (f"{number(f.expected)} " in told) or f.key != "all"
    assert "2025-04 to 2025-06" in told and "95 %" in told
    assert "105 of 105 times (100 %)" in held_sentence(found)
    wrong = replace(found.held[0], came=1e6)
    assert not wrong.inside and "0 of 1 time" in held_sentence(replace(found, held=(wrong,)))
    assert "can't be forecast: few" in outlook_sentence(replace(found, why_not="few"))
    assert "fifteen whole months" in held_sentence(replace(found, held=()))


def test_too_few_months(store: Path) -> None:
    found = ask(store, end="2023-05-15")
    assert not found.rows and "fewer than 6 whole months" in outlook_sentence(found)


def test_the_command(store: Path) -> None:
    call = ["outlook", "--store", str(store)]
    shown = CliRunner().invoke(app, call)
    assert shown.exit_code == 0 and "sensor_failed" in shown.stdout and "Likely in 2025-04" in shown.stderr
    found = json.loads(CliRunner().invoke(app, [*call, "--format", "json"]).stdout)
    assert set(found) == {"about", "rows"}
    assert list(found["rows"][0]) == ["month", "quantity", "key", "expected", "low", "high"]
    then = json.loads(CliRunner().invoke(app, [*call, "--month", "2024-12", "--format", "json"]).stdout)
    assert then["rows"][0]["month"] == "2025-01"
