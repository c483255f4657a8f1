"""Months, days and windows begin at 00:00 UTC, whatever the offset in which a time was written or the machine's zone.

Two trailers; every refusal is repaired two hours later, so each one is a fault.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from helpers import query, rates_of, store_from, write_csv

FEBRUARY, MARCH = (
    "2025-03-01T00:30+01:00",
    "2025-02-28T23:30-05:00",
)  # 23:30 UTC on 28 February, 04:30 on 1 March
TRAILERS = [
    {"trailer_id": name, "fleet": name, "system": "five_wire", "positions": 4, "in_service_on": "2025-01-01"}
    for name in "AB"
]


def refusal(trailer: str, at: str) -> dict[str, Any]:
    return {"refusal_id": f"{trailer} {at}", "trailer_id": trailer, "refused_at": at, "terminal": "T", "lane": "1",
            "reason": "overfill", "released_by": "shop"}  # fmt: skip


def repair(trailer: str, refused_at: str) -> dict[str, Any]:
    """A visit without length that names the refusal."""
    at = (datetime.fromisoformat(refused_at) + timedelta(hours=2)).isoformat()
    return {"repair_id": f"{trailer} {at}", "refusal_id": f"{trailer} {refused_at}", "trailer_id": trailer,
            "received_at": at, "returned_at": at, "found_position": 2, "found_place": "housing_wiring",
            "cause": "bad_crimp"}  # fmt: skip


def load(trailer: str, when: str, loads: int) -> dict[str, Any]:
    column = "loaded_at" if "T" in when else "loaded_on"
    return {
        "trailer_id": trailer,
        "terminal": "T",
        "lane": "1",
        "loaded_on": None,
        "loaded_at": None,
        "loads": loads,
    } | {column: when}


def tables(refused: list[tuple[str, str]], loads: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    return {
        "trailers": TRAILERS,
        "refusals": [refusal(*r) for r in refused],
        "repairs": [repair(*r) for r in refused],
        "loads": loads,
    }


EDGE = tables(
    [("A", FEBRUARY), ("B", MARCH)],
    [
        load("A", "2025-01-31", 1),
        load("A", "2025-03-01T00:30+01:00", 2),  # 28 February in UTC
        load("B", "2025-02-28T23:30-05:00", 4),  # 1 March in UTC
        load("B", "2025-02-28T23:59:59.999999Z", 8),
        load("B", "2025-03-01T00:00Z", 16),
        load("A", "2025-03-31", 32),
    ],
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("edge"), EDGE)


def counted(rows: list[dict[str, Any]], *keys: str) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    return {tuple(row[k] for k in keys): (row["faults"], row["loads"], row["days"]) for row in rows}


def test_rates_by_month(store: Path, repermit: Callable[..., Any]) -> None:
    window = ("--from", "2025-02-01", "--to", "2025-04-01")
    answer = repermit("rates", "--by", "month,fleet", *window, "--format", "json", store=store)
    assert counted(json.loads(answer.stdout)["rows"], "month", "fleet") == {
        ("2025-02", "A"): (1, 2, 28),
        ("2025-02", "B"): (0, 8, 28),
        ("2025-03", "A"): (0, 32, 31),
        ("2025-03", "B"): (1, 20, 31),
    }


@pytest.mark.parametrize(
    ("month", "faults"),
    [("2025-01", {"A": (0, 1, 31), "B": (0, 0, 31)}), ("2025-02", {"A": (1, 2, 28), "B": (0, 8, 28)}),
     ("2025-03", {"A": (0, 32, 31), "B": (1, 20, 31)}), ("2025-04", {"A": (0, 0, 30), "B": (0, 0, 30)})],
)  # fmt: skip
def test_rates_of_a_month(
    month: str, faults: dict[str, tuple[int, int, int]], store: Path, repermit: Callable[..., Any]
) -> None:
    answer = repermit("rates", "--by", "trailer", "--month", month, "--format", "json", store=store)
    assert counted(json.loads(answer.stdout)["rows"], "trailer") == {
        (t,): counts for t, counts in faults.items()
    }


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "Pacific/Auckland"])
def test_the_zone_of_the_machine_does_not_matter(zone: str, tmp_path: Path) -> None:
    """The whole program in processes of another zone: both the reading of the records and the answer."""
    for table, rows in EDGE.items():
        write_csv(tmp_path / "csv", table, rows)

    def run(*words: str) -> str:
        command = [sys.executable, "-m", "repermit", *words, "--store", str(tmp_path / "store")]
        done = subprocess.run(
            command, env=os.environ | {"TZ": zone}, capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    run("ingest", str(tmp_path / "csv"))
    rows = json.loads(run("rates", "--by", "trailer", "--month", "2025-02", "--format", "json"))["rows"]
    assert counted(rows, "trailer") == {("A",): (1, 2, 28), ("B",): (0, 8, 28)}


def test_a_local_time_becomes_its_day_in_utc(store: Path) -> None:
    found = query(store, "select trailer_id, cast(started_at as varchar) from marts.faults order by 1")
    assert found == [("A", "2025-02-28 23:30:00"), ("B", "2025-03-01 04:30:00")]
    days = query(store, "select trailer_id, cast(loaded_on as varchar), loads from core.load_days order by 3")
    assert [(t, on) for t, on, _ in days] == [
        ("A", "2025-01-31"), ("A", "2025-02-28"), ("B", "2025-02-28"), ("B", "2025-03-01"), ("A", "2025-03-31")
    ]  # fmt: skip


# --- the ends of a window ---------------------------------------------------------------------------------

TIMES = [
    "2025-05-09T23:59:59.999999Z",
    "2025-05-10T00:00:00Z",
    "2025-05-19T23:59:59.999999Z",
    "2025-05-20T00:00:00Z",
]


@pytest.fixture(scope="module")
def ends(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fault at each of the times, a load on each of their days, and the days around."""
    loads = [load("A", f"2025-05-{day:02d}", 2 ** (day - 8)) for day in (8, 9, 10, 19, 20, 21)]
    return store_from(
        tmp_path_factory.mktemp("ends"), tables([("AB"[i % 2], at) for i, at in enumerate(TIMES)], loads)
    )


