"""Do fixes hold: small stores counted by hand, and slow loops over the same visits as rows, beside the study."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from, write_csv
from repermit.errors import CallError
from repermit.studies.repairs.against import NOBODY
from repermit.studies.repairs.fixes import KEYS, Fix, Fixes, Horizon, fixes, parse_by
from repermit.studies.selection import select
from repermit.warehouse import opened

Row = dict[str, Any]
START = datetime(2024, 1, 1)
WINDOW = {"first": "2024-01-01", "end": "2025-01-01"}
OPEN_H, SHUT_H = 8, 16
"""Hours of the day at which every visit here begins and ends."""


def trailer(name: str = "T1", positions: int = 4, **more: Any) -> Row:
    base = {"trailer_id": name, "fleet": "Red", "system": "five_wire", "sensor_kind": "optic"}
    return base | {"positions": positions, "home_shop": "East", "in_service_on": "2024-01-01"} | more


def visit(name: str, day: int, position: int | None, shop: str = "West", **more: Any) -> Row:
    """A visit on day number `day` after a non-permit, at a crimp of this position unless `more` says otherwise."""
    at = [(START + timedelta(days=day, hours=h)).isoformat() + "Z" for h in (OPEN_H, SHUT_H)]
    base = {"repair_id": f"{name}-{day}", "trailer_id": name, "shop": shop, "visit_kind": "non_permit"}
    found = {"found_position": position, "found_place": "housing_wiring", "cause": "bad_crimp"}
    return base | {"received_at": at[0], "returned_at": at[1]} | found | {"action": "recrimped"} | more


NOTHING = {"found_place": "none_found", "cause": "none_found", "action": "none"}
SOCKET = {"found_place": "socket", "cause": "contact_wear", "action": "socket_replaced"}
SENSOR = {"found_place": "sensor", "cause": "sensor_failed", "action": "sensor_replaced"}
WATER = {"found_place": "sensor", "cause": "liquid_present", "action": "none"}
RACK = {"found_place": "rack", "cause": "rack_equipment", "action": "none"}


def ask(store: Path, by: str = "shop", **words: Any) -> Fixes:
    with opened(store) as con:
        return fixes(con, store.name, select(con, **(WINDOW | words)), by)


def of_east(
    folder: Path, *repairs: Row, trailers: list[Row] | None = None, **tables: list[Row]
) -> Fix | None:
    """The row of shop East, at which only the fix asked about was made; the rest was at West."""
    records = {"trailers": trailers or [trailer()], "repairs": list(repairs), **tables}
    found = ask(store_from(folder, records))
    return next((row for row in found.rows if row.key == "East"), None)


def within(fix: Fix | None, days: int) -> Horizon:
    assert fix is not None
    return next(h for h in fix.horizons if h.days == days)


def back(fix: Fix | None, days: int = 90) -> tuple[float, int, int]:
    h = within(fix, days)
    return h.back, h.back_least, h.back_most


# --- what counts as a comeback ----------------------------------------------------------------------------


def test_a_fault_at_the_same_position_is_a_comeback(tmp_path: Path) -> None:
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, 2))
    assert fix is not None and (fix.fixes, fix.placed, fix.trailers) == (1, 1, 1)
    assert [back(fix, days) for days in (30, 90, 180)] == [(0, 0, 0), (1, 1, 1), (1, 1, 1)]
    assert (within(fix, 90).risk, within(fix, 90).any_fault) == (1, 1)


def test_a_comeback_after_ninety_days_is_none_within_ninety(tmp_path: Path) -> None:
    """From the return at 16:00 of day 0 to 08:00 of day 91 it is 90 days and 16 hours."""
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 91, 2))
    assert (back(fix, 90), back(fix, 180)) == ((0, 0, 0), (1, 1, 1))
    assert (within(fix, 90).risk, within(fix, 90).any_fault, within(fix, 180).risk) == (0, 0, 1)


def test_a_fault_elsewhere_competes(tmp_path: Path) -> None:
    """The fault at position 3 comes first, so the later one at position 2 is no comeback of the first fix."""
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 30, 3), visit("T1", 60, 2))
    assert back(fix) == (0, 0, 0)
    assert (within(fix, 90).risk, within(fix, 90).any_fault) == (0, 1)


@pytest.mark.parametrize(("next_position", "expected"), [(0, 1), (1, 0)])
def test_position_0_is_a_known_place(tmp_path: Path, next_position: int, expected: int) -> None:
    then = visit("T1", 50, next_position, **(SOCKET if next_position == 0 else {}))
    fix = of_east(tmp_path, visit("T1", 0, 0, "East", **SOCKET), then)
    assert fix is not None and fix.placed == 1
    assert (*back(fix), within(fix, 90).risk) == (expected, expected, expected, expected)


def test_an_unknown_position_counts_as_likely_as_any_where_nothing_is_known(tmp_path: Path) -> None:
    """Four positions and the trailer's own level: one in five."""
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, None))
    assert back(fix) == pytest.approx((1 / 5, 0, 1), rel=1e-12)
    assert within(fix, 90).risk == pytest.approx(1 / 5)
    assert within(fix, 90).any_fault == 1


