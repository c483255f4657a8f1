"""Findings that are not recorded, shared out: by hand, in stores, and in invented worlds whose truth is known."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers import rates_from, rates_of, store_of, write_csv
from repermit.studies.frequency.rates import Rate
from repermit.studies.frequency.shared_rates import SharedCounts, what_turns_the_order
from repermit.studies.location.masking import PSEUDO_FAULTS, RESOLVED_FAULTS, Pattern
from repermit.studies.location.sharing import WHOLE, Sharing, billionths, share_out
from repermit.warehouse import Connection, opened, rows
from sharing_world import fault_world, measured
from tanker_world import simulate, small, write

# --- by hand ----------------------------------------------------------------------------------------------------------

BASE = Pattern("five_wire", "rear", 3, "overfill", None, None, None, "A", None, None, None)


def wet(position: int) -> Pattern:
    return replace(
        BASE, position=position, place="sensor", cause="residual_liquid", indicated_position=position
    )


def crimp(position: int) -> Pattern:
    return replace(
        BASE, position=position, place="housing_wiring", cause="bad_crimp", indicated_position=position
    )


def shared(counts: dict[Pattern, int]) -> tuple[Sharing, dict[Pattern, dict[Any, float]]]:
    """One trailer for each pattern. The shares of each missing pattern by cell, those of zero left out."""
    patterns = list(counts)
    n = np.array([float(c) for c in counts.values()])
    each = np.arange(len(patterns))
    s = share_out(patterns, n, each, each, n, len(patterns))
    found: dict[Pattern, dict[Any, float]] = {}
    for p, c, x in zip(s.pair_pattern.tolist(), s.pair_cell.tolist(), s.share.tolist(), strict=True):
        if x:
            found.setdefault(patterns[p], {})[s.masking.cells[c]] = x
    return s, found


def test_a_missing_finding_is_shared_as_the_recorded_ones_are() -> None:
    """At each position 20 wet sensors and 10 crimps, all named as found: of position 2 named, two thirds and a third.

    A crimp may be named in other ways, to which the pseudo-faults give a little; no more than that is off.
    """
    known = {make(j): n for make, n in ((wet, 20), (crimp, 10)) for j in (1, 2, 3)}
    missing = replace(BASE, indicated_position=2)
    _, found = shared(known | {missing: 9})
    assert sum(found[missing].values()) == pytest.approx(1)
    off = PSEUDO_FAULTS / 30
    assert found[missing][2, "sensor", "residual_liquid"] == pytest.approx(2 / 3, abs=off)
    assert found[missing][2, "housing_wiring", "bad_crimp"] == pytest.approx(1 / 3, abs=off)


def test_what_was_done_says_which_cause() -> None:
    known = {replace(wet(j), action="sensor_cleaned"): 20 for j in (1, 2, 3)}
    known |= {replace(crimp(j), action="recrimped"): 10 for j in (1, 2, 3)}
    missing = replace(BASE, indicated_position=2, action="recrimped")
    _, found = shared(known | {missing: 9})
    assert found[missing][2, "housing_wiring", "bad_crimp"] > 0.95


def test_a_finding_recorded_in_part_keeps_its_part() -> None:
    known = {make(j): n for make, n in ((wet, 20), (crimp, 10)) for j in (1, 2, 3)}
    cause = replace(BASE, indicated_position=2, cause="bad_crimp")
    place = replace(BASE, place="sensor", position=3)
    _, found = shared(known | {cause: 1, place: 1})
    assert {cell[2] for cell in found[cause]} == {"bad_crimp"}
    assert found[place] == {(3, "sensor", "residual_liquid"): pytest.approx(1)}


def test_too_few_resolved_faults_and_nothing_is_guessed() -> None:
    missing = replace(BASE, indicated_position=2)
    s, found = shared({wet(2): RESOLVED_FAULTS - 1, missing: 5})
    assert not found and not s.shared.any() and len(s.share) > 3, "the cells that the rules allow are there"
    s, found = shared({wet(2): RESOLVED_FAULTS, missing: 5})
    assert found[missing] == {(2, "sensor", "residual_liquid"): pytest.approx(1)}
    other = replace(missing, system="two_wire")
    _, found = shared({wet(2): RESOLVED_FAULTS, other: 5})
    assert other not in found, "of another system there is nothing to go by"


def test_nothing_found_stays_so_and_gets_nothing() -> None:
    nothing = replace(BASE, place="none_found", cause="none_found", indication="all_pass")
    s, found = shared(
        {
            wet(2): 50,
            nothing: 40,
            replace(BASE, indication="all_pass"): 5,
            replace(BASE, indicated_position=2): 5,
        }
    )
    assert not s.masking.missing[1] and nothing not in found
    assert all(cell[2] != "none_found" for cells in found.values() for cell in cells)


def test_billionths_add_up_exactly() -> None:
    draws = np.random.default_rng(3)
    pattern = np.repeat(np.arange(50), 7)
    share = draws.random(350)
    share /= np.bincount(pattern, weights=share)[pattern]
    share[pattern == 4] = 0.0
    sums = np.bincount(pattern, weights=billionths(pattern, share))
    assert sums[4] == 0 and set(np.delete(sums, 4)) == {WHOLE}
    assert np.abs(billionths(pattern, share) / WHOLE - share).max() < 1e-8


def test_how_far_the_missing_ones_must_differ_for_the_order_to_change() -> None:
    """50 found at 1 and 45 at 2, 20 missing shared half and half: 1 falls to 52.5 where its odds are 0.6 of that."""
    known = {wet(1): 50, wet(2): 45, wet(3): 1}
    missing = replace(BASE, indicated_position=1)
    s, _ = shared(known | {missing: 20})
    cells = {c: i for i, c in enumerate(s.masking.cells)}
    half = np.zeros(len(s.share))
    pairs = np.flatnonzero(s.pair_pattern == 3)[:2]
    half[pairs] = 0.5
    s = replace(s, share=half)
    assert cells
    counts = SharedCounts(s, np.array([0, 1]), pairs, np.array([20.0, 20.0]), 3, None)
    now = {1: (60.0, 1000.0), 2: (55.0, 1000.0), 3: (1.0, 1000.0)}
    first, changes = what_turns_the_order(counts, np.array([1, 2]), now)
    assert first == 1 and {c.position: c.times for c in changes} == pytest.approx(
        {1: 1 / 0.6, 2: 1 / 0.6}, rel=2e-3
    )
    safe = what_turns_the_order(counts, np.array([1, 2]), now | {1: (90.0, 1000.0)})
    assert safe == (1, ())


# --- in a store -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small world that forgets more than a third of its findings."""
    folder = tmp_path_factory.mktemp("forgetful")
    world = simulate(small(77, trailers=50, months=30, missing=0.4, two_wire=0.1))
    write(world, folder, gzip=())
    return folder


