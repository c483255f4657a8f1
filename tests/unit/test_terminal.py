"""The terminal's page: counts by lane add up and are those of a small store counted by hand; a planted lane is found."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers import load, store_from
from repermit.errors import CallError
from repermit.resources import folder
from repermit.studies.racks.cleared import cleared_within
from repermit.studies.racks.terminal_counts import in_order
from repermit.studies.readers import terminal as study
from repermit.studies.readers.terminal import Terminal
from repermit.studies.selection import select
from repermit.warehouse import opened, rows
from repermit_reports.charts import terminal as charts
from repermit_reports.pages.terminal import tables
from repermit_reports.pages.terminal.page import terminal_page
from repermit_reports.pages.terminal.tables import lane_words, month_words
from repermit_reports.render import render
from tanker_world import SAMPLE, simulate

Rows = list[dict[str, Any]]


def ask(store: Path, name: str, month: str) -> Terminal:
    with opened(store) as con:
        return study.terminal(con, store.name, select(con, month=month, terminal=name))


def text(t: Terminal) -> str:
    """What the page says to the reader, without data used, methods and assumptions."""
    page = terminal_page(t)
    parts = [page.headline, page.lede]
    for s in page.sections:
        parts += [
            s.title,
            s.lede,
            *s.notes,
            s.figure.says if s.figure else "",
            s.table.caption if s.table else "",
        ]
    return "\n".join(parts)


# --- a small store counted by hand ------------------------------------------------------------------------

TRAILERS = [f"T{n}" for n in range(1, 7)]
# id, trailer, day, lane, reason, released_by, delay_min, next load (terminal/lane; empty: none the same day), repair's cause
HAPPENED = """
A   T1 2024-02-03 1  overfill        other_lane        30 North/2  -
B   T2 2024-02-05 1  overfill        -                 -  North/10 -
C   T3 2024-03-05 1  unknown         retry             15 North/1  -
D   T4 2024-03-07 2  ground          -                 45 South/7  -
E   T5 2024-04-05 2  overfill        -                 -  North/   -
F   T6 2024-04-07 -  overfill        other_lane        -  North/2  -
G   T1 2024-05-05 10 overfill        shop              90 -        bad_crimp
H   T2 2024-05-07 10 overfill        shop              -  -        liquid_present
I   T3 2024-06-05 2  overfill        -                 -  -        rack_equipment
J   T4 2024-06-07 2  overfill        left_without_load -  -        -
K1  T5 2024-07-05 1  overfill        -                 20 -        -
K2  T5 2024-07-05 2  overfill        other_lane        10 North/10 -
L   T6 2024-08-05 2  paperwork       -                 -  -        -
M   T6 2024-09-05 -  vapour_interlock -                30 -        -
N   T1 2024-12-28 1  overfill        -                 -  -        -
"""
NAMES = "refusals not_equipment episodes cleared other_lane same_lane other_terminal not_known by_next_load fault near_miss rack left delays_recorded"
# North in 2024: loads, the counts of NAMES in their order, hours
EXPECTED: dict[str | None, tuple[int, str, float]] = {
    "1": (6 * 12 * 50 + 1, "5 0 5 4 3 1 0 0 1 1 0 0 0 3", 65 / 60),
    "2": (6 * 12 * 50 + 2, "5 1 4 2 0 0 1 1 2 0 0 1 1 2", 55 / 60),
    "10": (6 * 12 * 50 + 2, "2 0 2 0 0 0 0 0 0 1 1 0 0 1", 90 / 60),
    None: (1, "1 1 1 1 0 0 0 1 0 0 0 0 0 1", 30 / 60),
}


def happened() -> dict[str, Rows]:
    """The records: 50 loads a trailer, lane and month on the 15th, and what HAPPENED says."""
    days = [date(2024, m, 15) for m in range(1, 13)]
    loads: Rows = [
        {"trailer_id": t, "terminal": "North", "lane": lane, "loaded_on": day, "loads": 50}
        for t in TRAILERS for day in days for lane in ("1", "2", "10")
    ]  # fmt: skip
    loads += [
        {"trailer_id": "T2", "terminal": "West", "lane": "3", "loaded_on": date(2024, 6, 20), "loads": 9}
    ]
    loads += [
        {"trailer_id": "T3", "terminal": "South", "lane": "7", "loaded_at": f"{day}T10:00Z", "loads": 1}
        for day in ("2024-01-02", "2024-12-31")
    ]
    refusals: Rows = [
        refusal("S1", "T3", datetime(2024, 1, 2, 9), "South", "7", "overfill", "retry", None),
        refusal("S2", "T3", datetime(2024, 12, 31, 9), "South", "7", "overfill", "retry", None),
        refusal("X", "T2", datetime(2024, 10, 5, 9), "East", "1", "overfill", None, None),
    ]
    repairs: Rows = []
    for line in HAPPENED.strip().splitlines():
        id_, trailer, day, lane, reason, by, delay, to, cause = (
            None if w == "-" else w for w in line.split()
        )
        at = datetime.fromisoformat(f"{day}T09:00") + timedelta(minutes=10 * (id_ == "K2"))
        refusals.append(refusal(id_, trailer, at, "North", lane, reason, by, delay))
        if to:
            terminal, to_lane = to.split("/")
            loads.append({"trailer_id": trailer, "terminal": terminal, "lane": to_lane, "loaded_at": f"{day}T10:00Z", "loads": 1})  # fmt: skip
        if cause:
            repairs.append({"repair_id": f"V{id_}", "trailer_id": trailer, "refusal_id": id_, "cause": cause, "received_at": f"{day}T12:00Z", "returned_at": f"{day}T18:00Z"})  # fmt: skip
    trailers: Rows = [{"trailer_id": t, "positions": 5, "in_service_on": "2023-06-01"} for t in TRAILERS]
    return {"trailers": trailers, "loads": loads, "refusals": refusals, "repairs": repairs}


def refusal(id_: Any, trailer: Any, at: datetime, terminal: str, lane: Any, reason: Any, by: Any, delay: Any) -> dict[str, Any]:  # fmt: skip
    return {"refusal_id": id_, "trailer_id": trailer, "refused_at": f"{at:%Y-%m-%dT%H:%M}Z", "terminal": terminal,
            "lane": lane, "reason": reason, "released_by": by, "delay_min": delay}  # fmt: skip


@pytest.fixture(scope="module")
def small_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return store_from(tmp_path_factory.mktemp("terminal"), happened())


@pytest.fixture(scope="module")
def north(small_store: Path) -> Terminal:
    return ask(small_store, "North", "2024-12")


def test_counts_by_hand(north: Terminal) -> None:
    found = {
        row.lane: (row.loads, " ".join(str(row.counts[n]) for n in NAMES.split()), row.delay_hours)
        for row in north.lanes
    }
    assert found == {lane: (n, counts, pytest.approx(hours)) for lane, (n, counts, hours) in EXPECTED.items()}
    assert [row.lane for row in north.lanes] == ["1", "2", "10", None]


def test_routes_by_hand(north: Terminal) -> None:
    found = {(r.lane, r.where, r.to_terminal, r.to_lane): r.episodes for r in north.routes}
    assert found == {
        ("1", "other_lane", "North", "2"): 1,
        ("1", "other_lane", "North", "10"): 2,
        ("1", "same_lane", "North", "1"): 1,
        ("2", "other_terminal", "South", "7"): 1,
        ("2", "not_known", "North", None): 1,
        (None, "not_known", "North", "2"): 1,
    }


def test_rates_are_counts_over_loads(north: Terminal) -> None:
    first, second = north.lanes[:2]
    assert first.elsewhere and first.held and first.refusals and second.faults
    assert (first.elsewhere.events, first.elsewhere.loads) == (3, 3601)
    assert first.elsewhere.rate == pytest.approx(3 * 1000 / 3601)
    assert (first.held.cleared_other_lane, first.held.loads) == (3, 3601)
    assert set(first.held.others) == {"2", "10"} and first.held.others_near
    assert first.refusals.rate == pytest.approx(5 * 1000 / 3601)
    assert second.faults.low == 0 and second.faults.high == pytest.approx(-np.log(0.025) * 1000 / 3602)
    assert first.elsewhere.low < first.elsewhere.rate < first.elsewhere.high


def test_months_add_up_to_the_year(north: Terminal) -> None:
    """The record is a year here, so the months hold what the year's rows hold."""
    assert north.record == north.year
    for row in north.lanes:
        mine = [m for m in north.months if m.lane == row.lane]
        assert sum(m.loads or 0 for m in mine) == row.loads
        assert sum(m.refusals for m in mine) == row.counts["refusals"]
        assert sum(m.cleared for m in mine) == row.counts["cleared"]
    assert north.quiet_months == ("2024-01", "2024-08", "2024-09", "2024-10", "2024-11")


