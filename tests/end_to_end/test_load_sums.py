"""Loads that rates divide by, of any window, against sums of the very rows: trailers are sold within a month, windows
begin and end within one, so that sums by month, by day and the log itself all have their part.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import STORE, load, query, rates_from, write_csv
from repermit.warehouse import opened

FIRST, DAYS = date(2025, 1, 1), 150
SOLD = {"A": [], "B": ["2025-02-01"], "C": ["2025-02-11"], "D": ["2025-03-31"], "E": ["2025-02-03", "2025-02-20"]}  # fmt: skip


def spells() -> Iterator[dict[str, Any]]:
    """Each trailer goes from fleet F0 to F1 and F2 on the days on which it is sold."""
    for trailer, sold in SOLD.items():
        starts = ["2025-01-01", *sold]
        for number, (start, end) in enumerate(zip(starts, [*sold, None], strict=True)):
            yield {"trailer_id": trailer, "fleet": f"F{number}", "system": "five_wire", "positions": 4,
                   "in_service_on": start, "out_of_service_on": end}  # fmt: skip


def fleet_of(trailer: str, day: str) -> str:
    return f"F{sum(day >= sold for sold in SOLD[trailer])}"


def logged(seed: int) -> list[dict[str, Any]]:
    rng = random.Random(seed)
    keys = {
        (
            rng.choice(list(SOLD)),
            rng.choice("TU"),
            rng.choice("12"),
            str(FIRST + timedelta(rng.randrange(DAYS))),
        )
        for _ in range(900)
    }
    names = ("trailer_id", "terminal", "lane", "loaded_on")
    return [dict(zip(names, key, strict=True)) | {"loads": rng.randint(0, 4)} for key in sorted(keys)]


@pytest.mark.parametrize("seed", [1, 2])
def test_loads_of_any_window_are_those_of_its_rows(seed: int, tmp_path: Path) -> None:
    log = logged(seed)
    for name, found in {"trailers": list(spells()), "loads": log}.items():
        write_csv(tmp_path, name, found)
    load(tmp_path / STORE, tmp_path)
    assert query(tmp_path / STORE, "select sum(loads) from core.load_days") == [
        (sum(r["loads"] for r in log),)
    ]
    of = {
        "fleet": lambda r: fleet_of(r["trailer_id"], r["loaded_on"]),
        "month": lambda r: r["loaded_on"][:7],
        "trailer": lambda r: r["trailer_id"],
        "terminal": lambda r: r["terminal"],
    }
    windows = [("2025-01-01", "2025-06-01"), ("2025-02-01", "2025-03-01"), ("2025-02-02", "2025-02-25"),
               ("2025-01-15", "2025-04-09")]  # fmt: skip
    with opened(tmp_path / STORE) as con:
        for first, end in windows:
            mine = [r for r in log if first <= r["loaded_on"] < end]
            for by in (
                "fleet",
                "month",
                "trailer",
                "terminal",
                "fleet,month",
                "terminal,fleet",
                "trailer,terminal,month",
            ):
                sums: Counter[tuple[str, ...]] = Counter()
                for row in mine:
                    sums[tuple(of[key](row) for key in by.split(","))] += row["loads"]
                told = rates_from(con, by, first=first, end=end).rows
                assert {tuple(r.keys.values()): r.loads for r in told if r.loads} == +sums, (by, first, end)
