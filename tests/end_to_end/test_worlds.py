"""Simulated worlds whose truth is known: what the program finds in the records is what happened.

Clean worlds, so nothing may be quarantined; every comparison is of whole tables, with nothing left over on either side.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from helpers import query, rates_of, store_of
from repermit.studies.frequency.rates import Rate, Rates
from tanker_world import Scenario, World, simulate, small, write

# A pool with everything that can be planted, but exact times; worlds with every finding recorded and every fault
# repaired, in which rates by position and cause have a known answer; and small ones with gaps.
WHOLE = Scenario(name="whole", seed=14, trailers=50, months=30, date_only=0.0, second_findings=0.15)
RECORDED = tuple(small(seed, trailers=30, missing=0.0, stranded=0.0) for seed in (31, 33))
GAPS = tuple(small(seed, stranded=0.2) for seed in range(41, 44))
WORLDS = (WHOLE, *RECORDED, *GAPS)
DAY_TOLERANCE = 1e-6  # days


@dataclass(frozen=True)
class Played:
    """A world, the store made from its records, and its window."""

    world: World
    store: Path
    window: dict[str, str]

    def truth(self, table: str) -> list[dict[str, Any]]:
        return self.world.truth[table].to_dicts()

    def rates(self, by: str = "", **more: Any) -> Rates:
        return rates_of(self.store, by, **self.window, **more)


@pytest.fixture(scope="module")
def play(tmp_path_factory: pytest.TempPathFactory) -> Any:
    @cache
    def played(scenario: Scenario) -> Played:
        world, folder = simulate(scenario), tmp_path_factory.mktemp("world")
        write(world, folder)
        window = world.truth["window"].to_dicts()[0]
        return Played(world, store_of(folder), {"first": window["from"], "end": window["to"]})

    return played


@pytest.fixture(params=WORLDS, ids=lambda s: s.name)
def any_world(request: pytest.FixtureRequest, play: Any) -> Played:
    played: Played = play(request.param)
    return played


@pytest.fixture(params=RECORDED, ids=lambda s: s.name)
def recorded(request: pytest.FixtureRequest, play: Any) -> Played:
    played: Played = play(request.param)
    assert all(fault["repair_id"] for fault in played.truth("faults"))
    return played


# --- episodes and faults ----------------------------------------------------------------------------------


def found_episodes(p: Played) -> list[tuple[Any, ...]]:
    """Trailer, start, where, what became of it, and its refusals and visits."""
    end = p.window["end"]
    outcome = f"""case when e.outcome <> 'open' then e.outcome
        when e.started_at + interval '14' day >= timestamp '{end}' then 'unresolved' else 'left' end"""
    return query(
        p.store,
        f"""select e.trailer_id, e.started_at, e.terminal, e.lane, e.origin, {outcome},
            coalesce(list_sort(list(p.part_id) filter (p.part = 'refusal')), []),
            coalesce(list_sort(list(p.part_id) filter (p.part = 'visit')), [])
        from marts.episodes e join marts.episode_parts p using (episode_id) group by all""",
    )


def test_every_episode_is_found(any_world: Played) -> None:
    names = ("trailer_id", "started_at", "terminal", "lane", "origin", "outcome")
    true = [
        (*(e[n] for n in names), sorted(e["refusal_ids"]), sorted(e["repair_ids"]))
        for e in any_world.truth("episodes")
    ]
    assert len(true) > 20
    assert sorted(map(repr, found_episodes(any_world))) == sorted(map(repr, true))


def written_down(p: Played) -> list[dict[str, Any]]:
    """The true faults, `recorded_*` as the records have them: a visit's finding is its first that names a cause, so a
    second finding stands for a visit whose first one has none."""
    repairs = p.world.tables["repairs"].filter(pl.col("finding_no") == 2).to_dicts()
    second = {r["repair_id"]: {"recorded_position": r["found_position"], "recorded_place": r["found_place"],
                               "recorded_cause": r["cause"]} for r in repairs}  # fmt: skip
    return [f if f["recorded_cause"] else f | second.get(f["repair_id"], {}) for f in p.truth("faults")]


def true_faults(p: Played) -> list[tuple[Any, ...]]:
    """As `marts.faults` should have them: the finding as it was written down, none while unresolved."""
    return [
        (f["trailer_id"], f["started_at"], f["fleet"], f["system"], f["positions"], f["recorded_position"],
         f["recorded_place"], f["recorded_cause"], f["repair_id"], counts_as(f))
        for f in written_down(p)
    ]  # fmt: skip


def counts_as(fault: dict[str, Any]) -> str:
    if fault["counted"]:
        return "fault"
    return "near_miss" if fault["cause"] == "liquid_present" else "rack"


def test_every_fault_is_found_and_counted_as_what_it_is(any_world: Played) -> None:
    found = query(
        any_world.store,
        "select trailer_id, started_at, fleet, system, positions, position, place, cause, repair_id, counts_as"
        f" from marts.faults where open_until is null or open_until >= timestamp '{any_world.window['end']}'",
    )
    true = true_faults(any_world)
    assert len(true) > 5
    assert sorted(map(repr, found)) == sorted(map(repr, true))
    kinds = [f[-1] for f in true]
    counts = any_world.rates().about.counts
    assert (counts["faults"], counts["near_misses"], counts["rack_side"]) == tuple(
        map(kinds.count, ("fault", "near_miss", "rack"))
    )
    assert counts["unresolved"] == sum(f["repair_id"] is None for f in any_world.truth("faults"))


def test_the_worlds_have_every_kind_of_episode(play: Any) -> None:
    """Otherwise the tests above would say less than they seem to."""
    faults = pl.concat(play(s).world.truth["faults"] for s in WORLDS)
    episodes = pl.concat(play(s).world.truth["episodes"] for s in WORLDS)
    assert {"repaired", "cleared_other_lane", "cleared_retry", "unresolved", "left"} == set(
        episodes["outcome"]
    )
    assert {"refusal", "repair_only"} == set(episodes["origin"])
    assert {"liquid_present", "rack_equipment", "none_found"} < set(faults["cause"])
    assert episodes.filter(pl.col("repair_ids").list.len() > 1).height > 3
    assert faults.filter(pl.col("recorded_cause").is_null() & pl.col("repair_id").is_not_null()).height > 10


# --- exposure ---------------------------------------------------------------------------------------------


def test_days_and_loads_of_every_trailer(any_world: Played) -> None:
    rows = {row.keys["trailer"]: row for row in any_world.rates("trailer").rows}
    true = any_world.truth("exposure_days")
    assert set(rows) == {t["trailer_id"] for t in true if t["days"] or t["loads"]}
    for trailer in (t for t in true if t["trailer_id"] in rows):
        row = rows[trailer["trailer_id"]]
        assert row.days == pytest.approx(trailer["days"], abs=DAY_TOLERANCE, rel=0)
        assert row.loads == trailer["loads"]


def test_days_of_every_fleet_follow_the_sales(any_world: Played) -> None:
    days: dict[str, float] = defaultdict(float)
    for spell in any_world.truth("exposure_spells"):
        days[spell["fleet"]] += spell["days"]
    rows = {row.keys["fleet"]: row.days for row in any_world.rates("fleet").rows}
    assert rows == pytest.approx(days, abs=DAY_TOLERANCE, rel=0)


def test_loads_by_terminal_and_month(any_world: Played) -> None:
    true = any_world.world.truth["loads"].group_by("terminal", "month").agg(pl.sum("loads"))
    rows = any_world.rates("terminal,month").rows
    found = {(r.keys["terminal"], r.keys["month"]): r.loads for r in rows if r.loads}
    assert found == {(terminal, month): loads for terminal, month, loads in true.iter_rows()}
    assert all(row.days is None and row.mtbf_days is None for row in rows)


# --- rates ------------------------------------------------------------------------------------------------


def exposure_of_position(p: Played, position: int | None) -> tuple[float, int]:
    """Days and loads of the trailers that have the position; of all for the trailer level and for none."""
    has = dict(p.world.tables["trailers"].select("trailer_id", "positions").iter_rows())
    those = [t for t in p.truth("exposure_days") if not position or has[t["trailer_id"]] >= position]
    return sum(t["days"] for t in those), sum(t["loads"] for t in those)


def assert_rate(row: Rate, faults: int, days: float, loads: int) -> None:
    assert row.faults == pytest.approx(faults, abs=1e-9)
    assert row.days == pytest.approx(days, abs=DAY_TOLERANCE, rel=0) and row.loads == loads
    if loads:
        assert row.per_1000_loads == pytest.approx(1000 * faults / loads, rel=1e-9)
    for mean, exposure in ((row.mtbf_days, days), (row.mtbf_loads, loads)):
        assert mean == (pytest.approx(exposure / faults, rel=1e-9) if faults else None)


def tally(p: Played, *keys: str) -> dict[tuple[Any, ...], int]:
    counts: dict[tuple[Any, ...], int] = defaultdict(int)
    for fault in p.truth("faults"):
        counts[tuple(fault[k] for k in keys)] += fault["counted"]
    return {key: n for key, n in counts.items() if n}


def test_rates_by_position(recorded: Played) -> None:
    true = tally(recorded, "position")
    longest = max(recorded.world.tables["trailers"]["positions"])
    rows = {row.keys["position"]: row for row in recorded.rates("position").rows}
    assert set(rows) >= {*range(longest + 1)}, "a position without a fault has a rate too"
    assert len(true) > 4 and {key for (key,) in true} <= set(rows)
    for position, row in rows.items():
        assert_rate(row, true.get((position,), 0), *exposure_of_position(recorded, position))
        assert row.faults_found == row.faults_least == row.faults_most == row.faults


@pytest.mark.parametrize("by", ["cause", "place", "position,cause", "cause,position,place"])
def test_rates_by_finding(recorded: Played, by: str) -> None:
    keys = by.split(",")
    rows = {tuple(row.keys[k] for k in keys): row for row in recorded.rates(by).rows}
    true = tally(recorded, *keys)
    assert {key for key, row in rows.items() if row.faults} == set(true)
    for key, row in rows.items():
        position = row.keys.get("position")
        assert_rate(row, true.get(key, 0), *exposure_of_position(recorded, position))


@pytest.mark.parametrize("cause", ["bad_crimp", "none_found"])
def test_rates_of_one_fleet(recorded: Played, cause: str) -> None:
    fleets = {s["fleet"] for s in recorded.truth("exposure_spells")}
    for fleet in sorted(fleets):
        own = [f for f in recorded.truth("faults") if f["fleet"] == fleet and f["cause"] == cause]
        days = sum(s["days"] for s in recorded.truth("exposure_spells") if s["fleet"] == fleet)
        rows = [r for r in recorded.rates("cause", fleet=fleet).rows if r.keys["cause"] == cause]
        assert sum(row.faults for row in rows) == sum(f["counted"] for f in own)
        assert all(row.days == pytest.approx(days, abs=DAY_TOLERANCE, rel=0) for row in rows)


def test_what_was_not_written_down_is_counted_but_not_guessed(any_world: Played) -> None:
    """The total counts every fault; found at a position are those that the shop wrote down there."""
    answer = any_world.rates("position")
    counted = [f for f in written_down(any_world) if f["counted"]]
    assert answer.total.faults == len(counted)
    found = {
        row.keys["position"]: row.faults_found for row in answer.rows if row.keys["position"] is not None
    }
    true = {n: sum(f["recorded_position"] == n for f in counted) for n in found}
    assert found == true and sum(true.values()) > 3


@pytest.mark.parametrize("scenario", GAPS, ids=lambda s: s.name)
def test_the_bounds_of_a_position_hold_what_really_happened(scenario: Scenario, play: Any) -> None:
    p: Played = play(scenario)
    really = tally(p, "position")
    for row in p.rates("position").rows:
        if row.keys["position"] is not None:
            assert row.faults_least <= really.get((row.keys["position"],), 0) <= row.faults_most


def test_the_window_is_by_default_the_days_on_record(any_world: Played) -> None:
    about = rates_of(any_world.store).about
    assert {"first": about.first, "end": about.end} == any_world.window
    assert about.outside == {"faults_before": 0, "faults_after": 0}
