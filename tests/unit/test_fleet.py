"""The fleet's record counted by hand, which trailers it names, and the words of the pages for people at work."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import load, query, store_from, write_csv
from repermit.errors import CallError
from repermit.resources import folder
from repermit.studies.frequency.like_for_like import clearly_more
from repermit.studies.frequency.silent import silent
from repermit.studies.readers.fleet import FleetRecord, fleet_record, year_to
from repermit.studies.readers.shop import shop_record
from repermit.studies.readers.terminal import terminal
from repermit.studies.readers.year_before import in_common
from repermit.studies.selection import Window, parse_month, select
from repermit.warehouse import opened
from repermit_reports.page import Page, Table
from repermit_reports.pages.fleet.page import fleet_page
from repermit_reports.pages.shop.page import shop_page
from repermit_reports.pages.silent import with_silent
from repermit_reports.pages.terminal.page import terminal_page
from repermit_reports.render import render
from test_life import fleet as fleet_of_sensors

Row = dict[str, Any]
START = datetime(2024, 1, 1)
WINDOW = {"first": "2024-01-01", "end": "2024-07-01"}


def at(day: int, hour: int) -> str:
    return (START + timedelta(days=day, hours=hour)).isoformat() + "Z"


def trailer(name: str, fleet: str = "Red") -> Row:
    base: Row = {
        "trailer_id": name,
        "fleet": fleet,
        "system": "five_wire",
        "sensor_kind": "optic",
        "positions": 4,
    }
    return base | {"home_shop": "East", "in_service_on": "2024-01-01"}


def refusal(number: int, name: str, day: int, reason: str = "overfill") -> Row:
    base = {"refusal_id": f"R{number}", "trailer_id": name, "refused_at": at(day, 6), "reason": reason}
    return base | {"terminal": "Far", "lane": "2"}


def visit(name: str, day: int, price: int | None = None, **more: Any) -> Row:
    base: Row = {"repair_id": f"{name}-{day}", "trailer_id": name, "shop": "East", "visit_kind": "non_permit"}
    base |= {
        "received_at": at(day, 8),
        "returned_at": at(day, 16),
        "found_position": 2,
        "invoice_total": price,
    }
    return base | {"found_place": "housing_wiring", "cause": "bad_crimp", "action": "recrimped"} | more


def loads(name: str, *days: int) -> list[Row]:
    return [
        {"trailer_id": name, "terminal": "Far", "lane": "1", "loaded_on": at(day, 0)[:10], "loads": 2} for day in days
    ]  # fmt: skip


# T1: two faults, the second without a refusal. T2: one fault, two visits, the second without a price. T3: refused a
# week before the end, nothing since. T4: an inspection, and a refusal for paperwork on the last day. B1: another fleet.
TABLES: dict[str, list[Row]] = {
    "trailers": [trailer(name) for name in ("T1", "T2", "T3", "T4")] + [trailer("B1", "Blue")],
    "refusals": [
        refusal(1, "T1", 10), refusal(2, "T2", 20), refusal(3, "T3", 175),
        refusal(4, "T4", 181, "paperwork"), refusal(5, "B1", 60),
    ],
    "repairs": [
        visit("T1", 10, 100, refusal_id="R1"),
        visit("T2", 20, 50, refusal_id="R2", permit_restored="no"),
        visit("T2", 22, refusal_id="R2", permit_restored="yes", found_position=3),
        visit("T1", 100, 30, found_position=0, found_place="socket", cause="contact_wear", action="socket_replaced"),
        visit("T4", 50, 40, visit_kind="inspection", found_position=None, found_place="none_found",
              cause="none_found", action="none"),
        visit("B1", 60, 7000, refusal_id="R5"),
    ],
    "loads": [*loads("T1", 0, 30, 120), *loads("T2", 0, 30), *loads("T3", 0, 100), *loads("T4", 1, 181), *loads("B1", 1)],
}  # fmt: skip


def ask(store: Path, fleet: str = "Red", **words: Any) -> FleetRecord:
    with opened(store) as con:
        return fleet_record(con, store.name, select(con, fleet=fleet, **(WINDOW | words)))


@pytest.fixture(scope="module")
def red(tmp_path_factory: pytest.TempPathFactory) -> FleetRecord:
    return ask(store_from(tmp_path_factory.mktemp("red"), TABLES, currency="EUR"))


# --- counted by hand --------------------------------------------------------------------------------------


def test_faults_hours_and_money(red: FleetRecord) -> None:
    """Hours: 06:00 to 16:00; 06:00 to 16:00 two days on; 08:00 to 16:00 where no refusal is on record."""
    t = red.total
    assert (t.faults, t.unresolved, t.hours_known, t.last_fault) == (4, 1, 3, "2024-06-24")
    assert t.hours == pytest.approx(10 + 58 + 8, rel=1e-12)
    assert (t.money, t.visits, t.priced) == (100 + 50 + 30, 4, 3)
    assert (red.refusals, red.visits, red.loads) == (3, 5, 18)
    assert [(v.kind, v.visits, v.money, v.priced) for v in red.other_visits] == [("inspection", 1, 40, 1)]


def test_by_trailer(red: FleetRecord) -> None:
    """182 days less the visits; the others bring their faults over their days, for the trailer's own days."""
    rows = {t.trailer_id: t for t in red.trailers}
    assert {n: (t.stops.faults, t.stops.money) for n, t in rows.items()} == {
        "T1": (2, 130), "T2": (1, 50), "T3": (1, None), "T4": (0, None)
    }  # fmt: skip
    days = {"T1": 182 - 2 / 3, "T2": 182 - 2 / 3, "T3": 182.0, "T4": 182 - 1 / 3}
    for name, row in rows.items():
        assert row.days == pytest.approx(days[name], rel=1e-9)
        rest = sum(days.values()) - days[name]
        assert row.others_bring == pytest.approx((4 - row.stops.faults) / rest * days[name], rel=1e-9)
    assert not any(t.clearly_more for t in red.trailers)


