"""Clocks that are wrong by whole hours: what is told of planted ones, and how often of none."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from helpers import NOW, STORE, load, query, write_csv
from repermit.ingest.run import ingest
from repermit.mapping_file import load as load_mapping
from repermit.statistics.clock_shift import ALPHA, SLIPS, Shift, can_show, clock_shift
from repermit.studies.records.clocks import clock_errors
from repermit.warehouse import opened
from tanker_world import Scenario, simulate, small, write

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


def test_few_enough_are_seen_at_once() -> None:
    """Where so few are early that nothing can be shown, the exact chance says so too."""
    for n in range(1, 1500, 7):
        few = np.array([early for early in range(5, n + 1) if not can_show(early, n)])
        assert (stats.binom.sf(few - 1, n, SLIPS) >= 0.5).all() and ALPHA < 0.5
    assert not can_show(4, 4) and can_show(5, 5) and can_show(16, 500) and not can_show(15, 500)


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


def test_right_clocks_are_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And cost an ingest next to nothing: that none can be wrong is seen without the library that weighs them."""
    load(tmp_path / STORE, records(tmp_path / "in", None))
    monkeypatch.setitem(sys.modules, "scipy", None)
    with opened(tmp_path / STORE) as con:
        assert clock_errors(con) == ()


def test_the_pages_of_the_shop_concerned_say_so(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    repermit("ingest", records(tmp_path / "in", "North"))
    said = {}
    for kind, name in (("shop", "North"), ("shop", "South"), ("terminal", "T0")):
        page = tmp_path / f"{name}.html"
        answer = repermit("report", kind, f"--{kind}", name, "--month", "2025-06", "--out", page)
        assert answer.exit_code == 0, answer.stderr
        said[name] = "The clock of shop North seems about" in page.read_text(encoding="utf-8")
    assert said == {"North": True, "South": False, "T0": False}


# --- simulated worlds, their shops' clocks read by a mapping -------------------------------------------------------

HOURS_AWAY = {"Ashlode": 0, "Brackmere": -6, "Coldstaithe": 0}
"""Offset from UTC of what the clocks of the world's shops show."""
MAPPING = """
[[source]]
files = "repairs.csv"
zone = "UTC"
[source.zones]
{zones}
[[source.table]]
name = "repairs"
[source.table.columns]
{columns}
"""


def world(seed: int) -> Scenario:
    """Forty trailers over two years; most repairs name their refusal."""
    plain = small(seed, trailers=40, months=24, named=0.9)
    return replace(plain, shops=tuple(replace(s, offset_hours=HOURS_AWAY[s.name]) for s in plain.shops))


def told_of_world(folder: Path, seed: int, zones: str) -> list[tuple[str, str, int]]:
    """The clock errors told where the shops' times are without an offset, and the mapping gives these zones."""
    made = simulate(world(seed))
    write(made, folder)
    repairs = made.tables["repairs"].to_dicts()
    for row in repairs:  # what a clock on the wall shows
        row |= {name: (row[name] or "")[:19] for name in ("received_at", "returned_at")}
    write_csv(folder, "repairs", repairs)
    columns = "\n".join(f'{name} = "{name}"' for name in repairs[0])
    (folder / "map.toml").write_text(MAPPING.format(zones=zones, columns=columns))
    ingest(folder / STORE, [folder], now=NOW, mapping=load_mapping(folder / "map.toml"))
    with opened(folder / STORE) as con:
        return [(e.place, e.name, e.hours) for e in clock_errors(con)]


@pytest.mark.parametrize("seed", [1, *(pytest.param(s, marks=pytest.mark.slow) for s in range(2, 11))])
def test_a_zone_left_out_of_the_mapping_is_told_with_its_size(seed: int, tmp_path: Path) -> None:
    (told_, *others) = told_of_world(tmp_path, seed, "")
    assert told_[:2] == ("shop", "Brackmere") and abs(told_[2] - 6) <= 1 and not others


@pytest.mark.parametrize("seed", [1, *(pytest.param(s, marks=pytest.mark.slow) for s in range(2, 11))])
def test_nothing_is_told_where_the_mapping_gives_every_zone(seed: int, tmp_path: Path) -> None:
    assert told_of_world(tmp_path, seed, '"Brackmere" = "Etc/GMT+6"') == []
    early = "select count(*) from current.repairs r join current.refusals f using (refusal_id) where r.received_at < f.refused_at"
    assert query(tmp_path / STORE, early) == [(0,)]
