"""Each rule of episodes, faults and days at risk on a few rows, given and expected: see cases/episodes.

Every case is one trailer; all of them go into one store. The slow reference is held to the same cases.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

import episode_reference as ref
from helpers import store_from
from repermit.warehouse import opened, records

FILES = sorted((Path(__file__).parent / "cases" / "episodes").glob("*.toml"))
CASES = [case for file in FILES for case in tomllib.loads(file.read_text(encoding="utf-8"))["case"]]
TABLES = ("trailers", "refusals", "repairs", "loads")
IDS = ("refusal_id", "repair_id")
FOREVER = "9999-12-31T00:00Z"
Case = Mapping[str, Any]

EPISODES = """select e.*, f.counts_as, f.fleet, f.open_until from marts.episodes e
    left join marts.faults f on f.episode_id = e.episode_id where e.trailer_id = $trailer"""
PARTS = """select p.part_id, p.joined_by, p.episode_id from marts.episode_parts p
    join marts.episodes e on e.episode_id = p.episode_id where e.trailer_id = $trailer"""
AT_RISK = """select service_from, at_risk_from, at_risk_until from marts.at_risk
    where trailer_id = $trailer order by at_risk_from"""
NEXT = "select repair_id, next_episode_id from marts.repairs where trailer_id = $trailer"


def given(case: Case, table: str) -> list[dict[str, Any]]:
    """The case's rows of a table, with what the card says of cells left out."""
    rows = [dict(row) for row in case.get(table, ())]
    if table == "trailers" and not rows:
        rows = [{"positions": 5, "in_service_on": "2025-01-01"}]
    return [{"reason": "overfill"} | row if table == "refusals" else row for row in rows]


def own(case: Case, row: dict[str, Any]) -> dict[str, Any]:
    """The row with the case's name in its ids, so that all cases fit into one store."""
    ids = {name: f"{case['name']}/{row[name]}" for name in IDS if row.get(name)}
    return {"trailer_id": case["name"]} | row | ids


def shown(value: Any) -> Any:
    """A value of the store as the cases write it."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%dT%H:%MZ}"
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, str) and "/" in value:  # an id: E-case/R1, V-case/V1, case/R1
        start, _, name = value.partition("/")
        return start[:2] + name if start[:2] in ("E-", "V-") else name
    return value


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    tables = {table: [own(case, row) for case in CASES for row in given(case, table)] for table in TABLES}
    # A line without the column would count one load; here some lines give it.
    tables["loads"] = [{"loads": 1} | row for row in tables["loads"]]
    return store_from(tmp_path_factory.mktemp("cases"), tables)


def asked(store: Path, case: Case, sql: str) -> list[dict[str, Any]]:
    with opened(store) as con:
        found = records(con, sql, {"trailer": case["name"]})
    return [{name: shown(value) for name, value in row.items()} for row in found]


each_case = pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["name"]))


@each_case
def test_rule(store: Path, case: Case) -> None:
    expected = {_episode_id(episode["parts"]): episode for episode in case["episodes"]}
    episodes = {episode["episode_id"]: episode for episode in asked(store, case, EPISODES)}
    assert set(episodes) == set(expected), case["says"]
    found: dict[str, dict[str, Any]] = {name: {"parts": {}} for name in episodes}
    for part in asked(store, case, PARTS):
        found[part["episode_id"]]["parts"][part["part_id"]] = part["joined_by"]
    for name, episode in expected.items():
        found[name] |= {column: episodes[name][column] for column in episode if column != "parts"}
    assert found == expected, case["says"]


def _episode_id(parts: Mapping[str, str]) -> str:
    """Refusals stand before visits, each in order of time, in the cases as in the marts."""
    refusals = [name for name in parts if name.startswith("R")]
    return f"E-{refusals[0]}" if refusals else f"V-{next(iter(parts))}"


@pytest.mark.parametrize("case", [c for c in CASES if "at_risk" in c], ids=lambda c: str(c["name"]))
def test_days_at_risk(store: Path, case: Case) -> None:
    """Stretches that touch within a spell are one: a visit without length parts nothing."""
    found: list[list[str]] = []
    spell = None
    for row in asked(store, case, AT_RISK):
        start, end = row["at_risk_from"], row["at_risk_until"].replace(FOREVER, "")
        if row["service_from"] == spell and found[-1][1] == start:
            found[-1][1] = end
        else:
            found.append([start, end])
        spell = row["service_from"]
    assert found == case["at_risk"], case["says"]


@pytest.mark.parametrize("case", [c for c in CASES if "next_fault" in c], ids=lambda c: str(c["name"]))
def test_next_fault(store: Path, case: Case) -> None:
    found = {row["repair_id"]: row["next_episode_id"] for row in asked(store, case, NEXT)}
    assert found == case["next_fault"], case["says"]


@each_case
def test_the_reference_agrees(case: Case) -> None:
    """So that what the SQL is held against on random trailers is itself held against the cases."""
    rows = {table: given(case, table) for table in TABLES}
    refusals, visits = ref.read_refusals(rows["refusals"]), ref.read_visits(rows["repairs"])
    loads = ref.read_loads(rows["loads"])
    episodes = ref.joined(ref.gathered(ref.runs(refusals, visits), visits), visits, loads)
    found = [sorted([r.id for r in e.refusals] + [v.id for v in e.visits]) for e in episodes]
    assert sorted(found) == sorted(sorted(episode["parts"]) for episode in case["episodes"])
    by_id = {e.id: e for e in episodes}
    for expected in case["episodes"]:
        episode = by_id[_episode_id(expected["parts"])]
        outcome = ref.outcome(episode, loads, episode.began.first)[0].replace("unresolved", "open")
        assert outcome == expected.get("outcome", outcome)
        fault = outcome in ("repaired", "open")
        kind = ref.counts_as(episode) if fault else ""
        assert kind == expected.get("counts_as", kind)
    if "at_risk" in case:
        stretches = ref.at_risk(rows["trailers"], visits, loads, refusals)
        assert [[shown(a), shown(b).replace(FOREVER, "")] for a, b in stretches] == case["at_risk"]
    for name, follows in case.get("next_fault", {}).items():
        after = ref.next_fault(next(v for v in visits if v.id == name), episodes, loads)
        assert (after.id if after else "") == follows


def test_cases_are_told_apart() -> None:
    names = [case["name"] for case in CASES]
    assert len(names) == len(set(names)) > 80
    known = {"name", "says", *TABLES, "episodes", "at_risk", "next_fault"}
    assert not [case["name"] for case in CASES if set(case) - known or not case["says"]]