def test_by_cause(red: FleetRecord) -> None:
    """The finding of T2 is that of its second visit; T3 has none."""
    assert {s.key: s.faults for s in red.causes} == {"bad_crimp": 2, "contact_wear": 1, None: 1}
    assert sum(s.hours or 0 for s in red.causes) == pytest.approx(red.total.hours, rel=1e-12)
    assert sum(s.money or 0 for s in red.causes) == red.total.money


def test_unresolved_names_where(red: FleetRecord) -> None:
    (u,) = red.unresolved
    assert (u.trailer_id, u.since, u.terminal, u.lane, u.counted) == ("T3", "2024-06-24", "Far", "2", True)
    assert red.as_of == "2024-06-30"


def test_refused_after_the_records_end(tmp_path: Path) -> None:
    """Of a refusal after the last load on record nobody can say that there was no load since."""
    later = TABLES | {"refusals": [*TABLES["refusals"], refusal(55, "T4", 190)]}
    f = ask(store_from(tmp_path, later))
    assert f.as_of == "2024-06-30" and [u.trailer_id for u in f.unresolved] == ["T3"]


def test_of_many_unresolved_the_first_are_named_and_all_are_a_click_away(red: FleetRecord) -> None:
    many = replace(red, unresolved=tuple(replace(red.unresolved[0], trailer_id=f"U{n}") for n in range(30)))
    sections = {s.id: s for s in fleet_page(many).sections}
    assert "U0, U1, U2, U3, U4, and 25 more" in sections["to-do"].lede and "U5" not in sections["to-do"].lede
    table = sections["unresolved"].table
    assert table and table.folded and len(table.rows) == 30


def test_of_many_that_stand_out_the_worst_are_told_and_all_stand_first_in_the_table(red: FleetRecord) -> None:
    one = next(t for t in red.trailers if t.stops.faults)
    worse = [
        replace(one, trailer_id=f"W{n}", clearly_more=True, stops=replace(one.stops, faults=10 + n))
        for n in range(8)
    ]
    (section,) = [
        s for s in fleet_page(replace(red, trailers=(*red.trailers, *worse))).sections if s.id == "trailers"
    ]
    assert [line[:2] for line in section.lede.split("\n\n")[:5]] == ["W7", "W6", "W5", "W4", "W3"]
    assert "3 more stand first in the table of trailers." in section.lede
    assert section.table and [row[0] for row in section.table.rows[:8]] == [f"W{n}" for n in range(8)]


def test_the_page_says_so(red: FleetRecord) -> None:
    page = fleet_page(red)
    for words in ("4 faults stopped Red's trailers", "76 hours", "180 EUR"):
        assert words in page.headline
    assert "1 of 4 shop visits carry no price (25 %), so the true sum is higher." in page.lede
    assert "They are of the 3 faults with a return on record" in page.lede
    assert "Hours run by the clock, nights and weekends included." in page.lede
    (to_do,) = [s for s in page.sections if s.id == "to-do"]
    assert page.sections[0] is to_do and "Find out where T3 is" in to_do.lede
    assert "Blue" not in text(page) and "B1" not in text(page)