def test_an_unknown_position_leans_on_recorded_successors(tmp_path: Path) -> None:
    """Two recorded successors after the same gap and action, both at the position: from 1/5 through three cells."""
    told = [visit(name, day, 1) for name in ("T2", "T3") for day in (0, 50)]
    fix = of_east(
        tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, None), *told,
        trailers=[trailer(f"T{n}") for n in (1, 2, 3)],
    )  # fmt: skip
    p = 1 / 5
    for _ in range(3):
        p = (2 + 3 * p) / (2 + 3)
    assert back(fix) == pytest.approx((p, 0, 1), rel=1e-12)


def test_a_next_visit_in_which_nothing_was_found_counts_as_elsewhere(tmp_path: Path) -> None:
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, None, **NOTHING))
    assert back(fix) == (0, 0, 0)
    assert (within(fix, 90).risk, within(fix, 90).any_fault) == (0, 1)


@pytest.mark.parametrize("what", [{}, NOTHING], ids=["not recorded", "nothing found"])
def test_a_fix_without_a_position_has_a_risk_of_any_fault_only(tmp_path: Path, what: Row) -> None:
    fix = of_east(tmp_path, visit("T1", 0, None, "East", **what), visit("T1", 50, 2))
    assert fix is not None and (fix.fixes, fix.placed) == (1, 0)
    assert fix.expected_background_90d is None
    assert (back(fix), within(fix, 90).risk, within(fix, 90).any_fault) == ((0, 0, 0), None, 1)


# --- what ends the follow-up ------------------------------------------------------------------------------


@pytest.mark.parametrize(("position", "expected"), [(2, 0), (3, 1)])
def test_a_planned_replacement_at_the_position_ends_the_follow_up(
    tmp_path: Path, position: int, expected: int
) -> None:
    """At another position it does not: the fault on day 50 is then a comeback."""
    planned = visit("T1", 40, position, **SENSOR, visit_kind="planned")
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), planned, visit("T1", 50, 2))
    assert back(fix) == (expected, expected, expected)
    assert within(fix, 30).any_fault == 0


@pytest.mark.parametrize(("sold", "expected"), [("2024-02-10", 0), ("2024-03-10", 1)])
def test_leaving_service_ends_the_follow_up(tmp_path: Path, sold: str, expected: int) -> None:
    """Sold on day 40, the fault of day 50 is the next owner's; sold on day 69, it is still a comeback."""
    spells = [trailer(out_of_service_on=sold), trailer(in_service_on=sold, fleet="Blue")]
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, 2), trailers=spells)
    assert back(fix) == (expected, expected, expected)


def test_a_trailer_that_left_is_no_longer_at_risk(tmp_path: Path) -> None:
    """T1 leaves on day 40; T2, alone in view on day 50, comes back: 1 of 1, not 1 of 2."""
    trailers = [trailer("T1", out_of_service_on="2024-02-10"), trailer("T2")]
    repairs = [visit("T1", 0, 2, "East"), visit("T2", 0, 2, "East"), visit("T2", 50, 2)]
    fix = of_east(tmp_path, *repairs, trailers=trailers)
    assert back(fix) == (1, 1, 1)
    assert within(fix, 90).risk == pytest.approx(1, rel=1e-12)


def test_the_end_of_the_window_ends_the_follow_up(tmp_path: Path) -> None:
    """What happens from `end` on is not used."""
    records = [visit("T1", 0, 2, "East"), visit("T1", 50, 2)]
    store = store_from(tmp_path, {"trailers": [trailer()], "repairs": records})
    assert [back(ask(store, end=end).total) for end in ("2024-02-20", "2024-02-21")] == [(0, 0, 0), (1, 1, 1)]


