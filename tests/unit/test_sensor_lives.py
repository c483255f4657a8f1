"""The mart of sensor lives: a slow walk through each position's history beside it, and small cases by hand."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from helpers import query, store_from

Row = dict[str, Any]
START = datetime(2022, 1, 1)


def day(number: int) -> str:
    return (START + timedelta(days=number)).date().isoformat()


def moment(number: int, hour: int = 12) -> str:
    return (START + timedelta(days=number, hours=hour)).isoformat() + "Z"


def made(draws: random.Random, name: str) -> dict[str, list[Row]]:
    """One trailer: spells with and without gaps, replacements on few days so that many meet, some without a place."""
    positions = draws.choice((1, 2, 3, 4))
    first = draws.choice((0, 0, 40))
    cuts = sorted(draws.sample(range(60, 360, 20), draws.choice((0, 1, 1, 2))))
    records = draws.choice((None, first, first, first + 30, -50))
    spells, since = [], first
    for cut in [*cuts, None]:
        spells.append(
            {
                "trailer_id": name,
                "fleet": draws.choice(("Red", "Blue")),
                "positions": positions,
                "in_service_on": day(since),
                "out_of_service_on": None if cut is None else day(cut),
                "records_from": None if records is None else day(records),
            }
        )
        since = (cut or 0) + draws.choice((0, 0, 10))
    repairs: list[Row] = []
    serials: list[str] = []
    for number in range(draws.randrange(0, 7)):
        at = draws.choice((45, 70, 100, 101, 150, 200, 260, 300, 330))
        place = draws.choice((None, *range(1, positions + 1)))
        serial = f"{name}-s{number}"
        repairs.append(
            {
                "repair_id": f"{name}-{number}",
                "trailer_id": name,
                "visit_kind": draws.choice(("non_permit", "non_permit", "planned", "inspection")),
                "received_at": draws.choice((day(at), moment(at))),
                "returned_at": moment(at + draws.choice((1, 1, 3)), 15),
                "found_position": place,
                "cause": draws.choice(("sensor_failed", "sensor_failed", None, "residual_liquid")),
                "action": draws.choice(
                    ("sensor_replaced", "sensor_replaced", "sensor_replaced", "sensor_cleaned", None)
                ),
                "sensor_in": draws.choice((serial, None)),
                "sensor_out": draws.choice((*serials, None)),
                "part_lot": draws.choice(("A", "B", None)),
            }
        )
        serials.append(serial)
    spans = [(s["in_service_on"], s["out_of_service_on"] or "9999") for s in spells]
    repairs = [r for r in repairs if any(a <= r["received_at"][:10] < b for a, b in spans)]
    return {"trailers": spells, "repairs": repairs}


def when(text: str) -> datetime:
    return datetime.fromisoformat(text.removesuffix("Z"))


def walk(
    trailer: dict[str, list[Row]], coverage: datetime, began: dict[str, datetime]
) -> list[tuple[Any, ...]]:
    """Lives of one trailer, position by position, event by event."""
    spells = sorted(trailer["trailers"], key=lambda s: s["in_service_on"])
    recorded = [
        max(when(s["in_service_on"]), coverage if s["records_from"] is None else when(s["records_from"]))
        for s in spells
    ]
    chain = [0]
    for a, b in pairwise(spells):
        unbroken = a["out_of_service_on"] == b["in_service_on"] and (
            b["records_from"] is None or b["records_from"] <= b["in_service_on"]
        )
        chain.append(chain[-1] + (not unbroken))
    placed: dict[str, int] = {}
    for r in trailer["repairs"]:  # by serial: what went in there came out there
        if r["found_position"] is not None:
            for serial in (r["sensor_in"], r["sensor_out"]):
                if serial:
                    placed.setdefault(
                        serial + ("<" if serial == r["sensor_in"] else ">"), r["found_position"]
                    )
                    key = serial + ("<" if serial == r["sensor_in"] else ">")
                    placed[key] = min(placed[key], r["found_position"])
    events = []
    for r in trailer["repairs"]:
        swapped = (
            r["action"] == "sensor_replaced"
            or r["sensor_in"]
            or (r["cause"] == "sensor_failed" and not r["action"])
        )
        at = when(r["received_at"])
        spell = next(
            i for i, s in enumerate(spells)
            if when(s["in_service_on"]) <= at and (not s["out_of_service_on"] or at < when(s["out_of_service_on"]))
        )  # fmt: skip
        if not swapped or at < recorded[spell]:
            continue
        place = r["found_position"]
        if place is None and spells[0]["positions"] == 1:
            place = 1
        if place is None and r["sensor_out"]:
            place = placed.get(r["sensor_out"] + "<")
        if place is None and r["sensor_in"]:
            place = placed.get(r["sensor_in"] + ">")
        kind = "replaced"
        if r["cause"] == "sensor_failed":
            kind = "failed"
        elif r["cause"] is None and r["visit_kind"] == "non_permit":
            kind = "cause_missing"
        out = min(at, began.get(r["repair_id"], at)) if kind != "replaced" else at
        events.append(
            (at, r["repair_id"], place, kind, out, when(r["returned_at"]), chain[spell], r["part_lot"])
        )
    events.sort(key=lambda e: (e[0], e[1]))
    found: list[tuple[Any, ...]] = []
    new = spells[0]["records_from"] is not None and spells[0]["records_from"] <= spells[0]["in_service_on"]
    for position in range(1, spells[0]["positions"] + 1):
        here: Any = (None, when(spells[0]["in_service_on"]), new, recorded[0], chain[0], None)
        for at_, name, place, kind, out, back, link, lot in [e for e in events if e[2] in (None, position)]:
            del at_
            if here is not None:
                among = 1 if place == position else spells[0]["positions"]
                found += cut(
                    here, (out, kind, among, name) if link == here[4] else None, spells, chain, position
                )
            here = (name, back, True, back, link, lot) if place == position else None
        if here is not None:
            found += cut(here, None, spells, chain, position)
    return found


def cut(here: Any, end: Any, spells: list[Row], chain: list[int], position: int) -> list[tuple[Any, ...]]:
    """One life as a row a spell."""
    name, fitted, known, observed, link, lot = here
    out = None if end is None else max(end[0], observed)
    rows = []
    for spell, mine in zip(spells, chain, strict=True):
        begins = when(spell["in_service_on"])
        stops = when(spell["out_of_service_on"]) if spell["out_of_service_on"] else None
        if mine != link or (stops and stops <= observed) or (out and begins >= out and begins > observed):
            continue
        ended = out is not None and (stops is None or out < stops)
        rows.append(
            (
                spell["trailer_id"], position, name, fitted, known, max(observed, begins),
                out if ended else stops, end[1] if ended else ("left" if stops else None),
                end[2] if ended else None, end[3] if ended else None, lot, spell["fleet"],
            )
        )  # fmt: skip
    return rows


COLUMNS = "trailer_id, position, fitted_by, fitted_at, birth_known, entered_at, ended_at, ending, one_of, taken_out_by, part_lot, fleet"


def test_the_mart_is_the_walk(tmp_path: Path) -> None:
    draws = random.Random(8)
    trailers = {f"T{i}": made(draws, f"T{i}") for i in range(1500)}
    tables = {t: [row for one in trailers.values() for row in one[t]] for t in ("trailers", "repairs")}
    store = store_from(tmp_path, tables)
    coverage = min(when(r["received_at"][:10]) for r in tables["repairs"])
    began = dict(
        query(store, "select part_id, min(started_at) from marts.episode_parts join marts.episodes using (episode_id)"
                     " where part = 'visit' group by 1")
    )  # fmt: skip
    expected = sorted((row for one in trailers.values() for row in walk(one, coverage, began)), key=str)
    found = sorted(query(store, f"select {COLUMNS} from marts.sensor_lives"), key=str)
    assert len(found) > 4000 and {row[7] for row in found} == {
        "failed",
        "cause_missing",
        "replaced",
        "left",
        None,
    }
    wrong = sorted(set(expected) ^ set(found), key=str)
    assert not wrong, wrong[:6]


def trailer(**more: Any) -> Row:
    return {
        "trailer_id": "T",
        "fleet": "Red",
        "positions": 3,
        "in_service_on": "2022-01-01",
        "records_from": "2022-01-01",
    } | more


def swap(name: str, on: int, position: int | None, **more: Any) -> Row:
    base = {"repair_id": name, "trailer_id": "T", "received_at": moment(on), "returned_at": moment(on, 14)}
    return base | {"found_position": position, "cause": "sensor_failed", "action": "sensor_replaced"} | more


def lives(folder: Path, position: int, *repairs: Row, **of: Any) -> list[tuple[Any, ...]]:
    store = store_from(folder, {"trailers": [trailer(**of)], "repairs": list(repairs)})
    sql = "select fitted_by, birth_known, ending, one_of, (ended_at - entered_at) from marts.sensor_lives where position ="
    return [
        (*row[:4], None if row[4] is None else row[4].days)
        for row in query(store, f"{sql} {position} order by entered_at")
    ]


def test_a_replacement_ends_one_life_and_begins_the_next(tmp_path: Path) -> None:
    assert lives(tmp_path, 2, swap("A", 100, 2), swap("B", 150, 2, cause="residual_liquid")) == [
        (None, True, "failed", 1, 100),
        ("A", True, "replaced", 1, 49),
        ("B", True, None, None, None),
    ]


def test_a_replacement_without_a_position_ends_what_is_known_of_all(tmp_path: Path) -> None:
    assert lives(tmp_path, 2, swap("A", 100, None), swap("B", 150, 2), swap("C", 170, 1)) == [
        (None, True, "failed", 3, 100),
        ("B", True, None, None, None),
    ]


def test_a_serial_tells_the_position(tmp_path: Path) -> None:
    found = lives(tmp_path, 2, swap("A", 100, 2, sensor_in="S1"), swap("B", 150, None, sensor_out="S1"))
    assert found[1:] == [("A", True, "failed", 1, 49), ("B", True, None, None, None)]


def test_two_replacements_on_one_day(tmp_path: Path) -> None:
    found = lives(
        tmp_path, 2, swap("A", 100, 2, received_at=day(100)), swap("B", 100, 2, received_at=day(100))
    )
    assert [row[:3] for row in found] == [(None, True, "failed"), ("A", True, "failed"), ("B", True, None)]
    assert found[1][4] == 0


@pytest.mark.parametrize(
    ("records", "known"), [("2021-01-01", True), ("2022-01-01", True), ("2022-02-01", False), (None, False)]
)
def test_a_first_sensor_is_new_only_if_the_records_reach_back(
    tmp_path: Path, records: str | None, known: bool
) -> None:
    found = lives(tmp_path, 2, swap("A", 100, 2), records_from=records)
    assert found[0][1] is known and found[1][1] is True


def test_without_any_repair_on_record_nothing_is_followed(tmp_path: Path) -> None:
    store = store_from(tmp_path, {"trailers": [trailer(records_from=None)]})
    assert query(store, "select count(*) from marts.sensor_lives") == [(0,)]