def test_a_fleet_without_a_fault(tmp_path: Path) -> None:
    """Nothing is on record, or loads alone: no number is made up and nobody is named."""
    store = store_from(tmp_path, TABLES | {"trailers": [*TABLES["trailers"], trailer("G1", "Green"), trailer("L1", "Lime")],
                                           "loads": [*TABLES["loads"], *loads("L1", 5)]})  # fmt: skip
    for fleet, has_data in (("Green", False), ("Lime", True)):
        f = ask(store, fleet)
        t = f.total
        assert (f.has_data, t.faults, t.hours, t.money, t.visits) == (has_data, 0, None, None, 0)
        assert not any(x.clearly_more for x in f.trailers) and not f.unresolved
        assert fleet_page(f).headline.startswith(
            "No load, " if not has_data else "No refusal and no shop visit"
        )


def page_of(store: Path, **words: Any) -> tuple[FleetRecord, str]:
    f = ask(store, **words)
    page = fleet_page(f)
    render(page)
    return f, text(page)


def test_no_refusals(tmp_path: Path) -> None:
    """Hours run from the arrival at the shop; nobody can be unresolved."""
    repairs = [row | {"refusal_id": None} for row in TABLES["repairs"]]
    f, said = page_of(store_from(tmp_path, {"trailers": TABLES["trailers"], "repairs": repairs}))
    assert f.total.hours == pytest.approx(8 + 8 + 8 + 8, rel=1e-12)
    assert (f.total.faults, f.total.without_refusal, f.loads, f.unresolved) == (4, 4, None, ())
    assert "Find out where" not in said and "Unresolved now" not in said
    assert "Of 4 faults no refusal is on record; their hours run from the arrival at the shop" in said


def test_no_visits_of_this_fleet(tmp_path: Path) -> None:
    """Whether it has fewer faults than others can't be told: who records no repairs has few faults on paper."""
    repairs = [row for row in TABLES["repairs"] if row["trailer_id"] == "B1"]
    f, said = page_of(store_from(tmp_path, TABLES | {"repairs": repairs}))
    assert (f.total.faults, f.total.hours, f.total.money, f.visits) == (1, None, None, 0)
    assert "neither hours nor money can be told" in said and " 0 hours" not in said
    assert "its faults can't be held against those of others" in said


def test_a_day_without_its_time(tmp_path: Path) -> None:
    """Back on 2024-01-11: at its end at the latest, so 24 hours of the 42 may not be real."""
    visits = [visit("T1", 10, 100, returned_at=at(11, 0)[:10])]
    f, said = page_of(store_from(tmp_path, TABLES | {"repairs": visits}))
    assert f.total.hours == pytest.approx(42, rel=1e-12)
    assert (f.day_only, f.hours_too_many) == (1, pytest.approx(24, rel=1e-12))
    assert "up to 24 of the hours may not be real" in said


def test_refused_long_ago_and_never_seen_again(tmp_path: Path) -> None:
    """No fault any more, but the owner should ask; a later visit of any kind answers it."""
    refusals = [refusal(3, "T3", 100), refusal(4, "T4", 100), refusal(9, "T1", 181)]
    visits = [visit("T4", 150, visit_kind="planned")]
    tables = {"refusals": refusals, "repairs": visits, "loads": [*loads("T1", 0, 181), *loads("T3", 0)]}
    f, said = page_of(store_from(tmp_path, TABLES | tables))
    assert [(u.trailer_id, u.counted) for u in f.unresolved] == [("T3", False)] and f.total.faults == 0
    assert "T3: refused too long ago to count as a fault still." in said


def test_a_trailer_that_left_is_not_pulled_in(tmp_path: Path) -> None:
    tables = fleet_of([1] * 11 + [12])
    tables["trailers"][11]["out_of_service_on"] = "2024-06-01"
    tables["loads"] = [row for row in tables["loads"] if row["trailer_id"] != "T11"]
    tables["refusals"] = [refusal(1, "T00", 181, "paperwork")]
    f, said = page_of(store_from(tmp_path, tables))
    assert [(t.trailer_id, t.in_fleet) for t in f.trailers if t.clearly_more] == [("T11", False)]
    assert "Pull in" not in said and "No longer in the fleet: T11: 12 faults" in said