# --- what is a fix ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", [RACK, WATER], ids=["rack", "real liquid"])
def test_a_visit_for_the_rack_or_real_liquid_is_no_fix(tmp_path: Path, what: Row) -> None:
    position = 2 if what is WATER else None
    first = visit("T1", 0, position, "East", **what)
    assert of_east(tmp_path, first, visit("T1", 50, 2)) is None


@pytest.mark.parametrize("what", [RACK, WATER], ids=["rack", "real liquid"])
def test_a_visit_for_the_rack_or_real_liquid_is_no_next_fault(tmp_path: Path, what: Row) -> None:
    then = visit("T1", 30, 2 if what is WATER else None, **what)
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), then, visit("T1", 50, 2))
    assert (back(fix, 30), within(fix, 30).any_fault, back(fix, 90)) == ((0, 0, 0), 0, (1, 1, 1))


def test_further_visits_of_one_fault_are_one_fix(tmp_path: Path) -> None:
    """The last with the permit restored gives the finding: position 3, where the fault of day 50 is."""
    refusal = {"refusal_id": "R1", "trailer_id": "T1", "refused_at": "2024-01-01T06:00Z", "terminal": "North"}
    repairs = [
        visit("T1", 0, 2, "East", refusal_id="R1", permit_restored="no"),
        visit("T1", 2, 3, "East", refusal_id="R1", permit_restored="yes"),
        visit("T1", 50, 3),
    ]
    fix = of_east(tmp_path, *repairs, refusals=[refusal | {"lane": "1", "reason": "overfill"}])
    assert fix is not None and fix.fixes == 1
    assert back(fix) == (1, 1, 1)


def test_a_store_without_repairs_has_no_rows(tmp_path: Path) -> None:
    found = ask(store_from(tmp_path, {"trailers": [trailer()]}))
    assert (found.rows, found.total.fixes, found.total.against) == ((), 0, None)
    assert {(h.back, h.risk, h.any_fault) for h in found.total.horizons} == {(0, None, None)}


def test_another_key_is_refused() -> None:
    with pytest.raises(CallError, match="mechanic"):
        parse_by("mechanic")


# --- a pool of visits beside slow loops -------------------------------------------------------------------

LENGTHS, SHOPS = (4, 5), ("East", "West", "South")


def pool() -> tuple[list[Row], list[Row], list[Row]]:
    """Trailers, visits in the first half year (so that each is followed for 180 days) and the refusals of some."""
    draw = random.Random(20)
    trailers, visits, refusals = [], [], []
    for n in range(24):
        name, positions = f"T{n}", LENGTHS[n % 2]
        fleet, system = ("Red", "Blue")[n % 3 > 0], ("five_wire", "two_wire")[n % 4 == 0]
        trailers.append(trailer(name, positions, fleet=fleet, system=system))
        day = draw.randrange(1, 60)
        while day < 180:
            what = draw.choice([{}, {}, SENSOR, SOCKET, NOTHING])
            position = {id(SOCKET): 0, id(NOTHING): None}.get(id(what), draw.randint(1, positions))
            row = visit(name, day, position, draw.choice(SHOPS), **what)
            if what == SENSOR:
                row["part_lot"] = f"L{day % 2}"
            if what == {}:
                row["method"] = draw.choice(["hand_tool", "ratchet_tool"])
            if draw.random() < 0.5:
                row["refusal_id"] = f"R-{name}-{day}"
                at = (START + timedelta(days=day, hours=OPEN_H - 2)).isoformat() + "Z"
                base = {"refusal_id": row["refusal_id"], "trailer_id": name, "refused_at": at}
                where = {"terminal": draw.choice(["North", "Far"]), "lane": "1", "reason": "overfill"}
                refusals.append(base | where)
            visits.append(row)
            day += draw.choice([10, 25, 60, 100])
    return trailers, visits, refusals


@pytest.fixture(scope="module")
def pooled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    trailers, visits, refusals = pool()
    tables = {"trailers": trailers, "repairs": visits, "refusals": refusals}
    return store_from(tmp_path_factory.mktemp("pool"), tables)