def test_small_page_says_what_is_missing(north: Terminal) -> None:
    said = text(north)
    assert "too few refusals to tell" in said
    assert "No lane stands out, so there is no month to name." in said
    assert "1 load and 2 refusals: not recorded" in said
    assert "2024-08" in said and "overfill can't tell a wet sensor from an open circuit" in said
    assert "lane not recorded" in render(terminal_page(north))


# --- rows add up, whatever the store ----------------------------------------------------------------------

TOTALS = """
select (select sum(loads) from staging.loads where terminal = $t and loaded_on >= $first and loaded_on < $end),
    (select count(*) from staging.refusals where terminal = $t and refused_at >= $first and refused_at < $end and equipment),
    (select count(*) from staging.refusals where terminal = $t and refused_at >= $first and refused_at < $end and not equipment),
    (select count(*) from marts.episodes where terminal = $t and started_at >= $first and started_at < $end),
    (select count(*) from marts.episodes where terminal = $t and started_at >= $first and started_at < $end
        and outcome in ('cleared_retry', 'cleared_other_lane')),
    (select count(*) from marts.faults where terminal = $t and started_at >= $first and started_at < $end
        and counts_as = 'fault' and (open_until is null or $end <= open_until)),
    (select sum(delay_min)::double from staging.refusals where terminal = $t and refused_at >= $first and refused_at < $end),
    (select count(delay_min) from staging.refusals where terminal = $t and refused_at >= $first and refused_at < $end)
"""