def test_twelve_months_or_what_is_on_record(tmp_path: Path) -> None:
    with opened(store_from(tmp_path, TABLES)) as con:
        june, later = parse_month("2024-06"), parse_month("2026-02")
        assert str(year_to(con, june)) == "2024-01-11 to 2024-06-30"  # first refusal: day 10
        assert str(year_to(con, later)) == "2025-03-01 to 2026-02-28"


def test_set_aside_rows_of_the_fleet(tmp_path: Path) -> None:
    """One row of T1 with a position that it lacks, and one of the other fleet."""
    bad = [refusal(n, name, 5) | {"indicated_position": 9} for n, name in ((20, "T1"), (21, "B1"))]
    for table, rows in (TABLES | {"refusals": [*TABLES["refusals"], *bad]}).items():
        write_csv(tmp_path / "in", table, rows)
    load(tmp_path / "store.duckdb", tmp_path / "in")
    f, said = page_of(tmp_path / "store.duckdb")
    assert (f.set_aside, f.refusals) == (1, 3)
    assert "1 row naming a trailer of this fleet" in said


def test_one_fleet_after_another_as_each_alone(tmp_path: Path) -> None:
    """What is asked for all fleets at once is split among them, and nobody changes what is kept of it."""
    store = store_from(tmp_path, TABLES)
    alone = {}
    for fleet in ("Red", "Blue"):
        with opened(store) as con:
            alone[fleet] = fleet_record(con, store.name, select(con, fleet=fleet, **WINDOW))
    assert alone["Red"].total.faults != alone["Blue"].total.faults
    with opened(store) as con:
        for fleet in ("Red", "Blue", "Red"):
            assert fleet_record(con, store.name, select(con, fleet=fleet, **WINDOW)) == alone[fleet]


def test_what_cannot_be_asked(tmp_path: Path) -> None:
    store = store_from(tmp_path, TABLES)
    with opened(store) as con:
        chosen = select(con, fleet="Red", **WINDOW)
        for wrong in (replace(chosen, fleet=None), replace(chosen, terminal="Far")):
            with pytest.raises(CallError):
                fleet_record(con, store.name, wrong)


# --- which trailers are named -----------------------------------------------------------------------------


def fleet_of(faults: list[int]) -> dict[str, list[Row]]:
    """One trailer for each count, its faults repaired within the day and ten days apart, loads in between."""
    names = [f"T{n:02d}" for n in range(len(faults))]
    days = {name: [5 + 10 * i for i in range(n)] for name, n in zip(names, faults, strict=True)}
    repairs = [visit(name, day) for name in names for day in days[name]]
    return ({"repairs": repairs} if repairs else {}) | {
        "trailers": [trailer(name) for name in names],
        "loads": [row for name in names for row in loads(name, 0, 181)],
    }


@pytest.mark.parametrize(
    ("faults", "named"),
    [([1] * 11 + [12], ["T11"]), ([1, 2] * 6, []), ([0] * 11 + [1], []), ([0] * 12, [])],
    ids=["one bad", "even", "a single fault", "none"],
)
def test_clearly_more(tmp_path: Path, faults: list[int], named: list[str]) -> None:
    f = ask(store_from(tmp_path, fleet_of(faults)))
    assert f.total.faults == sum(faults)
    assert [t.trailer_id for t in f.trailers if t.clearly_more] == named
    said = text(fleet_page(f))
    assert ("Pull in T11: " in said) == bool(named)


def test_two_trailers_by_hand() -> None:
    """6 against 0 at equal exposure: (1/2)^6 = 1/64, doubled for two looked at, 1/32; 5 against 0: 1/16."""
    even = {"a": 1.0, "b": 1.0}
    assert clearly_more({"a": 6, "b": 0}, even, 0.05) == {"a"}
    assert clearly_more({"a": 6, "b": 0}, even, 1 / 33) == set()
    assert clearly_more({"a": 5, "b": 0}, even, 0.05) == set()


# --- against the year before --------------------------------------------------------------------------------


