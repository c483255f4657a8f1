"""Failures that never stop a load: rates from two tests of a position, by hand, and where they are shown."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import load, store_from
from repermit.resources import folder
from repermit.studies.frequency.silent import Silent, silent
from repermit.studies.selection import select
from repermit.warehouse import opened

Rows = list[dict[str, Any]]


def planned_tests(dry: int, trailers: int = 6) -> dict[str, Rows]:
    """Trailers with two positions, tested on three days 200 and 400 days apart; the first `dry` of the third tests fail."""
    days = [date(2022, 1, 10) + timedelta(days=n) for n in (0, 200, 600)]
    made: dict[str, Rows] = {"trailers": [], "proof_tests": []}
    left = dry
    for i in range(trailers):
        name, system = f"T{i}", "five_wire" if i < 5 else "two_wire"
        made["trailers"].append({"trailer_id": name, "fleet": f"F{i % 2}", "positions": 2, "system": system, "sensor_kind": "optic",
                                 "home_shop": "S", "in_service_on": "2020-01-01"})  # fmt: skip
        for position in (1, 2):
            for n, day in enumerate(days):
                result = "stuck_dry" if n == 2 and left > 0 else "pass"
                left -= result == "stuck_dry"
                made["proof_tests"].append(
                    {"trailer_id": name, "position": position, "tested_at": day, "result": result}
                )
    made["proof_tests"][0]["result"] = "stuck_dry"  # a first test: since when is not known
    return made


def ask(store: Path, **words: Any) -> Silent:
    with opened(store) as con:
        return silent(con, store.name, select(con, first="2022-01-01", end="2025-01-01", **words))


def test_none_found_is_no_proof_of_none(tmp_path: Path) -> None:
    """12 positions, 600 days each: 19.7 position-years; no more than 3.689 over that."""
    found = ask(store_from(tmp_path, planned_tests(0)))
    assert found and (found.first_tests, found.first_stuck_dry) == (12, 1)
    total, years = found.total, 12 * 600 / 365.25
    assert (total.tests, total.stuck_dry, total.trailers) == (24, 0, 6)
    assert total.position_years == pytest.approx(years) and total.per_position_year == 0
    assert total.per_position_year_high == pytest.approx(-math.log(0.025) / years)
    assert total.on_demand == 0 and total.on_demand_high and "no sensors stuck dry seen" in total.sentence()
    assert "at most" in total.sentence()


def test_rate_and_chance_by_hand(tmp_path: Path) -> None:
    """Three found; an interval of 200 days counts as 200, one of 400 as 400: (200^2 + 400^2) / 600 = 333 days."""
    found = ask(store_from(tmp_path, planned_tests(3)))
    assert found
    total = found.total
    assert total.stuck_dry == 3 and total.per_position_year == pytest.approx(3 * 365.25 / 7200)
    assert total.interval_days == pytest.approx(1000 / 3)
    x = 3 / 7200 * 1000 / 3
    assert total.on_demand == pytest.approx(1 - (1 - math.exp(-x)) / x)
    assert (
        total.on_demand_low
        and total.on_demand_high
        and total.on_demand_low < total.on_demand < total.on_demand_high
    )
    assert {(r.system, r.tests) for r in found.rows} == {("five_wire", 20), ("two_wire", 4)}
    assert sum(r.position_years for r in found.rows) == pytest.approx(total.position_years)


def test_filters(tmp_path: Path) -> None:
    store = store_from(tmp_path, planned_tests(3))
    halves = [ask(store, fleet=name) for name in ("F0", "F1")]
    assert [h.total.tests for h in halves if h] == [12, 12]
    both = [ask(store, system=name) for name in ("five_wire", "two_wire")]
    assert [h.total.stuck_dry for h in both if h] == [3, 0]


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("silent") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, folder("sample_data") / "csv" / delivery)
    return store


def test_where_it_is_shown(sample: Path, tmp_path: Path, repermit: Any) -> None:
    answer = json.loads(repermit("rates", "--by", "silent", "--format", "json", store=sample).stdout)
    assert sum(row["stuck_dry"] for row in answer["rows"]) > 0 and {
        "per_position_year",
        "on_demand_high",
    } <= set(answer["rows"][0])
    for words in (["monthly"], ["fleet", "--fleet", "Curlew"], ["shop", "--shop", "Ashlode"]):
        out = tmp_path / f"{words[0]}.html"
        assert repermit("report", *words, "--out", out, store=sample).exit_code == 0
        text = out.read_text(encoding="utf-8")
        assert "Sensors stuck dry: what no refusal shows" in text and "only a wet test shows it" in text


def test_without_tests_the_pages_say_so_in_one_line(tmp_path: Path, repermit: Any) -> None:
    records = planned_tests(0)
    del records["proof_tests"]
    day = {"terminal": "N", "lane": "1"}
    records["loads"] = [
        {"trailer_id": "T0", "loaded_on": d, "loads": 9, **day} for d in ("2024-01-01", "2024-02-29")
    ]
    records["refusals"] = [
        {"refusal_id": "A", "trailer_id": "T0", "refused_at": f"2024-0{m}-02T09:00Z", "reason": "overfill", **day} | {"refusal_id": f"A{m}"}
        for m in (1, 2)
    ]  # fmt: skip
    records["repairs"] = [{"repair_id": "R", "trailer_id": "T0", "shop": "S", "refusal_id": "A1", "received_at": "2024-01-02T12:00Z",
                           "returned_at": "2024-01-03T12:00Z", "found_position": 1, "cause": "corrosion", "action": "recrimped"}]  # fmt: skip
    store = store_from(tmp_path / "csv", records)
    for words in (
        ["monthly"],
        ["fleet", "--fleet", "F0"],
        ["shop", "--shop", "S"],
        ["terminal", "--terminal", "N"],
    ):
        out = tmp_path / f"{words[0]}.html"
        assert repermit("report", *words, "--month", "2024-01", "--out", out, store=store).exit_code == 0
        text = out.read_text(encoding="utf-8")
        assert "reveal only the failures that stop loading" in text and "Sensors stuck dry" not in text
    assert "No planned function test" in repermit("rates", "--by", "silent", store=store).stderr
