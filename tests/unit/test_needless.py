"""Good sensors replaced and visits with nothing found, counted by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from helpers import store_from
from repermit.studies.repairs.needless import Sensors, sensors
from repermit.studies.selection import select
from repermit.warehouse import opened
from test_fixes import SENSOR, Row, trailer, visit

NAMES = [f"T{n}" for n in range(1, 7)]


def ask(folder: Path, repairs: list[Row], returns: list[Row], shop: str | None = None) -> Sensors:
    tables = {"trailers": [trailer(n) for n in NAMES], "repairs": repairs}
    store = store_from(folder, tables | ({"returns": returns} if returns else {}))
    with opened(store) as con:
        return sensors(con, select(con, end="2025-01-01", shop=shop), 0.95)


def replaced(name: str, day: int = 0, **more: object) -> Row:
    base = {
        **SENSOR,
        "sensor_out": f"out-{name}",
        "sensor_in": f"in-{name}",
        "labour_min": 40,
        "parts_cost": 100,
    }
    return visit(name, day, 2, "East", **base, **more)


def verdict(name: str, result: str) -> Row:
    return {"serial": f"out-{name}", "result": result}


def test_the_bench_tells(tmp_path: Path) -> None:
    repairs = [replaced(n) for n in NAMES[:4]]
    returns = [verdict("T1", "no_fault_found"), verdict("T2", "confirmed"), verdict("T3", "no_fault_found")]
    found = ask(tmp_path, repairs, returns)
    assert (found.replaced, found.tested, found.good) == (4, 3, 2)
    assert (found.minutes, found.parts_cost) == (80, 200)
    # Wilson's limits of 2 of 3, by the quadratic: (p - q)^2 = z^2 q (1 - q) / n
    z2 = 1.959963984540054**2
    for q in (found.low, found.high):
        assert q is not None and (2 / 3 - q) ** 2 == pytest.approx(z2 * q * (1 - q) / 3, rel=1e-9)


def test_something_else_found_there_soon_after(tmp_path: Path) -> None:
    repairs = [
        replaced("T1"), visit("T1", 20, 2),  # a crimp at the same position: the sensor was probably good
        replaced("T2"), visit("T2", 20, 3),  # elsewhere
        replaced("T3"), visit("T3", 20, 2, **SENSOR),  # a sensor again
        replaced("T4"), visit("T4", 100, 2),  # later than 90 days
        replaced("T5", 340),  # not followed so long
    ]  # fmt: skip
    found = ask(tmp_path, repairs, [])
    assert (found.replaced, found.followed, found.something_else) == (6, 4 + 1, 1)
    assert (found.tested, found.good, found.low, found.minutes) == (0, 0, None, None)


def test_planned_replacements_and_other_shops_are_left_out(tmp_path: Path) -> None:
    repairs = [replaced("T1"), replaced("T2", visit_kind="planned"), replaced("T3") | {"shop": "West"}]
    assert ask(tmp_path, repairs, [], shop="East").replaced == 1
