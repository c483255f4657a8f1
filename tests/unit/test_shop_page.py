"""The shop's page from small stores counted by hand: which trailers came back, how fixes were done, what to do."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from helpers import store_from
from repermit.studies.readers.shop import ShopRecord, shop_record
from repermit.studies.selection import select
from repermit.warehouse import opened
from repermit_reports.pages.shop.against import against_others, by_year
from repermit_reports.pages.shop.fixes import came_back, how_done, which_hold
from repermit_reports.pages.shop.page import shop_page
from repermit_reports.pages.shop.to_do import to_do
from test_fixes import NOTHING, SENSOR, Row, trailer, visit


def record(folder: Path, repairs: list[Row], **tables: list[Row]) -> ShopRecord:
    """Of the shop East, to the end of 2024."""
    names = dict.fromkeys(row["trailer_id"] for row in repairs)
    store = store_from(folder, {"trailers": [trailer(n) for n in names], "repairs": repairs, **tables})
    with opened(store) as con:
        return shop_record(con, "s", select(con, first="2024-01-01", end="2025-01-01", shop="East"))


def test_which_trailers_came_back(tmp_path: Path) -> None:
    found = record(
        tmp_path,
        [
            visit("T1", 0, 2, "East"), visit("T1", 30, 2, "East"), visit("T1", 100, 2),  # twice, the last at West
            visit("T2", 0, 2, "East"), visit("T2", 40, None, found_place=None, cause=None),  # nobody wrote where
            visit("T3", 0, 2, "East"), visit("T3", 30, 3),  # elsewhere on the trailer
            visit("T4", 0, 2, "East"), visit("T4", 91, 2),  # later than 90 days
            visit("T5", 0, 2), visit("T5", 30, 2),  # West's own
            visit("T6", 0, None, "East"), visit("T6", 30, 2),  # no place to come back to
        ],
    )  # fmt: skip
    told = [(c.trailer_id, c.position, c.days, c.cause, c.sure) for c in found.came_back]
    assert told == [
        ("T1", 2, 69, "bad_crimp", True),
        ("T2", 2, 39, None, False),
        ("T1", 2, 29, "bad_crimp", True),
    ]
    assert found.came_back[0].returned_on == date(2024, 1, 31)
    section = came_back(found)
    assert section.table is not None and "2 trailers came back" in section.lede
    assert "T1 2 times" in section.lede and "T2" not in section.lede
    first, second = section.table.rows
    assert first[:3] == ("T1", 2, "recrimped at 2") and first[-1] == "bad crimp"
    assert second[:2] == ("T2", 1) and second[-1] == "not recorded, nor where"
    assert any("T1 (2 times)" in note for note in to_do(found).notes)


def test_only_the_last_twelve_months(tmp_path: Path) -> None:
    names = [trailer("T1", in_service_on="2023-01-01")]
    old = [{**visit("T1", day, 2, "East"), "repair_id": f"o{day}"} for day in (-60, -30)]
    store = store_from(tmp_path, {"trailers": names, "repairs": [*old, visit("T1", 20, 2)]})
    with opened(store) as con:
        found = shop_record(con, "s", select(con, first="2023-01-01", end="2025-01-01", shop="East"))
    assert [c.days for c in found.came_back] == [49]


def crimps(shop: str, back: int, count: int, **more: object) -> list[Row]:
    """So many crimps of one shop, of which the first few came back to the same place after 20 days."""
    rows = []
    for n in range(count):
        name = f"{shop}{more.get('method', '')}{n}"
        rows.append(visit(name, 0, 2, shop, **more))
        if n < back:
            rows.append(visit(name, 20, 2, "North"))
    return rows


def test_what_stands_out_is_advised_and_what_does_not_is_not(tmp_path: Path) -> None:
    found = record(tmp_path, [*crimps("East", 15, 20), *crimps("West", 1, 40)])
    notes = to_do(found).notes
    assert notes[0].startswith("Recrimped: 15 of 20 (in the long run")
    assert "at the other shops 1 of 56" in notes[0]  # of West, and of North, that repaired what came back
    assert "pull test every crimp" in notes[0]
    page = shop_page(found)
    assert page.sections[0].id == "to-do"
    (tmp_path / "alike").mkdir()
    alike = record(tmp_path / "alike", [*crimps("East", 1, 20), *crimps("West", 2, 40)])
    assert to_do(alike).notes == () and "Nothing on record stands out" in to_do(alike).lede


def test_tools_are_compared_within_the_work_that_knows_them(tmp_path: Path) -> None:
    sensors = [visit(f"S{n}", 0, 2, "East", **SENSOR) for n in range(12)]
    good, bad = (crimps("East", back, 15, method=tool) for back, tool in ((0, "ratchet"), (12, "pliers")))
    unsaid = [visit("X", 0, 2, "East")]
    found = record(tmp_path, [*sensors, *good, *bad, *unsaid])
    assert {(c.name, c.here.placed) for c in found.methods} == {("ratchet", 15), ("pliers", 15), (None, 1)}
    assert "Ratchet holds better than pliers." in how_done(found).lede
    assert any(note.startswith("Use the ratchet rather than the pliers") for note in to_do(found).notes)
    assert {row[0] for row in how_done(found).table.rows} == {"ratchet", "pliers", "not written down"}  # type: ignore[union-attr]


def test_tools_whose_ranges_overlap_are_not_told_apart(tmp_path: Path) -> None:
    rows = [*crimps("East", 3, 12, method="ratchet"), *crimps("East", 5, 12, method="pliers")]
    found = record(tmp_path, rows)
    assert "can't be told: their ranges overlap" in how_done(found).lede
    assert not any("rather than" in note for note in to_do(found).notes)


def test_of_few_only_counts_are_said(tmp_path: Path) -> None:
    found = record(tmp_path, [*crimps("East", 2, 5, method="ratchet"), *crimps("West", 1, 9)])
    held = which_hold(found)
    assert held.figure is None and held.table is not None and how_done(found).figure is None
    (row,) = held.table.rows
    cells = dict(zip((c.name for c in held.table.columns), row, strict=True))
    assert cells["back"] == "2 of 5"
    assert cells["here"] is None and cells["any"] is None  # no share of so few
    assert "too few" in how_done(found).lede.lower()


def test_visits_that_found_nothing_and_came_back(tmp_path: Path) -> None:
    rows = []
    for n in range(12):
        rows.append(visit(f"N{n}", 0, None, "East", **NOTHING))
        if n < 8:
            rows.append(visit(f"N{n}", 30, 2, "West"))
    assert any(
        "After 8 of 12 visits that found nothing" in note for note in to_do(record(tmp_path, rows)).notes
    )


def test_no_point_lies_beyond_the_axis_against_the_others(tmp_path: Path) -> None:
    found = record(tmp_path, [*crimps("East", 19, 20), *crimps("West", 1, 40)])
    figure = against_others(found).figure
    assert figure is not None
    drawn = figure.chart.to_dict()
    points = next(layer for layer in drawn["layer"] if layer["mark"]["type"] == "point")
    held = (found.total.against, found.total.against_same_action)
    times = [a.ratio for a in held if a and a.ratio is not None]
    assert max(times) > 6 and max(times) <= points["encoding"]["x"]["scale"]["domain"][1]


def test_this_year_against_the_one_before(tmp_path: Path) -> None:
    """Fixes of 2023, of which 12 of 20 came back, and of 2024, of which none did."""
    rows = []
    for n in range(20):
        old = {"trailer_id": f"A{n}", "shop": "East"}
        rows.append({**visit(f"A{n}", -200, 2, "East"), **old})
        if n < 12:
            rows.append(visit(f"A{n}", -180, 2, "West"))
        rows.append(visit(f"B{n}", 100, 2, "East"))
    names = {row["trailer_id"] for row in rows}
    trailers = [trailer(name, in_service_on="2023-01-01") for name in sorted(names)]
    store = store_from(tmp_path, {"trailers": trailers, "repairs": rows})
    with opened(store) as con:
        found = shop_record(con, "s", select(con, first="2023-01-01", end="2025-01-01", shop="East"))
    last, before = found.years
    assert (last.name, before.name) == ("2024-01-01 to 2024-12-31", "2023-01-01 to 2023-12-31")
    section = by_year(found)
    assert section.table is not None and [row[1] for row in section.table.rows] == ["0 of 20", "12 of 20"]
    assert section.lede.endswith("That is fewer than a year ago.")
    (tmp_path / "one").mkdir()
    assert "no earlier year" in by_year(record(tmp_path / "one", crimps("East", 1, 3))).lede
