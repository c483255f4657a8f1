"""Rack or trailer: lanes made by hand, worlds with known truth, and the shipped sample from end to end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers import load, query
from lane_worlds import DUMB, TELLS, TERMINAL, told, world
from repermit.resources import folder
from repermit.statistics.comparison import rate_ratio
from repermit.studies.racks.lane_row import LaneRow
from repermit.studies.racks.lanes import Lanes, lanes
from repermit.studies.racks.rack_side import Cells, held, judge
from repermit.studies.selection import select
from repermit.warehouse import opened
from tanker_world import SAMPLE, simulate


def cells(elsewhere: list[list[int]], loads: list[list[int]], terminal: list[int] | None = None) -> Cells:
    """One month: a row a trailer, a column a lane; all that cleared did so elsewhere."""
    n, size = np.array(loads, dtype=float), np.array(elsewhere, dtype=float)
    trailers, count = n.shape
    lane, trailer = np.tile(np.arange(count), trailers), np.repeat(np.arange(trailers), count)
    return Cells(
        lane, trailer, trailer, np.zeros_like(lane), n.ravel(), size.ravel(), size.ravel(),
        np.array(terminal or [0] * count),
    )  # fmt: skip


def spread(*events: int, trailers: int = 8) -> list[list[int]]:
    """So many events a lane, one trailer after the other."""
    return [[n // trailers + (i < n % trailers) for n in events] for i in range(trailers)]


def flags(made: Cells) -> list[bool]:
    return [row.flagged for row in judge(made)]


def test_a_lane_far_above_the_others_is_flagged() -> None:
    even = [[500] * 3] * 8
    assert flags(cells(spread(40, 8, 8), even)) == [True, False, False]
    assert flags(cells(spread(12, 8, 8), even)) == [False] * 3
    assert flags(cells(spread(200, 210, 190), even)) == [False] * 3


def test_alike_trailers_are_the_plain_comparison() -> None:
    """Where every trailer loads alike the ratio and limits are those of two rates."""
    made = cells(spread(40, 8, 8), [[500] * 3] * 8)
    found = held(made, 0, (1, 2), "cleared", 0.95)
    assert (found.ratio, found.low, found.high) == pytest.approx(rate_ratio(40, 4000, 16, 8000), rel=1e-8)
    assert found.expected == pytest.approx(8)


def test_a_lane_used_by_bad_trailers_is_not_a_bad_lane() -> None:
    """Two trailers refused everywhere at ten times the rate of the others load mostly at lane 0."""
    loads = [[900, 50, 50]] * 2 + [[100, 450, 450]] * 8
    events = [[90, 5, 5]] * 2 + [[1, 4, 5]] * 8
    assert sum(row[0] for row in events) / 2600 > 4 * sum(row[1] for row in events) / 3700
    assert flags(cells(events, loads)) == [False] * 3


def test_one_trailer_alone_does_not_make_a_lane() -> None:
    events = spread(8, 8, 8)
    events[3][0] += 40
    rows = judge(cells(events, [[500] * 3] * 8))
    assert not rows[0].flagged and rows[0].one_trailer and rows[0].q is not None and rows[0].q < 0.05


def test_one_bad_lane_does_not_hide_another() -> None:
    """Held against lane 0 as well, lane 1 would be lost in its shadow."""
    made = cells(spread(200, 60, 4, 4), [[500] * 4] * 8)
    assert flags(made) == [True, True, False, False]
    assert judge(made)[1].others == (2, 3)


def test_the_network_where_no_other_lane_remains() -> None:
    """Lane 0 is alone at its terminal; trailers that load there and elsewhere tell."""
    made = cells(spread(40, 8, 8), [[500] * 3] * 8, [0, 1, 1])
    assert flags(made) == [True, False, False] and judge(made)[0].others == (1, 2)


def test_nothing_to_hold_it_against() -> None:
    alone = judge(cells([[3]], [[100]]))
    assert alone[0].p is None and alone[0].q is None and not alone[0].flagged
    apart = judge(cells([[3, 0], [0, 4]], [[100, 0], [0, 100]]))
    assert [row.q for row in apart] == [None, None]
    empty = world(1, 500, TELLS)
    nothing = replace(empty, **{n: getattr(empty, n)[:0] for n in ("lane", "stratum", "trailer", "month", "loads", "elsewhere", "cleared")})  # fmt: skip
    assert all(row.q is None for row in judge(nothing))


# --- worlds with known truth ------------------------------------------------------------------------------


@pytest.mark.parametrize(("way", "loads"), [(TELLS, 25_000), (DUMB, 50_000)])
def test_worlds(way: Any, loads: int) -> None:
    """A dozen of those that `python tests/lane_worlds.py` makes a thousand of: the bad lane in nearly all."""
    found = [told(seed, loads, way, rack=1.0) for seed in range(12)]
    assert sum(t.found for t in found) >= 11
    assert sum(t.wrong for t in found) <= 0.05 * 12 * TERMINAL.size


def test_a_bad_lane_is_dated() -> None:
    since = [told(seed, 50_000, TELLS, rack=1.0, began=12).since for seed in range(8)]
    assert all(since) and sum(s.earliest <= 12 <= s.latest for s in since if s) >= 7


@pytest.mark.slow
@pytest.mark.parametrize(("way", "loads"), [(TELLS, 25_000), (DUMB, 50_000)])
def test_a_thousand_worlds(way: Any, loads: int) -> None:
    """Flagged in 95 % or more, an ordinary lane in 2 % at most, any in 12 % at most."""
    found = [told(seed, loads, way, rack=1.0) for seed in range(1000)]
    assert sum(t.found for t in found) >= 950
    assert sum(t.wrong for t in found) <= 0.02 * 1000 * (TERMINAL.size - 1)
    assert sum(t.wrong > 0 for t in found) <= 120


# --- the shipped sample -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    store = tmp_path_factory.mktemp("lanes") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, folder("sample_data") / "csv" / delivery)
    yield store


@pytest.fixture(scope="module")
def found(sample: Path) -> Lanes:
    with opened(sample) as con:
        return lanes(con, sample.name, select(con))


@pytest.fixture(scope="module")
def planted() -> dict[str, Any]:
    return next(row for row in simulate(SAMPLE).truth["planted"].to_dicts() if row["name"] == "lane")


def test_the_planted_lane_alone_is_flagged(found: Lanes, planted: dict[str, Any]) -> None:
    assert [f"{row.terminal} {row.lane}" for row in found.rows if row.flagged] == [planted["where"]]
    row = found.rows[0]
    assert row.since and row.since.earliest <= planted["since"][:7] <= row.since.latest
    assert row.sentence() in found.sentence() and row.since.month in row.sentence()


def test_counts_are_those_of_the_store(sample: Path, found: Lanes) -> None:
    counted = "select terminal, lane, count(*) from marts.episodes where outcome like 'cleared%' group by all"
    by_lane = {(terminal, lane): n for terminal, lane, n in query(sample, counted)}
    loads = dict(query(sample, "select terminal, sum(loads) from staging.loads group by all"))
    for row in found.rows:
        assert row.cleared_without_repair == by_lane[row.terminal, row.lane]
        assert row.cleared_other_lane <= row.cleared_without_repair == row.excess_most
        assert row.excess is not None and row.excess_least is not None
        assert 0 <= row.excess_least <= row.excess <= row.excess_most
    for terminal, n in loads.items():
        assert sum(row.loads for row in found.rows if row.terminal == terminal) == n


def test_the_excess_is_the_lane_s_own(found: Lanes, planted: dict[str, Any]) -> None:
    """In the simulator's truth: refusals of the rack's own kind at the lane, all of which cleared."""
    episodes = simulate(SAMPLE).truth["episodes"].to_dicts()
    terminal, lane = planted["where"].split()
    true = sum(e["kind"] == "rack" and (e["terminal"], e["lane"]) == (terminal, lane) for e in episodes)
    row: LaneRow | None = found.of(terminal, lane)
    assert row and row.excess_least is not None and row.excess_least <= true <= row.excess_most
    assert row.elsewhere.probability is not None and row.elsewhere.probability > 0.6


def test_commands(sample: Path, found: Lanes, repermit: Any) -> None:
    done = repermit("lanes", "--format", "json", store=sample)
    rows = json.loads(done.stdout)["rows"]
    assert {"terminal", "lane", "loads", "cleared_without_repair", "cleared_other_lane", "excess", "excess_least",
            "excess_most", "rate_ratio", "rate_ratio_low", "rate_ratio_high", "q_value", "flagged"} <= set(rows[0])  # fmt: skip
    assert rows[0] == found.rows[0].as_dict()
    one = repermit("lanes", "--terminal", "Quernwick", store=sample)
    assert one.exit_code == 0 and "Osierhythe" not in one.stdout and "No lane of 3 stands out" in one.stderr


def test_an_episode_has_a_probability_never_a_verdict(sample: Path, found: Lanes, repermit: Any) -> None:
    bad = found.rows[0]
    ((cleared,),) = query(sample, f"select max(episode_id) from marts.episodes where lane = '{bad.lane}' and terminal = '{bad.terminal}' and outcome = 'cleared_other_lane'")  # fmt: skip
    ((repaired,),) = query(sample, "select max(episode_id) from marts.episodes where outcome = 'repaired'")
    told_of = json.loads(repermit("episode", cleared, "--format", "json", store=sample).stdout)["rows"][0]
    assert 0.5 < told_of["rack_side"]["probability"] < 1 and told_of["rack_side"]["low"] > 0
    assert "no verdict" in repermit("episode", cleared, store=sample).stdout
    assert json.loads(repermit("episode", repaired, "--format", "json", store=sample).stdout)["rows"][0]["rack_side"] is None  # fmt: skip
