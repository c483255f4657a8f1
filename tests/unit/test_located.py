"""Found against indicated: rows by hand, agreement, and a shop that repeats the tester among shops that look."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from helpers import store_from
from repermit.studies.location.located import Located, located
from repermit.studies.selection import select
from repermit.warehouse import opened

Rows = list[dict[str, Any]]


def records(repairs: Rows, system: str = "five_wire") -> dict[str, Rows]:
    """Each repair of a trailer of its own with five positions, fed from the rear."""
    made: dict[str, Rows] = {"trailers": [], "repairs": []}
    for i, repair in enumerate(repairs):
        name = f"T{i:03d}"
        made["trailers"].append(
            {"trailer_id": name, "positions": 5, "system": system, "in_service_on": "2020-01-01"}
        )
        at = {"received_at": "2024-03-05T08:00Z", "returned_at": "2024-03-05T12:00Z"}
        made["repairs"].append({"repair_id": f"R{i:03d}", "trailer_id": name, **at, **repair})
    return made


def repair(
    shop: str,
    indicated: int | None,
    position: int | None,
    place: str = "housing_wiring",
    cause: str = "corrosion",
) -> dict[str, Any]:
    return {"shop": shop, "indicated_position": indicated, "indication": "position" if indicated else "all_pass",
            "found_position": position, "found_place": place, "cause": cause}  # fmt: skip


def ask(store: Path, **words: Any) -> Located:
    with opened(store) as con:
        return located(con, store.name, select(con, first="2024-01-01", end="2025-01-01", **words))


@pytest.fixture(scope="module")
def habit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Position 1 named sixty times at three shops: two find it at 1 in a third of them, the third every time."""
    repairs: Rows = []
    for shop, at_one in (("looks", 7), ("seeks", 6), ("copies", 20)):
        repairs += [repair(shop, 1, 1 if i < at_one else 3 + i % 3) for i in range(20)]
        repairs += [repair(shop, 4, 4, "sensor", "residual_liquid") for _ in range(5)]
    repairs += [
        repair("looks", 2, None, "none_found", "none_found"),
        repair("looks", None, 2),
        repair("new", 1, 1),
    ]
    repairs.append({"shop": "looks", "indicated_position": 2, "indication": "position", "cause": "corrosion"})
    return store_from(tmp_path_factory.mktemp("located"), records(repairs))


def test_rows_by_hand(habit: Path) -> None:
    found = ask(habit)
    cells = {(r.system, r.indicated_position, r.found_position, r.found_place): r.repairs for r in found.rows}
    assert cells["five_wire", 1, 1, "housing_wiring"] == 34
    assert cells["five_wire", 4, 4, "sensor"] == 15
    assert cells["five_wire", 2, None, "none_found"] == 1
    assert sum(cells.values()) == 77 and (found.not_indicated, found.not_recorded) == (1, 1)
    for indicated in (1, 2, 4):
        assert sum(r.share for r in found.rows if r.indicated_position == indicated) == pytest.approx(1)
    assert all(r.share_low <= r.share <= r.share_high for r in found.rows)


def test_agreement_by_hand(habit: Path) -> None:
    """Of 76 findings 34 + 15 agree; by chance 61/76 * 34/76 + 15/76 * (15 + those found at 4)/76."""
    found = ask(habit)
    everyone = next(a for a in found.agreement if a.key == "all")
    at = Counter[int | None]()
    for r in found.rows:
        at[r.found_position] += r.repairs
    chance = (61 * at[1] + 15 * at[4]) / 76**2
    assert (everyone.repairs, everyone.agreed) == (76, 49)
    assert everyone.kappa == pytest.approx((49 / 76 - chance) / (1 - chance))
    assert [a.name for a in found.agreement if a.key == "system"] == ["five_wire"]


def test_a_habit_is_told_from_a_finding(habit: Path) -> None:
    shops = {a.name: a for a in ask(habit).agreement if a.key == "shop"}
    assert {name: a.habit for name, a in shops.items()} == {
        "copies": "repeats", "looks": "not_shown", "seeks": "not_shown", "new": "too_few",
    }  # fmt: skip
    copies = shops["copies"]
    # Position 4: every shop finds all of it there, so it tells nothing of this one.
    assert (copies.open, copies.repeats) == (25, 25)
    assert copies.expected == pytest.approx(5 + 20 * 34 / 61)
    assert "very strong evidence" in copies.sentence() and "too few to tell" in shops["new"].sentence()


def test_of_many_shops_those_that_repeat_are_told_and_the_others_counted(habit: Path) -> None:
    found = ask(habit)
    assert [text.split(":")[0] for text in found.sentences()] == ["All", "copies", "looks", "new", "seeks"]
    shop = {a.name: a for a in found.agreement}
    more = [replace(shop["new"], name=f"new {n}") for n in range(3)]
    many = replace(found, agreement=(*found.agreement, *more)).sentences()
    assert [text.split(":")[0] for text in many] == [
        "All",
        "Whether 7 shops look or repeat the tester",
        "copies",
    ]
    assert many[1].endswith(
        ": of 1 there is evidence that they repeat it, of 2 no such habit is shown, of 4 there are too few findings to tell."
    )


def test_one_shop_is_held_against_the_others(habit: Path) -> None:
    alone = ask(habit, shop="copies")
    assert sum(r.repairs for r in alone.rows) == 25
    (shop,) = [a for a in alone.agreement if a.key == "shop"]
    assert shop == next(a for a in ask(habit).agreement if a.name == "copies")


def test_command(habit: Path, repermit: Any) -> None:
    window = ("--from", "2024-01-01", "--to", "2025-01-01")
    answer = json.loads(repermit("located", *window, "--format", "json", store=habit).stdout)
    assert set(answer["rows"][0]) == {"system", "indicated_position", "found_position", "found_place", "repairs", "share", "share_low", "share_high"}  # fmt: skip
    assert {a["habit"] for a in answer["about"]["agreement"]} == {None, "repeats", "not_shown", "too_few"}
    shown = repermit("located", *window, store=habit)
    assert shown.exit_code == 0 and "copies" in shown.stdout and "habit and not a finding" in shown.stderr


def test_nothing_on_record(tmp_path: Path) -> None:
    found = ask(store_from(tmp_path, records([repair("looks", None, 2)])))
    assert found.rows == () and found.not_indicated == 1
    assert [a.kappa for a in found.agreement] == [None]