def check_sums(store: Path, t: Terminal) -> None:
    with opened(store) as con:
        totals = rows(con, TOTALS, {"t": t.name, "first": t.year.first, "end": t.year.end})[0]
    names = ("refusals", "not_equipment", "episodes", "cleared", "fault")
    for lanes in (t.lanes, (t.total,)):
        counts: Counter[str] = sum((Counter(row.counts) for row in lanes), Counter())
        assert (sum(r.loads or 0 for r in lanes), *(counts[n] for n in names)) == totals[:6]
        assert sum(r.delay_hours or 0 for r in lanes) * 60 == pytest.approx(totals[6])
        assert counts["delays_recorded"] == totals[7]
        assert counts["episodes"] == sum(counts[n] for n in ("cleared", "fault", "near_miss", "rack", "left"))
        assert counts["cleared"] == sum(
            counts[n] for n in ("same_lane", "other_lane", "other_terminal", "not_known")
        )
    assert sum(r.episodes for r in t.routes) == t.total.counts["cleared"]


def test_rows_add_up_by_hand(small_store: Path, north: Terminal) -> None:
    check_sums(small_store, north)


# --- terminals with little on record ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "month", "says"),
    [
        (
            "West",
            "2024-12",
            "No refusal is on record at West for January 2024 to December 2024, over 9 loads",
        ),
        ("West", "2024-12", "has ever been logged in this store"),
        ("East", "2024-12", "1 refusal at East, January 2024 to December 2024, but no loads are on record"),
        ("South", "2024-12", "No lane of South stands out; too few refusals to tell more"),
        ("North", "2020-05", "Neither loads nor refusals are on record at North for May 2020."),
        ("North", "2024-01", "No refusal is on record at North for January 2024, over 900 loads"),
        ("North", "2024-01", "Refusals on record here run from 2024-02-03 to 2024-12-28"),
    ],
)
def test_little_on_record(small_store: Path, name: str, month: str, says: str) -> None:
    t = ask(small_store, name, month)
    assert says in text(t)
    assert not terminal_page(t).headline.startswith("Lane")
    render(terminal_page(t))


def test_what_is_not_measured_is_not_zero(small_store: Path) -> None:
    east, west = ask(small_store, "East", "2024-12"), ask(small_store, "West", "2024-12")
    assert east.total.loads is None and east.total.refusals is None and east.lanes[0].verdict is None
    assert [s.id for s in terminal_page(west).sections] == ["lanes", "cannot-show"]
    assert all(r.loads is None for r in east.lanes) and east.total.delay_hours is None
    hours = next(s for s in terminal_page(east).sections if s.id == "hours")
    assert hours.table is None and "can't be told" in hours.lede


# --- where it cleared -------------------------------------------------------------------------------------

# first lane, last lane ("-": not recorded), released_by, next loads of the day (terminal/lane), and what they mean
LANDINGS = """
1 1 retry      N/2     same_lane      N/1
1 2 retry      .       other_lane     N/2
1 1 other_lane .       other_lane     -/-
1 1 other_lane N/1     other_lane     -/-
1 1 other_lane N/-     other_lane     -/-
1 1 other_lane N/2+N/3 other_lane     N/-
1 2 other_lane N/1     same_lane      N/1
1 2 other_lane .       not_known      -/-
1 1 -          N/1+N/2 same_lane      N/1
1 1 -          S/1     other_terminal S/1
1 1 -          S/1+S/2 other_terminal S/-
1 1 -          S/-     other_terminal S/-
1 1 -          S/1+N/2 not_known      -/-
1 1 -          -/-     not_known      -/-
- - retry      .       not_known      N/-
"""


