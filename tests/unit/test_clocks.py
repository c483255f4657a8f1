"""Clocks that are wrong by whole hours: what is told of planted ones, and how often of none."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from helpers import STORE, load, write_csv
from repermit.statistics.clock_shift import Shift, clock_shift
from repermit.studies.clocks import clock_errors
from repermit.warehouse import opened

Gaps = NDArray[np.float64]


def gaps(rng: np.random.Generator, n: int, slow_h: float = 0.0, slips: float = 0.02) -> Gaps:
    """Invented: half an hour and then 20 hours more on average; a few are wrong by up to three days either way."""
    found = 0.5 + rng.exponential(20.0, n) - slow_h
    wrong = rng.random(n) < slips
    return np.where(wrong, found + rng.uniform(-72, 72, n), found)


def test_worked_by_hand() -> None:
    """Five of ten early by at most 2.5 h: without others the least shift that mends four of them is 2 h."""
    found = clock_shift(np.array([-2.5, -2.0, -1.5, -1, -0.5, 0, 1, 5, 9, 20.0]), np.array([]))
    assert found is not None
    assert (found.hours, found.pairs, found.early, found.mended, found.at_least) == (2, 10, 5, 4, True)


@pytest.mark.parametrize(
    "values",
    [[], [-1.0] * 4, [-1.0] * 5 + [10.0] * 495, [-100.0, -70, -50, -30, -20, -1], [0.0] * 50],
    ids=["none", "four", "slips", "scattered by days", "at once"],
)
def test_what_is_no_evidence(values: list[float]) -> None:
    assert clock_shift(np.array(values), np.full(50, 10.0)) is None


def told(seed: int, n: int, slow_h: float, slips: float = 0.02) -> Shift | None:
    rng = np.random.default_rng(seed)
    return clock_shift(gaps(rng, n, slow_h, slips), gaps(rng, 120, 0.0, slips))


def test_a_right_clock_is_seldom_called_wrong() -> None:
    runs = [told(seed, 20 + seed % 180, 0.0, 0.04) for seed in range(2000)]
    assert sum(run is not None for run in runs) <= 4


@pytest.mark.parametrize(
    ("n", "hours", "share"), [(60, 5, 0.6), (60, 8, 0.95), (200, 3, 0.7), (200, 6, 0.99)]
)
def test_a_planted_error_is_found_with_its_size(n: int, hours: int, share: float) -> None:
    found = [run for seed in range(300) if (run := told(seed, n, hours)) is not None]
    assert len(found) >= share * 300
    near = sum(abs(run.hours - hours) <= 1 for run in found)
    assert near >= 0.9 * len(found)


def records(folder: Path, slow: str | None) -> Path:
    """Forty trailers' refusals and repairs at two shops; the times of shop `slow` are six hours early."""
    rng = np.random.default_rng(7)
    start = datetime(2025, 1, 1)
    refusals, repairs = [], []
    for n in range(160):
        shop = "North" if n % 2 else "South"
        at = start + timedelta(days=2 * n)
        received = at + timedelta(hours=0.5 + rng.exponential(20.0) - (6 if shop == slow else 0))
        refusals.append(
            {
                "refusal_id": n,
                "trailer_id": "A",
                "refused_at": f"{at:%Y-%m-%dT%H:%M}Z",
                "terminal": f"T{n % 4 // 2}",
            }
        )
        repairs.append(
            {
                "repair_id": n,
                "trailer_id": "A",
                "refusal_id": n,
                "shop": shop,
                "received_at": f"{received:%Y-%m-%dT%H:%M}Z",
            }
        )
    write_csv(folder, "trailers", [{"trailer_id": "A", "positions": 4, "in_service_on": "2024-01-01"}])
    write_csv(folder, "refusals", refusals)
    write_csv(folder, "repairs", repairs)
    return folder


def test_the_shop_is_named_and_nobody_else(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    answer = repermit("ingest", records(tmp_path / "in", "North"))
    assert "The clock of shop North seems about" in answer.stderr and "mapping file" in answer.stderr
    with opened(tmp_path / STORE) as con:
        (error,) = clock_errors(con)
    assert (error.place, error.name, error.pairs) == ("shop", "North", 80)
    assert abs(error.hours - 6) <= 1 and error.mended >= 0.8 * error.early >= 4


def test_right_clocks_are_left_alone(tmp_path: Path) -> None:
    load(tmp_path / STORE, records(tmp_path / "in", None))
    with opened(tmp_path / STORE) as con:
        assert clock_errors(con) == ()