def two_years(then: list[int], now: list[int]) -> dict[str, list[Row]]:
    """A trailer for each count, in 2024 and in 2025: its faults repaired within the day, loads on every 15th."""
    names = [f"T{n:02d}" for n in range(len(now))]
    visits = [
        visit(name, start + 7 + 9 * i, 100)
        for start, counts in ((0, then), (366, now))
        for name, n in zip(names, counts, strict=True)
        for i in range(n)
    ]
    days = [(datetime(y, m, 15) - START).days for y in (2024, 2025) for m in range(1, 13)]
    return {
        "trailers": [trailer(name) for name in names],
        "repairs": visits,
        "loads": [row for name in names for row in loads(name, 0, *days, 730)],
        "refusals": [refusal(n, "T00", day, "paperwork") for n, day in ((1, 0), (2, 730))],
    }


YEAR = {"first": "2025-01-01", "end": "2026-01-01"}


def test_half_as_many_as_the_year_before(tmp_path: Path) -> None:
    """Ten trailers with four faults each, then one: 40 against 10. By loads, as many in both years, 10/40 exactly."""
    f, said = page_of(store_from(tmp_path, two_years([4] * 10, [1] * 10)), **YEAR)
    year, quarter = f.years
    assert [(p.total.faults, str(p.window)) for p in (year.now, year.before)] == [
        (10, "2025-01-01 to 2025-12-31"), (40, "2024-01-01 to 2024-12-31")
    ]  # fmt: skip
    of = {c.per: c for c in year.changes}
    assert of["1000_loads"].ratio == pytest.approx(10 / 40 * (13 / 13), rel=0.05)
    assert all((c.verdict, c.trailers) == ("fewer", 10) for c in year.changes)
    assert str(quarter.before.window) == "2024-10-01 to 2024-12-31" and quarter.now.total.faults == 0
    assert (
        "Against the year before: 10 faults now, 40 faults in the twelve months before: fewer, and chance can hardly"
        in said
    )
    assert (
        "The last three months: no fault, in the same three months a year before no fault: too few to tell."
        in said
    )


def test_a_few_more_are_too_few_to_tell(tmp_path: Path) -> None:
    f, said = page_of(store_from(tmp_path, two_years([1, 0] * 5, [1, 1] * 5)), **YEAR)
    assert [c.verdict for c in f.years[0].changes] == ["too_few"] * 2
    assert "10 faults now, 5 faults in the twelve months before: too few to tell." in said


def test_what_is_in_common_with_the_year_before() -> None:
    """Months without their like a year before are left out; nothing, where fewer than eighty days remain."""
    year = Window(date(2024, 1, 1), date(2025, 1, 1))
    both = in_common(year, Window(date(2023, 4, 20), date(2025, 1, 1)))
    assert both is not None
    assert [str(w) for w in both] == ["2024-05-01 to 2024-12-31", "2023-05-01 to 2023-12-31"]
    for record in (None, Window(date(2023, 10, 20), date(2025, 1, 1))):
        assert in_common(year, record) is None
    leap = in_common(Window(date(2024, 2, 29), date(2025, 3, 1)), Window(date(2020, 1, 1), date(2025, 3, 1)))
    assert leap is not None and str(leap[1]) == "2023-02-28 to 2024-02-29"


def test_without_visits_in_one_of_the_years_it_cannot_be_told(tmp_path: Path) -> None:
    """Who recorded nothing last year has not become worse."""
    f, said = page_of(store_from(tmp_path, two_years([0] * 6, [2] * 6)), **YEAR)
    assert f.years == () and "Against the year before: can't be told" in said


# --- what else is told ------------------------------------------------------------------------------------


def test_refused_and_loaded_without_a_repair(tmp_path: Path) -> None:
    """Once at the rack for 40 minutes, cleared on another lane: in no sum of faults, told beside them."""
    cleared = refusal(7, "T4", 40) | {"released_by": "other_lane", "delay_min": 40}
    f, said = page_of(store_from(tmp_path, TABLES | {"refusals": [*TABLES["refusals"], cleared]}))
    c = f.cleared
    assert (c.times, c.refusals, c.timed, f.total.faults) == (1, 1, 1, 4) and c.hours == pytest.approx(
        40 / 60
    )
    assert "Beyond these, once a trailer was refused and then loaded without a repair" in said


