"""Who is truly worse: stores with and without differences between trailers, and the words against the numbers."""

from __future__ import annotations

import json
import random
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.studies.frequency.rates import rates
from repermit.studies.frequency.worse import PROBABLY, Unit, Worse, worse
from repermit.studies.selection import select
from repermit.warehouse import opened

Row = dict[str, Any]
START = datetime(2024, 1, 1)


def store_of_counts(folder: Path, counts: list[int], fleets: int = 1) -> Path:
    """A trailer a count: so many faults on days far apart in one year, with loads every month."""
    trailers, repairs, loads = [], [], []
    for number, count in enumerate(counts):
        name = f"T{number:03d}"
        trailers.append(
            {
                "trailer_id": name,
                "fleet": f"Fleet {number % fleets}",
                "positions": 4,
                "in_service_on": "2024-01-01",
            }
        )
        loads += [
            {"trailer_id": name, "terminal": "E", "lane": "1", "loaded_on": f"2024-{m:02d}-28", "loads": 100}
            for m in range(1, 13)
        ]
        for i in range(count):
            at = START + timedelta(days=5 + 18 * i, hours=8)
            repairs.append(
                {
                    "repair_id": f"{name}-{i}",
                    "trailer_id": name,
                    "received_at": at.isoformat() + "Z",
                    "returned_at": (at + timedelta(hours=4)).isoformat() + "Z",
                    "cause": "bad_crimp",
                    "action": "recrimped",
                    "found_position": 1,
                }
            )
    return store_from(folder, {"trailers": trailers, "repairs": repairs, "loads": loads})


def ask(store: Path, by: str) -> Worse | None:
    with opened(store) as con:
        chosen = select(con, first="2024-01-01", end="2025-01-01")
        return worse(con, store.name, chosen, rates(con, store.name, chosen, (by,)))


def test_a_trailer_far_worse_is_named_with_its_evidence(tmp_path: Path) -> None:
    counts = [1] * 12 + [2] * 12 + [0] * 12 + [3] * 3 + [15]
    found = ask(store_of_counts(tmp_path, counts), "trailer")
    assert found is not None and found.p is not None and found.p < 0.05
    assert [u.key for u in found.named] == ["T039"]
    top = found.rows[0]
    assert (top.worst_tenth or 0) > PROBABLY and top.low < top.rate < 15 / 1.2 and top.high > top.rate
    assert found.typical is not None and found.typical < top.rate  # drawn towards the rest
    for text in ("T039", "from 15", "per 1,000 loads", "worst tenth of 40"):
        assert text in found.sentence


def test_a_sentence_names_the_likeliest_and_counts_the_others(tmp_path: Path) -> None:
    found = ask(store_of_counts(tmp_path, [0, 1] * 60 + [18] * 12), "trailer")
    assert found is not None and len(found.named) == 12
    assert found.sentence.count(" faults per 1,000 loads") == 5
    assert "; and 7 more; all together" in found.sentence


def test_alike_trailers_are_not_told_apart(tmp_path: Path) -> None:
    found = ask(store_of_counts(tmp_path, [2, 1, 2, 3] * 8), "trailer")
    assert (
        found is not None
        and not found.named
        and found.sentence.startswith("Too few to tell: chance alone makes 32 alike trailers")
    )
    assert all(u.worst_tenth is None for u in found.rows)


def test_three_fleets_are_too_few(tmp_path: Path) -> None:
    found = ask(store_of_counts(tmp_path, [0, 1, 9] * 8, fleets=3), "fleet")
    assert found is not None and found.p is None and "too few to tell from 3 fleets" in found.sentence


def test_unequal_trailers_are_not_taken_for_unequal_fleets(tmp_path: Path) -> None:
    """Two trailers in ten fail ten times as often, dealt to fleets at random: the fleets are alike."""
    draws = random.Random(5)
    counts = [draws.choice((0, 1)) if draws.random() < 0.8 else 10 for _ in range(72)]
    store = store_of_counts(tmp_path, counts, fleets=12)
    by_fleet, by_trailer = ask(store, "fleet"), ask(store, "trailer")
    assert by_fleet is not None and by_fleet.p is not None and by_fleet.p > 0.05 and not by_fleet.named
    assert by_trailer is not None and by_trailer.p is not None and by_trailer.p < 1e-6


def test_the_command_shows_it_beside_the_rates(tmp_path: Path, repermit: Any) -> None:
    store = store_of_counts(tmp_path, [1] * 20 + [12])
    rows = json.loads(repermit("rates", "--by", "trailer", "--format", "json", store=store).stdout)["rows"]
    worst = {r["trailer"]: r["worst_tenth"] for r in rows}
    assert worst["T020"] > 0.8 and worst["T000"] < 0.3
    assert rows[0]["shrunken_per_1000_loads_low"] < rows[0]["shrunken_per_1000_loads"]
    table = repermit("rates", "--by", "trailer", store=store)
    assert "worst" in table.stdout and "T020" in table.stderr
    other = json.loads(repermit("rates", "--by", "cause", "--format", "json", store=store).stdout)["rows"]
    assert "worst_tenth" not in other[0]


@pytest.mark.parametrize("p", [0.001, 0.049])
def test_differences_without_anybody_probable_name_nobody(p: float) -> None:
    rows = (Unit("A", 3, 1.0, 0.5, 2.0, 0.6), Unit("B", 2, 0.9, 0.4, 2.0, 0.4))
    found = Worse("trailer", "year", 12, p, 0.8, rows)
    assert not found.named and "of none is it probable (80 %)" in found.sentence