def known(word: str) -> str | None:
    return None if word == "-" else word


def test_landing(tmp_path: Path) -> None:
    """Each line a trailer of its own, refused once or twice at N, its next loads all on that day."""
    records: dict[str, Rows] = {"trailers": [], "loads": [], "refusals": []}
    expected = {}
    for i, line in enumerate(LANDINGS.strip().splitlines()):
        first, last, by, places, landed, to = line.split()
        name = f"T{i:02d}"
        records["trailers"].append({"trailer_id": name, "positions": 5, "in_service_on": "2024-01-01"})
        at = datetime(2024, 5, 5, 9)
        for n, lane in enumerate([first] if first == last else [first, last]):
            released = known(by) if lane == last else None
            records["refusals"].append(refusal(f"{name}-{n}", name, at + timedelta(hours=n), "N", known(lane), "overfill", released, None))  # fmt: skip
        for place in [] if places == "." else places.split("+"):
            terminal, lane = map(known, place.split("/"))
            records["loads"].append({"trailer_id": name, "terminal": terminal, "lane": lane, "loaded_on": "2024-05-05", "loads": 1})  # fmt: skip
        expected[name] = (landed, *map(known, to.split("/")))
    with opened(store_from(tmp_path, records)) as con:
        table = cleared_within(con, date(2024, 5, 1), date(2024, 6, 1))
        found = {name: tuple(to) for name, *to in rows(con, f"select trailer_id, landed, to_terminal, to_lane from {table} where terminal = 'N'")}  # fmt: skip
    assert found == expected


# --- the shipped sample -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    store = tmp_path_factory.mktemp("sample") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, folder("sample_data") / "csv" / delivery)
    yield store


def test_the_planted_lane_is_found_and_no_other(sample: Path) -> None:
    planted = next(p for p in simulate(SAMPLE).truth["planted"].to_dicts() if p["name"] == "lane")
    where, lane = planted["where"].split()
    out = {}
    for terminal in SAMPLE.terminals:
        t = ask(sample, terminal.name, "2025-12")
        check_sums(sample, t)
        out[t.name] = [row.lane for row in t.lanes if row.verdict == "stands_out"]
    assert out == {t.name: [lane] if t.name == where else [] for t in SAMPLE.terminals}

    t = ask(sample, where, "2025-12")
    page = terminal_page(t)
    assert page.headline.startswith(f"Lane {lane} stands out; worth a service check")
    assert re.search(r"without a repair, where [\d.]+ would be usual, since about \w+ 2024\.$", page.headline)
    assert re.search(
        r"How sure: lane C has [\d.]+ to [\d.]+ times the usual, which is what the same trailers met on the other 3 lanes",
        page.lede,
    )
    assert "What to do: have looked at" in page.lede and "Last month (December 2025): " in page.lede
    row = next(row for row in t.lanes if row.lane == lane)
    assert row.seen_by and row.seen_by.times == row.counts["cleared"] and row.seen_by.fleets > 1
    assert sum(n for _, n in row.reasons) == row.counts["refusals"]
    since = next(row.held.since for row in t.lanes if row.lane == lane and row.held)
    assert since
    true, found = date.fromisoformat(planted["since"]), date.fromisoformat(f"{since.month}-01")
    assert abs((found - true).days) <= 62
    sentence = next(s.lede for s in page.sections if s.id == "since")
    assert f"Lane {lane}" in sentence and f"since about {month_words(since.month)}" in sentence


def test_before_it_was_planted_nothing_stands_out(sample: Path) -> None:
    t = ask(sample, "Osierhythe", "2024-06")
    assert terminal_page(t).headline.startswith("No lane of Osierhythe stands out")
    assert not any(row.held and row.held.since for row in t.lanes)


def test_the_figure_says_of_which_refusals_its_numbers_are(sample: Path) -> None:
    for name in (terminal.name for terminal in SAMPLE.terminals):
        t = ask(sample, name, "2025-12")
        figure = next(s.figure for s in terminal_page(t).sections if s.id == "which-lane")
        assert figure is not None
        drawn = {row["lane"]: row["n"] for row in first_rows(figure.chart.to_dict())}
        of_all = re.search(
            r"on another lane(?:, of (.*) all that cleared without a repair)?\. The line", figure.says
        )
        assert of_all is not None
        named = (of_all[1] or "").split(", ")
        for row in t.lanes:
            if row.held and lane_words(row.lane) in drawn:
                kinds = (row.held.cleared_other_lane, row.held.cleared_without_repair)
                assert drawn[lane_words(row.lane)] == kinds[lane_words(row.lane) in named]


