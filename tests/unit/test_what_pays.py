"""What pays for a fleet: actions where a study shows something, with the fleet's share of it; nothing otherwise."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.settings import Settings
from repermit.studies.readers.what_pays import Advice, Spared, what_pays
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit.wording import amount, number
from test_fixes import Row, trailer, visit

START = datetime(2024, 1, 1)


def ask(store: Path, fleet: str = "Red") -> Advice:
    with opened(store) as con:
        return what_pays(con, store.name, select(con, first="2024-01-01", end="2025-01-01", fleet=fleet))


def loads(names: list[str], per_day: int = 1) -> list[Row]:
    return [
        {"trailer_id": n, "terminal": "North", "lane": "1", "loaded_on": str((START + timedelta(days=d)).date()), "loads": per_day}
        for n in names for d in range(366)
    ]  # fmt: skip


def refusals_of(visits: list[Row]) -> list[Row]:
    return [
        {"refusal_id": f"R-{v['repair_id']}", "trailer_id": v["trailer_id"], "refused_at": v["received_at"], "terminal": "North", "lane": "1", "reason": "overfill"}
        for v in visits
    ]  # fmt: skip


def methods() -> tuple[list[Row], list[Row]]:
    """Twenty trailers a tool; of the one tool's fixes 15 come back after 20 days, of the other's one."""
    names = [f"{tool}{n}" for tool in "HR" for n in range(20)]
    visits = []
    for name in names:
        method = {"H": "hand_tool", "R": "ratchet_tool"}[name[0]]
        priced: dict[str, Any] = {"method": method, "invoice_total": 200}
        visits.append(visit(name, 10 + int(name[1:]), 2, **priced))
        if int(name[1:]) < {"H": 15, "R": 1}[name[0]]:
            # the comeback was fixed another way, by no known tool
            again: dict[str, Any] = {
                "cause": "corrosion",
                "action": "connection_cleaned",
                "invoice_total": 200,
            }
            visits.append(visit(name, 30 + int(name[1:]), 2, **again))
    return [trailer(n, fleet="Red" if int(n[1:]) < 10 else "Blue") for n in names], visits


def test_the_method_that_comes_back_is_advised_against(tmp_path: Path) -> None:
    trailers, visits = methods()
    tables = {"trailers": trailers, "repairs": visits, "refusals": refusals_of(visits)}
    store = store_from(tmp_path, tables | {"loads": loads([t["trailer_id"] for t in trailers])})
    advice = ask(store)
    (action,) = [a for a in advice.actions if a.kind == "method"]
    assert action.names == ("hand tool to ratchet tool",)
    # ten of Red's fixes in the records' days, 15 of 20 against 1 of 20 back
    days = 366 - 10  # the records begin with the first refusal, on day 10
    assert action.spared.value == pytest.approx(10 * 91 / days * (15 / 20 - 1 / 20), rel=1e-9)
    assert 0 < action.spared.low < action.spared.value < action.spared.high
    assert advice.cost_of_fault == 200 and action.money == action.spared.times(200)
    told, low, high = (amount(x) for x in (action.spared.value, action.spared.low, action.spared.high))
    assert f"spares about {told} ({low} to {high}) faults" in action.sentence()
    assert "20" in action.evidence and action.unless


def test_ways_of_another_kind_of_fix_are_no_way_to_do_this_one(tmp_path: Path) -> None:
    """Cleaning with a cloth, after which nothing came back, is no other way to crimp; alone it is held against nothing."""
    trailers, visits = methods()
    names = [f"C{n}" for n in range(20)]
    cloth = {
        "cause": "residual_liquid",
        "found_place": "sensor",
        "action": "sensor_cleaned",
        "method": "cloth",
    }
    visits += [visit(n, 10 + i, 2, **cloth) for i, n in enumerate(names)]
    trailers += [trailer(n, fleet="Red") for n in names]
    tables = {"trailers": trailers, "repairs": visits, "refusals": refusals_of(visits)}
    advice = ask(store_from(tmp_path, tables | {"loads": loads([t["trailer_id"] for t in trailers])}))
    (action,) = [a for a in advice.actions if a.kind == "method"]
    assert action.names == ("hand tool to ratchet tool",) and "recorded as recrimped" in action.evidence


def test_the_cost_of_a_refusal_comes_from_the_settings(tmp_path: Path) -> None:
    trailers, visits = methods()
    tables = {"trailers": trailers, "repairs": visits, "refusals": refusals_of(visits)}
    store = store_from(
        tmp_path, tables | {"loads": loads([t["trailer_id"] for t in trailers])}, refusal_cost=50.0
    )
    (action,) = [a for a in ask(store).actions if a.kind == "method"]
    assert action.money == action.spared.times(250)
    assert Settings().refusal_cost == 0


def test_the_trailer_that_is_truly_worse_is_pulled_in(tmp_path: Path) -> None:
    """Twenty trailers with one fault or two, one with twenty, all loading once a day."""
    names = [f"T{n}" for n in range(20)]
    visits = [visit(n, 15 * (i % 20) + 3, 2) for i, n in enumerate(names)]
    visits += [visit("T0", 15 * k + 9, 1 + k % 4) for k in range(20)]
    tables = {"trailers": [trailer(n) for n in names], "repairs": visits, "refusals": refusals_of(visits)}
    advice = ask(store_from(tmp_path, tables | {"loads": loads(names)}))
    (action,) = advice.actions
    assert (action.kind, action.names, action.money) == ("trailers", ("T0",), None)
    typical = len(visits) / (20 * 363) * 1000  # the records begin with the first refusal, on day 3
    shrunken = action.spared.value / 91 * 1000 + typical
    assert typical < shrunken < 21 / 363 * 1000  # drawn towards the others, not as bad as it looks
    assert f"usual {number(typical)} per 1,000 loads" in action.evidence
    assert "Pull in T0" in advice.sentence()


def test_nothing_is_advised_where_nothing_stands_out(tmp_path: Path) -> None:
    names = [f"T{n}" for n in range(20)]
    visits = [visit(n, 10 * i + 3, 2) for i, n in enumerate(names)]
    tables = {"trailers": [trailer(n) for n in names], "repairs": visits, "refusals": refusals_of(visits)}
    advice = ask(store_from(tmp_path, tables | {"loads": loads(names)}))
    assert advice.actions == () and "Nothing stands out" in advice.sentence()
    assert Spared(1, 0, 2).times(3) == Spared(3, 0, 6)