def slow(trailers: list[Row], visits: list[Row], refusals: list[Row]) -> list[Row]:
    """Each visit with the days to the next fault (None: none came), whether it came back, and its stratum."""
    about = {row["trailer_id"]: row for row in trailers}
    refused = {row["refusal_id"]: row for row in refusals}
    told = []
    for row in visits:
        after = [
            v
            for v in visits
            if v["trailer_id"] == row["trailer_id"] and v["received_at"] > row["received_at"]
        ]
        then = min(after, key=lambda v: v["received_at"], default=None)
        days, same = None, False
        if then:
            began = refused[then["refusal_id"]]["refused_at"] if "refusal_id" in then else then["received_at"]
            gap = datetime.fromisoformat(began) - datetime.fromisoformat(row["returned_at"])
            days = gap.total_seconds() / 86_400
            same = row["found_position"] is not None and then["found_position"] == row["found_position"]
        refusal = refused.get(row.get("refusal_id", ""), {})
        of = about[row["trailer_id"]]
        kind = (of["system"], of["positions"], refusal.get("reason"))
        terminal = refusal.get("terminal")
        told.append(row | {"days": days, "same": same, "kind": kind, "of": of, "terminal": terminal})
    return told


@pytest.mark.parametrize("by", KEYS)
def test_rows_add_up_to_the_total(pooled: Path, by: str) -> None:
    found, visits = ask(pooled, by), pool()[1]
    assert len(found.rows) > 2
    assert (found.total.fixes, found.total.placed) == (
        len(visits), sum(v["found_position"] is not None for v in visits)
    )  # fmt: skip
    for of in (lambda f: f.fixes, lambda f: f.placed, lambda f: back(f, 90)[0], lambda f: back(f, 90)[2]):
        assert sum(of(row) for row in found.rows) == pytest.approx(of(found.total), rel=1e-12)
    expected = sum(row.expected_background_90d or 0 for row in found.rows)
    assert expected == pytest.approx(found.total.expected_background_90d, rel=1e-12)


@pytest.mark.parametrize("days", [30, 90, 180])
def test_the_risk_is_the_share_where_all_are_followed(pooled: Path, days: int) -> None:
    """k of n: nobody leaves, and the window ends more than 180 days after the last return."""
    everything = slow(*pool())
    for fix in (*ask(pooled, "shop").rows, ask(pooled).total):
        mine = [v for v in everything if fix.key in (v["shop"], "all")]
        placed = [v for v in mine if v["found_position"] is not None]
        soon = [v for v in mine if v["days"] is not None and v["days"] <= days]
        k = sum(v["same"] for v in soon)
        h = within(fix, days)
        assert (h.back, h.back_least, h.back_most) == (k, k, k)
        assert h.risk == pytest.approx(k / len(placed), rel=1e-9)
        assert h.any_fault == pytest.approx(len(soon) / len(mine), rel=1e-9)
        for low, value, high in (
            (h.risk_low, h.risk, h.risk_high), (h.any_fault_low, h.any_fault, h.any_fault_high)
        ):  # fmt: skip
            assert low is not None and value is not None and high is not None
            assert 0 <= low <= value <= high <= 1 and low < high


@pytest.mark.parametrize(
    ("name", "value"), [("fleet", "Red"), ("system", "two_wire"), ("terminal", "Far"), ("shop", "South")]
)
def test_a_filter_keeps_its_own(pooled: Path, name: str, value: str) -> None:
    everything = slow(*pool())
    mine = [v for v in everything if (v["of"].get(name) if name in ("fleet", "system") else v[name]) == value]
    total = ask(pooled, "action", **{name: value}).total
    assert 0 < total.fixes == len(mine) < len(everything)
    assert within(total, 90).back == sum(v["same"] for v in mine if v["days"] is not None and v["days"] <= 90)


# --- what is expected -------------------------------------------------------------------------------------


def hazard(times: list[tuple[float, bool]], until: float) -> float:
    """Nelson-Aalen by a loop: at each event one over those still in view."""
    return sum(
        1 / sum(other >= time for other, _ in times) for time, event in times if event and time <= until
    )