def test_who_met_a_lane_and_its_last_month(north: Terminal) -> None:
    """By hand: at lane 1 A, B, C and K cleared, of four trailers, 30, 15 and 30 minutes on record; none in December."""
    row = next(row for row in north.lanes if row.lane == "1")
    s = row.seen_by
    assert s and (s.times, s.trailers, s.most_of_one, s.timed) == (4, 4, 1, 3)
    assert s.hours == pytest.approx(75 / 60)
    assert dict(row.reasons) == {"overfill": 4, "unknown": 1}
    month = north.last_month(row)
    assert month and (month.month, month.cleared, month.cleared_before, month.verdict) == (
        "2024-12",
        0,
        4,
        "too_few",
    )
    assert (month.loads, month.loads_before) == (300, 3301)


def test_the_page_speaks_plainly(sample: Path) -> None:
    t = ask(sample, "Osierhythe", "2025-12")
    said = "\n".join([text(t), *terminal_page(t).methods]).lower()
    for word in (
        "laplace",
        "poisson",
        "gamma",
        "confidence",
        "interval",
        "significan",
        "likelihood",
        "cusum",
        "p-value",
    ):
        assert word not in said
    assert "never of one refusal" in said and "stuck dry never refuses" in said and "nobody logged" in said


def test_command(sample: Path, tmp_path: Path, repermit: Any) -> None:
    out = tmp_path / "page.html"
    done = repermit("report", "terminal", "--terminal", "Osierhythe", "--out", out, store=sample)
    assert done.exit_code == 0 and str(out) in done.stdout
    assert "Lane C stands out" in out.read_text(encoding="utf-8")
    wrong = repermit("report", "terminal", "--terminal", "Osierhyth", store=sample)
    assert isinstance(wrong.exception, CallError) and "Did you mean 'Osierhythe'" in str(wrong.exception.hint)


# --- words and pictures -----------------------------------------------------------------------------------


def test_lanes_in_order_of_counting() -> None:
    assert sorted(["10", "B2", None, "2", "A", "1", "B10"], key=in_order) == [
        "1",
        "2",
        "10",
        "A",
        "B2",
        "B10",
        None,
    ]
    assert [lane_words(lane) for lane in ("C", "Lane 3", None)] == ["lane C", "Lane 3", "lane not recorded"]


def first_rows(spec: dict[str, Any]) -> Rows:
    """The rows that the first layer draws."""
    data = spec["layer"][0]["data"]
    return data["values"] if "values" in data else spec["datasets"][data["name"]]


def test_strips_keep_to_their_lane(north: Terminal) -> None:
    made: Rows = [
        {"lane": lane, "month": "2024-01-01", "until": "2024-02-01", "name": "2024-01", "n": 1, "loads": 100, "rate": rate}
        for lane, rate in (("a", 24.0), ("b", 0.0))
    ]  # fmt: skip
    spec = charts.strips(made, ["a", "b"], {"a": 5.0}, {"a": "2024-01-01"}).to_dict()
    bars = first_rows(spec)
    assert [(b["floor"], b["height"]) for b in bars] == [(1, pytest.approx(1 + 0.7 * 24 / 25)), (0, 0)]
    assert all(b["floor"] <= b["height"] <= b["floor"] + 0.7 for b in bars)
    assert [charts._round_up(v) for v in (0, 0.9, 1, 1.2, 24, 26, 99)] == [1, 1, 1, 1.5, 25, 30, 100]


def test_at_most_six_lanes_are_drawn(north: Terminal) -> None:
    """A terminal of eight lanes, made from the small one: six strips, and the page says so."""
    row, months = north.lanes[0], [m for m in north.months if m.lane == "1"]
    lanes = tuple(replace(row, lane=str(n)) for n in range(1, 9))
    t = replace(north, lanes=lanes, months=tuple(replace(m, lane=r.lane) for r in lanes for m in months))
    figure = next(s.figure for s in terminal_page(t).sections if s.id == "since")
    assert figure and "Of 8 lanes, the 6 with most per load are drawn." in figure.says
    drawn = {v["lane"] for v in first_rows(figure.chart.to_dict())}
    assert drawn == {f"lane {n}" for n in range(1, 7)}


def test_counts_of_many_lanes_are_folded(north: Terminal) -> None:
    many = replace(north, lanes=tuple(replace(north.lanes[0], lane=str(n)) for n in range(9)))
    for t, folded in ((north, False), (many, True)):
        assert [
            table(t).folded for table in (tables.where_table, tables.routes_table, tables.counts_table)
        ] == [folded] * 3