@pytest.fixture(scope="module")
def store(folder: Path) -> Path:
    return store_of(folder)


@pytest.fixture(scope="module")
def asked(store: Path) -> Iterator[Connection]:
    with opened(store) as con:
        yield con


BYS = (
    "position",
    "cause",
    "place",
    "position,cause",
    "position,place,cause",
    "position,fleet",
    "cause,month",
)


@pytest.mark.parametrize("by", BYS)
def test_rows_add_up_and_keep_their_bounds(asked: Connection, by: str) -> None:
    answer = rates_from(asked, by)
    assert sum(row.faults for row in answer.rows) == pytest.approx(answer.total.faults, abs=1e-6)
    assert sum(round(row.faults * WHOLE) for row in answer.rows) == answer.total.faults * WHOLE
    assert any(row.faults != int(row.faults) for row in answer.rows)
    for row in answer.rows:
        assert row.faults_found == row.faults_least
        assert row.faults_least <= row.faults <= row.faults_most <= answer.total.faults
        if row.per_1000_loads:
            low, high = row.per_1000_loads_low, row.per_1000_loads_high
            assert low is not None and high is not None and low < row.per_1000_loads < high


def test_what_is_left_without_a_position_was_not_found_or_could_not_be_shared(asked: Connection) -> None:
    answer = rates_from(asked, "position")
    nothing = rates_from(asked, "cause")
    left = {r.keys["position"]: r.faults for r in answer.rows}[None]
    none_found = {r.keys["cause"]: r.faults for r in nothing.rows}["none_found"]
    assert answer.shared and answer.shared.shared > 10
    assert left == none_found + answer.shared.missing - answer.shared.shared
    recorded = rows(
        asked, "select count(*) from marts.faults where cause = 'none_found' and counts_as = 'fault'"
    )
    assert none_found == recorded[0][0], "nothing is shared out to visits in which nothing was found"


