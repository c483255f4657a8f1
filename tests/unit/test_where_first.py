"""Where to look first: minutes by hand, the order where one thing is behind everything, and the card."""

from __future__ import annotations

import json
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from conftest import Run
from helpers import store_from
from repermit.errors import CallError
from repermit.studies.location.chain import cells
from repermit.studies.location.check_minutes import OF_CAUSE, Minutes, check_minutes, check_of
from repermit.studies.location.where_first import Search, customary_order, where_first
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit.wording import number, percent
from repermit_reports.pages.where_first import card_page, look_sections
from repermit_reports.pages.words import CAUTIONS
from test_fixes import Row, trailer, visit

SENSOR = {"found_place": "sensor", "cause": "sensor_failed", "action": "sensor_replaced"}
TIP = {"found_place": "sensor", "cause": "residual_liquid", "action": "sensor_cleaned"}


def check(repair: str, step: int, name: str, position: int | None, minutes: float) -> Row:
    return {
        "repair_id": repair,
        "step": step,
        "check": name,
        "position": position,
        "result": "pass",
        "minutes": minutes,
    }


def history(n: int = 60) -> tuple[list[Row], list[Row]]:
    """The tester named position 2 every time: of three visits two found a wet tip there, one a crimp."""
    trailers = [trailer(f"T{i}") for i in range(n)]
    visits = []
    for i in range(n):
        found = TIP if i % 3 else {}
        visits.append(visit(f"T{i}", i, 2, indicated_position=2, indication="position", **found))
    return trailers, visits


def test_visits_that_found_nothing_are_credited_to_no_check(tmp_path: Path) -> None:
    trailers, visits = history()
    nothing = {"found_position": None, "found_place": "none_found", "cause": "none_found", "action": "none"}
    visits[0] |= nothing
    (search,) = ask(store_from(tmp_path, {"trailers": trailers, "repairs": visits}), indicated="2")
    assert (search.alike, search.nothing_found, search.findings) == (59, 1, 59)
    assert sum(s.found for s in search.steps) == 59


def timed() -> list[Row]:
    """Tips take 4 min; opening 10, then a look 2 and a pull test 3."""
    rows = []
    for i in range(6):
        rows += [
            check(f"T{i}-{i}", 1, "sensor_tip_clean", 2, 4),
            check(f"T{i}-{i}", 2, "connection_look", 2, 12),
            check(f"T{i}-{i}", 3, "pull_test", 2, 3),
            check(f"T{i}-{i}", 4, "pull_test", 3, 13),
            check(f"T{i}-{i}", 5, "connection_look", 3, 2),
        ]
    return rows


def ask(store: Path, **words: Any) -> list[Search]:
    with opened(store) as con:
        return list(where_first(con, store.name, select(con, end="2025-01-01"), **words).rows)


def test_minutes_by_hand(tmp_path: Path) -> None:
    trailers, visits = history()
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    with opened(store) as con:
        found = check_minutes(con, select(con, end="2025-01-01").window.end)
    assert (found.source, found.records) == ("checks", 30)
    assert found.opening == pytest.approx(10)
    assert found.of == pytest.approx({"sensor_tip_clean": 4, "connection_look": 2, "pull_test": 3})


def test_without_checks_the_labour_of_findings_serves(tmp_path: Path) -> None:
    trailers, visits = history()
    for row in visits:
        row["labour_min"] = 20 if row["cause"] == "residual_liquid" else 50
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits})
    with opened(store) as con:
        found = check_minutes(con, select(con, end="2025-01-01").window.end)
    assert (found.source, found.opening) == ("labour", 0.0)
    assert found.of == pytest.approx({"sensor_tip_clean": 20, "pull_test": 50})
    assert found.take("ground_test") == pytest.approx(35)


def test_nothing_on_record_every_check_lasts_the_same() -> None:
    assert Minutes({}, 0.0, 0, None).take("pull_test") == Minutes({}, 0.0, 0, None).take("ground_test")


