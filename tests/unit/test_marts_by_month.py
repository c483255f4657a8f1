"""Sums kept by month: after any sequence of ingests every mart is what a rebuild from nothing gives."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from helpers import dump_of
from reconciled import Ledger
from repermit.warehouse import build, connect, one, rows, settings_of, transaction

BUILT = ("core", "marts")
Rows = list[dict[str, Any]]


def trailers(**changed: str) -> Rows:
    """Three trailers; of those named, the day on which they leave service."""
    return [
        {
            "trailer_id": t,
            "positions": 5,
            "in_service_on": "2024-01-01",
            "out_of_service_on": changed.get(t, ""),
        }
        for t in "ABC"
    ]


def some_loads(rng: random.Random) -> Rows:
    """A delivery over five months: days new and told again, corrected, taken back, wrong, of a trailer not known."""
    chosen = rng.sample(
        [(t, m, d) for t in "ABCZ" for m in range(1, 6) for d in (1, 15, 28)], rng.randint(1, 12)
    )
    return [
        {"trailer_id": t, "terminal": "T" if d < 20 else "U", "lane": "1", "loaded_on": f"2025-{m:02d}-{d:02d}",
         "loads": rng.choice([1, 2, 3, "many"]), "withdrawn": rng.choice(["", "", "yes"])}
        for t, m, d in chosen
    ]  # fmt: skip


def single_loads(rng: random.Random) -> Rows:
    """A delivery in which each line is one load, some of them of one moment."""
    hours = [rng.randint(0, 5) for _ in range(6)]
    return [
        {
            "trailer_id": rng.choice("AB"),
            "terminal": "T",
            "lane": "1",
            "loaded_at": f"2025-0{rng.randint(1, 5)}-28T2{h % 4}:00Z",
        }
        for h in hours
    ]


def assert_as_from_nothing(store: Path) -> int:
    """Every built relation, row by row, against one built from the accepted rows alone. Returns the sums held."""
    con = connect(store)
    try:
        kept = dump_of(con, BUILT)
        sums = int(one(con, "select count(*) from core.load_days"))
        with pytest.raises(InterruptedError), transaction(con):
            build(con, settings_of(con))
            fresh = dump_of(con, BUILT)
            raise InterruptedError
        assert [name for name in fresh if fresh[name] != kept[name]] == []
        return sums
    finally:
        con.close()


def give_many(seed: int, folder: Path) -> set[str]:
    """Deliveries in a row, held against a rebuild after each; returns what became of rows."""
    rng, ledger = random.Random(seed), Ledger(folder)
    ledger.give(trailers=trailers(), loads=some_loads(rng))
    happened = set()
    for number in range(6):
        delivery: dict[str, Rows] = {"loads": single_loads(rng) if number % 3 == 2 else some_loads(rng)}
        if number == 3:  # rows of the last months fall out of service
            delivery = {"trailers": trailers(A="2025-02-01", C="2025-03-01")}
        if number == 4:  # and some come back
            delivery = {"trailers": trailers()}
        result = ledger.give(**delivery)
        assert_as_from_nothing(ledger.store)
        happened |= {
            what
            for f in result.files
            for what in ("accepted", "corrected", "quarantined")
            if getattr(f, what)
        }
        happened |= {"fell"} if result.fell else set()
    con = connect(ledger.store)
    try:
        happened |= {"taken back"} if rows(con, "select 1 from accepted.loads where withdrawn") else set()
    finally:
        con.close()
    return happened


@pytest.mark.parametrize("seed", [4])
def test_sums_by_month_are_those_of_a_rebuild(seed: int, tmp_path: Path) -> None:
    assert give_many(seed, tmp_path) >= {"accepted", "corrected", "quarantined", "fell", "taken back"}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_sums_by_month_are_those_of_a_rebuild_many_times(seed: int, tmp_path: Path) -> None:
    give_many(seed, tmp_path)


def test_months_that_did_not_change_are_left_alone(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    day = {"trailer_id": "A", "terminal": "T", "lane": "1", "loads": 2}
    ledger.give(
        trailers=trailers(), loads=[{**day, "loaded_on": "2025-01-01"}, {**day, "loaded_on": "2025-02-01"}]
    )
    con = connect(ledger.store)
    con.execute("update core.load_days set loads = 99")
    con.close()
    ledger.give(loads=[{**day, "loaded_on": "2025-02-01", "loads": 3}])
    con = connect(ledger.store)
    assert rows(con, "select cast(loaded_on as varchar), loads from core.load_days order by 1") == [
        ("2025-01-01", 99),
        ("2025-02-01", 3),
    ]
    con.close()