@pytest.mark.parametrize("shop", SHOPS)
def test_against_the_other_shops_beside_a_slow_loop(
    pooled: Path, shop: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Expected: the others' hazard within 90 days at each fix's own follow-up, kind by kind, none joined."""
    monkeypatch.setattr("repermit.studies.repairs.against.LEAST_ALIKE", 1)
    placed = [v for v in slow(*pool()) if v["found_position"] is not None]
    cut = [(v, min(v["days"] or 90.0, 90.0), v["same"] and v["days"] <= 90) for v in placed]
    expected, observed, compared = 0.0, 0, 0
    for kind in {v["kind"] for v in placed}:
        ours = [(t, e) for v, t, e in cut if v["kind"] == kind and v["shop"] == shop]
        theirs = [(t, e) for v, t, e in cut if v["kind"] == kind and v["shop"] != shop]
        if ours and theirs:
            compared += len(ours)
            observed += sum(e for t, e in ours if t <= max(other for other, _ in theirs))
            expected += sum(hazard(theirs, t) for t, _ in ours)
    assert observed
    fix = next(row for row in ask(pooled).rows if row.key == shop)
    a = fix.against
    assert a is not None and (a.compared, a.back) == (compared, observed)
    assert a.expected == pytest.approx(expected, rel=1e-9)
    assert a.ratio == pytest.approx(observed / expected, rel=1e-9)
    assert a.low is not None and a.high is not None and 0 < a.low < a.ratio < a.high


def test_two_shops_by_hand(tmp_path: Path) -> None:
    """West: one comeback of four, so 1/4 is expected of each of East's two; the five-position fix has no like at West."""
    trailers = [trailer(f"T{n}") for n in range(1, 7)] + [trailer("T7", 5)]
    east = [
        visit("T1", 0, 2, "East"),
        visit("T1", 80, 2, "East"),
        visit("T2", 0, 2, "East"),
        visit("T7", 0, 1, "East"),
    ]
    west = [visit("T3", 0, 2), visit("T3", 40, 2), visit("T4", 0, 2), visit("T5", 0, 2)]
    store = store_from(tmp_path, {"trailers": trailers, "repairs": east + west})
    fix = next(row for row in ask(store).rows if row.key == "East")
    a = fix.against
    assert a is not None and (fix.fixes, a.compared, a.back) == (4, 3, 1)
    assert a.expected == pytest.approx(3 / 4, rel=1e-12)
    assert a.ratio == pytest.approx(4 / 3, rel=1e-12)


def test_a_shop_alone_is_held_against_nobody(tmp_path: Path) -> None:
    fix = of_east(tmp_path, visit("T1", 0, 2, "East"), visit("T1", 50, 2, "East"))
    assert fix is not None and fix.against == NOBODY


def test_the_background_by_hand(tmp_path: Path) -> None:
    """Two trailers of 366 days less their 8-hour visits; only T2 has a position 5; one fault has no position.

    Position 2 has two faults and position 5 one; of four faults that are not *nothing found* three have a
    position, so each stands for 4/3. The fix of day 0 was followed by a fault after 49 days and 16 hours, the
    others of a position for 90 days or until the next fault.
    """
    write_csv(tmp_path, "trailers", [trailer("T1", 4), trailer("T2", 5)])
    repairs = [
        visit("T1", 0, 2), visit("T1", 50, 2), visit("T1", 200, None), visit("T1", 300, None, **NOTHING),
        visit("T2", 10, 5),
    ]  # fmt: skip
    store = store_from(tmp_path, {"repairs": repairs})
    visit_days = (SHUT_H - OPEN_H) / 24
    t1, t2 = 366 - 4 * visit_days, 366 - visit_days
    at_2, at_5 = 2 * (4 / 3) / (t1 + t2), 1 * (4 / 3) / t2
    expected = at_2 * (50 - visit_days) + at_2 * 90 + at_5 * 90
    assert ask(store).total.expected_background_90d == pytest.approx(expected, rel=1e-9)


def test_days_before_the_records_are_no_background(tmp_path: Path) -> None:
    """In service for eight years before the first day on record, a trailer was not seen to be free of faults."""
    expected = []
    for since in ("2016-01-01", "2024-01-01"):
        repairs = [visit("T1", 0, 2), visit("T1", 200, 3)]
        tables = {"trailers": [trailer(in_service_on=since)], "repairs": repairs}
        expected.append(ask(store_from(tmp_path / since, tables)).total.expected_background_90d)
    assert expected[0] == pytest.approx(expected[1], rel=1e-12)
    assert expected[0] == pytest.approx(2 * 90 / (366 - 2 / 3), rel=1e-9)