def test_filters_share_out_alike(asked: Connection) -> None:
    """The estimate is of the whole window, so the parts of any filter add up to the whole."""
    fleets = [f for (f,) in rows(asked, "select distinct fleet from staging.trailers")]
    whole = {r.keys["position"]: r.faults for r in rates_from(asked, "position").rows}
    parts: dict[Any, float] = {}
    for fleet in fleets:
        for row in rates_from(asked, "position", fleet=fleet).rows:
            parts[row.keys["position"]] = parts.get(row.keys["position"], 0.0) + row.faults
    assert parts == pytest.approx(whole, abs=1e-6)


def test_limits_are_wider_than_those_of_whole_counts(asked: Connection) -> None:
    """Sharing out is not knowing: the limits are no narrower than an exact count of as many would have."""
    from repermit.statistics.rates import poisson_limits

    told: list[Rate] = [r for r in rates_from(asked, "position").rows if r.faults > 3 and r.loads]
    assert len(told) > 3
    for row in told:
        low, high = (float(x) for x in poisson_limits(row.faults))
        assert row.loads and row.per_1000_loads_high is not None and row.per_1000_loads_low is not None
        assert row.per_1000_loads_high * row.loads / 1000 >= high - 1e-6
        assert row.per_1000_loads_low * row.loads / 1000 <= low + 1e-6


def test_the_order_of_rows_changes_nothing(folder: Path, asked: Connection, tmp_path: Path) -> None:
    import csv

    draws = np.random.default_rng(5)
    for path in sorted(folder.glob("*.csv")):
        with path.open(newline="", encoding="utf-8") as file:
            records = list(csv.DictReader(file))
        if records:
            write_csv(tmp_path, path.stem, [records[i] for i in draws.permutation(len(records))])
    other = store_of(tmp_path)
    for by in ("position", "position,cause"):
        assert rates_of(other, by).rows == rates_from(asked, by).rows


def test_the_command_says_what_was_shared_out(store: Path, repermit: Any) -> None:
    def run(*more: str) -> Any:
        return repermit("rates", *more, store=store)

    found = run("--by", "position")
    assert "whose finding is not recorded" in found.stderr and "the highest rate" in found.stderr
    about = json.loads(run("--by", "position", "--format", "json").stdout)["about"]
    told = about["shared_out"]
    assert told["sentence"] in found.stderr.replace("\n", " ") and told["first"] in range(1, 13)
    assert 0 < told["shared"] <= told["missing"]
    plain = json.loads(run("--by", "fleet", "--format", "json").stdout)["about"]
    assert "shared_out" not in plain


# --- in worlds whose truth is known -----------------------------------------------------------------------------------


def assert_holds(found: list[dict[str, Any]], *, halved: bool, cover: float) -> None:
    total = {name: np.sum([m[name] for m in found], axis=0) for name in found[0]}
    alone, sharing, _ = total["errors"]
    assert sharing <= (0.5 if halved else 1.0) * alone
    for width in (1, 2):
        hits, of = total[f"cover {width}"]
        assert of > 5 * len(found) and hits / of >= cover
        held, bounds = total[f"bounds {width}"]
        assert held / bounds >= 0.97


def test_forty_worlds() -> None:
    """Position shares nearer the truth than those of findings alone; limits and bounds hold."""
    assert_holds(
        [measured(fault_world(1000 + i, 300, trailers=120)) for i in range(40)], halved=False, cover=0.91
    )


@pytest.mark.slow
@pytest.mark.parametrize(("faults", "halved"), [(200, False), (1000, True)])
def test_a_thousand_worlds(faults: int, halved: bool) -> None:
    assert_holds([measured(fault_world(i, faults)) for i in range(1000)], halved=halved, cover=0.93)