@pytest.mark.parametrize("wiring", ["five_wire_rear", "five_wire_front", "two_wire"])
def test_every_cell_of_the_rules_has_its_check(wiring: str) -> None:
    """And each is in the customary order, so that the two orders find the same faults."""
    for n in (1, 2, 5, 8):
        for told in [*range(1, n + 1), "all_pass", "several"]:
            usual = customary_order(n, told)
            assert len(set(usual)) == len(usual)
            missing = {(check_of(cell), cell[0]) for cell in cells(wiring, n, told)} - set(usual)
            assert not missing, (n, told)
    assert {check_of((1, "cable", cause)) for cause in OF_CAUSE} <= set(OF_CAUSE.values())


def test_the_customary_order() -> None:
    usual = customary_order(4, 3)
    assert usual[:6] == [
        ("sensor_tip_clean", 3), ("connection_look", 3), ("pull_test", 3), ("strain_relief_look", 3),
        ("supply_voltage", 3), ("sensor_swap", 3),
    ]  # fmt: skip
    assert usual[6] == ("sensor_tip_clean", 2)
    assert (
        usual.index(("socket_look", 0))
        < usual.index(("ground_test", 0))
        < usual.index(("sensor_tip_clean", 4))
    )
    assert customary_order(4, "ground")[0] == ("ground_test", 0)


def test_what_was_found_most_for_its_minutes_comes_first(tmp_path: Path) -> None:
    trailers, visits = history()
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    (search,) = ask(store, indicated="2")
    assert (search.system, search.positions, search.alike, search.nothing_found) == ("five_wire", 4, 60, 0)
    assert [(s.check, s.position) for s in search.steps[:2]] == [("sensor_tip_clean", 2), ("pull_test", 2)]
    assert search.steps[0].probability == pytest.approx(2 / 3, abs=0.02)
    assert [s.found for s in search.steps[:2]] == [40, 20]
    assert search.steps[1].opens and search.steps[1].minutes == pytest.approx(13)
    assert search.expected is not None and search.customary is not None
    assert search.expected <= search.customary
    assert sum(s.probability for s in search.steps) == pytest.approx(1, abs=0.01)
    # the tip is paid for surely, the opening and the pull test where the tip was not it
    first, second = search.steps[:2]
    assert second.expected_minutes == pytest.approx(4 + (1 - first.probability) * 13, rel=1e-9)
    text = search.sentence()
    assert percent(first.probability) in text and f"{number(search.expected, 2)} minutes" in text


def test_no_order_of_the_listed_checks_is_quicker(tmp_path: Path) -> None:
    """All orders of those listed, openings paid where a housing is first entered."""
    trailers, visits = history()
    for i, row in enumerate(visits):  # more kinds of findings, at both ends of the link
        if i % 6 == 0:
            row |= {"found_position": 1}
        if i % 12 == 3:
            row |= SENSOR
        if i % 12 == 4:
            row |= {"found_place": "cable", "cause": "nicked_conductor", "action": "cable_replaced"}
        if i % 12 == 8:
            row |= {"found_place": "housing_wiring", "cause": "corrosion", "action": "connection_cleaned"}
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    (search,) = ask(store, indicated="2")
    listed = search.steps[:7]
    assert len(listed) >= 4
    opening = 10.0

    def cost(order: tuple[int, ...]) -> float:
        spent, open_at, total = 0.0, set(), 0.0
        for i in order:
            step = listed[i]
            inside = (
                step.check not in ("sensor_tip_clean", "socket_look", "ground_test") and step.position > 0
            )
            spent += step.minutes - (opening if step.opens else 0.0)
            if inside and step.position not in open_at:
                spent += opening
                open_at.add(step.position)
            total += step.probability * spent
        return total

    own = cost(tuple(range(len(listed))))
    assert own <= min(cost(order) for order in permutations(range(len(listed)))) + 1e-9