@pytest.mark.parametrize(("failure", "pays"), [(880.0, True), (0.0, False)])
def test_replace_before_failure_only_where_it_is_shown_to_pay(
    tmp_path: Path, failure: float, pays: bool
) -> None:
    """Sensors that wear out; a failure costs ten times a planned replacement, or as much as one."""
    tables = fleet_of_sensors(1, 3.0, 700, planned=120 - 20 * pays, failed=120)
    tables["trailers"] = [row | {"fleet": "Red"} for row in tables["trailers"]]
    f, said = page_of(
        store_from(tmp_path, tables, refusal_cost=failure), first="2023-01-01", end="2024-01-01"
    )
    assert bool(f.replace_early) == pays
    assert ("Replace five wire sensors when they are" in said) == pays
    assert ("Don't replace sensors before they fail" in said) != pays


# --- the words of the pages -------------------------------------------------------------------------------

# "Hazardous area" is no statistics word: it is where no flame may be.
NOT_SAID = re.compile(
    "confidence|interval|percentile|significan|p-value|variance|poisson|hazard(?!ous area)|censor|funnel|laplace|weibull"
    r"|posterior|shrink|shrunk|standardis|bootstrap|estimat|regression|odds|\bshape\b|strata|position-year|trailer-days|\bp =",
    re.IGNORECASE
)  # fmt: skip
NOT_TO_OWNERS = re.compile(
    f"{NOT_SAID.pattern}|quantile|binomial|gamma|expected|probabilit|\\bratio\\b|hypothes|deviation|median|likelihood|limits|parameter",
    re.IGNORECASE,
)


def parts(page: Page) -> Iterator[str]:
    """What the page says in its headline, ledes and pictures."""
    yield from (page.title, page.subtitle, page.headline, page.lede)
    for s in page.sections:
        yield from (s.title, s.lede, *s.notes, s.figure.says if s.figure else "")


def tables(page: Page) -> Iterator[str]:
    found = [s.table for s in page.sections if s.table] + [t for t in page.data_used if isinstance(t, Table)]
    for table in found:
        yield table.caption
        for column in table.columns:
            yield from (column.label, column.help)
        for row in table.rows:
            yield from (cell for cell in row if isinstance(cell, str))


def text(page: Page) -> str:
    """Everything that the page says but its methods, where sources are named."""
    data = [used for used in page.data_used if isinstance(used, str)]
    return "\n".join([*parts(page), *tables(page), *data, *page.cautions, *page.assumptions])


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("sample") / "sample.duckdb"
    for delivery in ("1-first", "2-later"):
        load(store, folder("sample_data") / "csv" / delivery)
    return store


def names(store: Path, sql: str) -> list[str]:
    found = [name for (name,) in query(store, sql)]
    assert len(found) > 1
    return found


def test_the_words_of_fleet_pages(sample: Path, red: FleetRecord) -> None:
    whole = {"first": "2023-01-01", "end": "2026-01-01"}
    fleets = names(sample, "select distinct fleet from staging.trailers where fleet is not null")
    for record in (red, *(ask(sample, fleet, **whole) for fleet in fleets)):
        page = fleet_page(record)
        with opened(sample) as con:
            page = with_silent(page, silent(con, sample.name, select(con)))
        assert len(page.sections[0].lede.split("Why:")) <= 6  # at most five things to do
        assert page.sections[0].id == "to-do" and [s.id for s in page.sections].count("to-do") == 1
        said = "\n".join([text(page), *page.methods])
        assert len(said) > 500 and NOT_TO_OWNERS.findall(said) == []
        assert [other for other in fleets if other != record.fleet and other in said] == []


def test_the_words_of_shop_pages(sample: Path) -> None:
    shops = names(sample, "select distinct shop from staging.repairs where shop is not null")
    with opened(sample) as con:
        for shop in shops:
            selection = select(con, shop=shop)
            page = shop_page(shop_record(con, sample.name, selection))
            said = text(with_silent(page, silent(con, sample.name, selection)))
            assert (
                page.sections[0].id == "to-do"
                and page.sections[1].id.startswith("look-")
                and "1,000 sensors" in said
            )
            assert len(said) > 500 and NOT_SAID.findall(said) == []
            assert [other for other in shops if other != shop and other in said] == []


def test_the_words_of_terminal_pages(sample: Path) -> None:
    """All that it says, its methods too: whoever has lanes serviced is no statistician."""
    terminals = names(sample, "select distinct terminal from marts.loads_by_lane_month")
    with opened(sample) as con:
        for name in terminals:
            page = terminal_page(terminal(con, sample.name, select(con, month="2025-12", terminal=name)))
            said = "\n".join([text(page), *page.methods])
            assert len(said) > 300 and NOT_TO_OWNERS.findall(said) == []
