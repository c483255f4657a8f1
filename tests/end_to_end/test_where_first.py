"""The order of checks learnt in one simulated world finds the faults of another sooner than the customary order."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from helpers import store_of
from repermit.studies.location.check_minutes import IN_HOUSING, Minutes, check_of
from repermit.studies.location.where_first import Place, customary_order, where_first
from repermit.studies.selection import select
from repermit.warehouse import opened
from tanker_world import Scenario, simulate, write

PAST = Scenario(name="past", seed=5, trailers=120, months=24)
COMING = Scenario(name="coming", seed=6, trailers=120, months=24)


def faults(scenario: Scenario) -> list[dict[str, Any]]:
    """What was really wrong on five_wire trailers of which the tester named a position."""
    rows = simulate(scenario).truth["faults"].to_dicts()
    return [
        row for row in rows
        if row["system"] == "five_wire" and row["indicated_position"] and row["position"] is not None
        and row["cause"] not in ("none_found", "rack_equipment", "liquid_present")
    ]  # fmt: skip


def walked(order: list[Place], at: Place, minutes: Minutes) -> float:
    """Minutes until the check that finds it, each housing opened when it is first entered."""
    spent, entered = 0.0, set()
    for check, position in order:
        if check in IN_HOUSING and position and position not in entered:
            spent += minutes.opening
            entered.add(position)
        spent += minutes.take(check)
        if (check, position) == at:
            break
    return spent


def test_it_finds_the_faults_of_another_world_sooner(tmp_path: Path) -> None:
    write(simulate(PAST), tmp_path)
    coming = faults(COMING)
    assert len(coming) > 150
    with opened(store_of(tmp_path)) as con:
        selection = select(con, system="five_wire")
        by_length = {
            n: where_first(con, "past", selection, positions=n) for n in {row["positions"] for row in coming}
        }
    own, usual, beyond = 0.0, 0.0, 0
    for row in coming:
        found = by_length[row["positions"]]
        search = next(s for s in found.rows if s.indicated == row["indicated_position"])
        at = (check_of((row["position"], row["place"], row["cause"])), row["position"])
        customary = customary_order(row["positions"], row["indicated_position"])
        listed = [(step.check, step.position) for step in search.steps]
        beyond += at not in listed
        rest = [place for place in customary if place not in listed]  # whoever is not done goes on as usual
        own += walked(listed + rest, at, found.minutes)
        usual += walked(customary, at, found.minutes)
    assert beyond <= 0.05 * len(coming)
    assert own < 0.9 * usual