def test_too_few_findings_give_no_order(tmp_path: Path) -> None:
    store = store_from(
        tmp_path, {"trailers": [trailer()], "repairs": [visit("T1", 0, 2, indicated_position=2)]}
    )
    (search,) = ask(store, indicated="2")
    assert search.steps == () and "too few past findings" in search.sentence()
    assert "1 of five wire trailers say position, place and cause, 30 are needed" in search.sentence()


@pytest.mark.parametrize(("told", "words"), [("7", "no position 7"), ("blue", "does not show")])
def test_what_a_tester_can_not_show(tmp_path: Path, told: str, words: str) -> None:
    store = store_from(tmp_path, {"trailers": [trailer()], "repairs": [visit("T1", 0, 2)]})
    with pytest.raises(CallError, match=words):
        ask(store, indicated=told)


def test_the_card_begins_with_the_cautions(tmp_path: Path, repermit: Run) -> None:
    trailers, visits = history()
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    card = repermit("where-first", "--indicated", "2", store=store).stdout
    assert (
        card.index("suggestion from past records") < card.index("over-full") < card.index("sensor tip clean")
    )
    assert (
        card.index("sensor tip clean") < card.index("Last, always: a full function test")
        and "Customary order" in card
    )
    found = json.loads(repermit("where-first", "--format", "json", store=store).stdout)
    assert found["about"]["minutes"] == {"source": "checks", "records": 30}
    assert {r["indicated_position"] for r in found["rows"]} == {1, 2, 3, 4, None}
    assert [r["rank"] for r in found["rows"] if r["indicated_position"] == 2][:2] == [1, 2]


def test_positions_that_want_the_same_checks_are_one_row_of_the_card(tmp_path: Path) -> None:
    trailers, visits = history()
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    with opened(store) as con:
        found = where_first(con, "s", select(con, end="2025-01-01"), positions=6)
    page = card_page(found)
    (section,) = page.sections
    assert page.cautions == CAUTIONS and section.table is not None
    told = {row[0]: row for row in section.table.rows}
    assert list(told) == ["position 1", "position 2 to 5", "position 6", "all pass, still no permit"]
    assert told["position 2 to 5"][1:3] == (
        "wipe the sensor tip there (67)",
        "pull test the crimps there (33)",
    )
    assert sum(row[-1] for row in told.values()) == sum(s.alike for s in found.rows if s.steps) == 60


def test_a_shop_sees_the_commonest_kind_of_each_system_and_those_with_a_tenth(tmp_path: Path) -> None:
    kinds = [("five_wire", 4)] * 12 + [("five_wire", 5)] * 3 + [("five_wire", 7)] + [("two_wire", 3)] * 4
    trailers = [trailer(f"T{i}", system=s, positions=n) for i, (s, n) in enumerate(kinds)]
    visits = [visit(f"T{i}", i, 2) for i in range(len(kinds))]
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits})
    shop = visits[0]["shop"]
    with opened(store) as con:
        found = where_first(con, "s", select(con, end="2025-01-01", shop=shop))
    assert found.shop == shop
    assert [(system, n) for system, n, _ in found.kinds()] == [
        ("five_wire", 4),
        ("two_wire", 3),
        ("five_wire", 5),
    ]
    assert look_sections(found)[-1].id == "look-thin"  # nothing is known of these: said, not guessed


def test_the_card_is_written_by_the_command(repermit: Run, tmp_path: Path) -> None:
    trailers, visits = history()
    store = store_from(tmp_path, {"trailers": trailers, "repairs": visits, "checks": timed()})
    out = tmp_path / "card.html"
    done = repermit("where-first", "--to", "2025-01-01", "--out", out, store=store)
    assert done.exit_code == 0 and done.stdout.strip() == str(out)
    assert "full function test" in out.read_text()
