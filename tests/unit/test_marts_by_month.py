"""Sums kept by month, and answers kept of the log: after any sequence of ingests every mart is what a rebuild from nothing gives."""

from __future__ import annotations

import random
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from helpers import dump_of, query
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


def some_refusals(rng: random.Random) -> Rows:
    """A delivery of refusals over five months, new, told again otherwise, or taken back; few say how they were cleared."""
    return [
        {"refusal_id": f"F{number}", "trailer_id": rng.choice("ABC"), "reason": "overfill",
         "refused_at": f"2025-{rng.randint(1, 5):02d}-{rng.choice([1, 14, 15, 27, 28]):02d}T{rng.randint(0, 23):02d}:30Z",
         "terminal": rng.choice("TU"), "lane": rng.choice("12"), "released_by": rng.choice(["", "", "retry", "left_without_load"]),
         "withdrawn": rng.choice(["", "", "", "yes"])}
        for number in rng.sample(range(30), 12)
    ]  # fmt: skip


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
        delivery["refusals"] = some_refusals(rng)
        if number == 3:  # rows of the last months fall out of service
            delivery = {"trailers": trailers(A="2025-02-01", C="2025-03-01")}
        if number == 4:  # and some come back
            delivery = {"trailers": trailers()}
        result = ledger.give(**delivery)
        assert_as_from_nothing(ledger.store)
        happened |= {"answered"} if query(ledger.store, "select 1 from core.next_loads") else set()
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


@pytest.mark.parametrize("seed", [6])
def test_sums_by_month_are_those_of_a_rebuild(seed: int, tmp_path: Path) -> None:
    assert give_many(seed, tmp_path) >= {
        "accepted",
        "corrected",
        "quarantined",
        "fell",
        "taken back",
        "answered",
    }


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 130))
def test_sums_by_month_are_those_of_a_rebuild_many_times(seed: int, tmp_path: Path) -> None:
    give_many(seed, tmp_path)


def test_sums_made_a_few_months_at_once_are_those_of_the_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a log with months without a load, with days and with times, and a time whose day is of another month."""
    monkeypatch.setattr(import_module("repermit.warehouse.relations"), "AT_ONCE", 3)
    ledger, rng = Ledger(tmp_path), random.Random(8)
    days = [f"2024-{m:02d}-{d:02d}" for m in (1, 2, 5, 11, 12) for d in (1, 15, 28)]
    told: Rows = [
        {"trailer_id": t, "terminal": "T", "lane": lane, "loaded_on": day, "loads": rng.randint(1, 4)}
        for t in "AB"
        for lane in "12"
        for day in days
        if rng.random() < 0.6
    ]
    timed: Rows = [
        {"trailer_id": "C", "terminal": "T", "lane": "1", "loaded_on": on, "loaded_at": at, "loads": 5}
        for on, at in (
            ("2024-03-31", "2024-04-01T02:00Z"),
            ("", "2024-02-29T23:30Z"),
            ("2024-12-31", "2025-01-01T03:00Z"),
        )
    ]
    ledger.give(trailers=trailers(), loads=told)
    ledger.give(loads=timed)
    by_day, by_month = Counter[tuple[str, str]](), Counter[tuple[str, str, str]]()
    for row in told + timed:
        day = row["loaded_on"] or row["loaded_at"][:10]
        by_day[row["trailer_id"], day] += row["loads"]
        by_month[row["trailer_id"], row["lane"], day[:7]] += row["loads"]
    days_sum = "select trailer_id, cast(loaded_on as varchar), loads from core.load_days"
    assert {(t, d): n for t, d, n in query(ledger.store, days_sum)} == by_day
    months = "select trailer_id, lane, strftime(month, '%Y-%m'), loads from marts.loads_by_lane_month"
    assert {(t, lane, m): n for t, lane, m, n in query(ledger.store, months)} == by_month
    assert_as_from_nothing(ledger.store)


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


def test_what_was_answered_before_every_change_is_not_asked_again(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    refusal = {"trailer_id": "A", "reason": "overfill", "terminal": "T", "lane": "1"}
    day = {"trailer_id": "A", "terminal": "T", "lane": "1"}
    ledger.give(
        trailers=trailers(),
        refusals=[refusal | {"refusal_id": f"F{m}", "refused_at": f"2025-0{m}-10T10:00Z"} for m in (1, 2, 4)],
        loads=[{**day, "loaded_on": "2025-01-11"}, {**day, "loaded_on": "2025-02-20"}],
    )
    con = connect(ledger.store)
    con.execute("update core.next_loads set at_other_lane = true")
    con.close()
    ledger.give(loads=[{**day, "loaded_on": "2025-02-15"}, {**day, "loaded_on": "2025-04-28"}])
    asked = "select cast(after_at as varchar), cast(next_load_at as varchar), at_other_lane from core.next_loads order by 1"
    assert query(ledger.store, asked) == [
        ("2025-01-10 10:00:00", "2025-01-11 00:00:00", True),
        ("2025-02-10 10:00:00", "2025-02-15 00:00:00", False),
        ("2025-04-10 10:00:00", "2025-04-28 00:00:00", False),
    ]