def test_from_is_included_and_to_is_not(ends: Path) -> None:
    answer = rates_of(ends, first="2025-05-10", end="2025-05-20")
    total = answer.total
    assert (total.faults, total.loads, total.days) == (2, 2**2 + 2**11, 20.0)
    assert (answer.about.outside["faults_before"], answer.about.outside["faults_after"]) == (1, 1)
    assert [
        rates_of(ends, first=a, end=b).total.faults
        for a, b in (("2025-05-09", "2025-05-20"), ("2025-05-10", "2025-05-21"))
    ] == [3, 3]


def test_windows_side_by_side_add_up(ends: Path) -> None:
    cuts = ["2025-05-01", "2025-05-09", "2025-05-10", "2025-05-19", "2025-05-20", "2025-05-21", "2025-06-01"]
    parts = [rates_of(ends, first=a, end=b).total for a, b in pairwise(cuts)]
    whole = rates_of(ends, first=cuts[0], end=cuts[-1]).total
    assert [p.faults for p in parts] == [0, 1, 1, 1, 1, 0] and whole.faults == 4
    assert sum(p.loads or 0 for p in parts) == whole.loads
    assert sum(p.days or 0 for p in parts) == whole.days == 62.0


# --- service and visits at midnight -----------------------------------------------------------------------


def test_service_begins_and_ends_at_midnight(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    """In service from the first day to before the last: what happens outside, in UTC, is set aside."""
    spell = TRAILERS[0] | {"in_service_on": "2025-03-01", "out_of_service_on": "2025-03-11"}
    times = [
        "2025-02-28T23:59Z",
        "2025-03-01T00:30+01:00",
        "2025-02-28T23:30-05:00",
        "2025-03-11T00:59+01:00",
        "2025-03-11T00:00Z",
    ]
    write_csv(tmp_path / "csv", "trailers", [spell])
    write_csv(tmp_path / "csv", "refusals", [refusal("A", at) for at in times])
    write_csv(
        tmp_path / "csv",
        "loads",
        [load("A", at, 1) for at in ("2025-02-28", "2025-03-01", "2025-03-10", "2025-03-11")],
    )
    answer = repermit("ingest", tmp_path / "csv", "--format", "json")
    found = {row["table"]: (row["accepted"], row["quarantined"]) for row in json.loads(answer.stdout)["rows"]}
    assert found == {"trailers": (1, 0), "refusals": (2, 3), "loads": (2, 2)}
    kept = query(tmp_path / "store.duckdb", "select refusal_id from current.refusals order by 1")
    assert kept == [("A 2025-02-28T23:30-05:00",), ("A 2025-03-11T00:59+01:00",)]
    assert rates_of(tmp_path / "store.duckdb", first="2025-01-01", end="2026-01-01").total.days == 10.0


def test_a_visit_over_the_end_of_a_month_is_shared_by_both(tmp_path: Path) -> None:
    """From 18:00 UTC on 28 February to 06:00 UTC on 1 March: a quarter of a day each."""
    at = "2025-02-28T18:30+05:30"  # 13:00 UTC
    stay = repair("A", at) | {
        "received_at": "2025-02-28T13:00-05:00",
        "returned_at": "2025-03-01T07:00+01:00",
    }
    records = tables([("A", at)], [load("A", "2025-01-01", 1)])
    store = store_from(tmp_path, records | {"repairs": [stay]})
    rows = rates_of(store, "trailer,month", first="2025-02-01", end="2025-04-01").rows
    days = {(r.keys["trailer"], r.keys["month"]): r.days for r in rows}
    assert days == {
        ("A", "2025-02"): 27.75,
        ("A", "2025-03"): 30.75,
        ("B", "2025-02"): 28.0,
        ("B", "2025-03"): 31.0,
    }
