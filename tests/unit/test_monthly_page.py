"""The monthly page of stores that have little: what it says, what it leaves out, and that its counts lead to rows."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from helpers import load, query
from repermit.studies.ages.trend import trend
from repermit.studies.readers.monthly import Monthly, monthly, trends_asked
from repermit.studies.selection import select
from repermit.warehouse import opened, promise
from repermit_reports.page import Page, Section
from repermit_reports.pages.monthly.page import monthly_page
from tanker_world import simulate, small
from tanker_world import write as write_world

WORLD = small(31, trailers=40, months=14, missing=0.4, two_wire=0.0, loads_per_month=110.0)
SPARSE = small(31, trailers=20, months=14)


def month_of(store: Path, month: str) -> tuple[Monthly, Page]:
    with opened(store) as con:
        found = monthly(con, "s", select(con, month=month))
    return found, monthly_page(found)


def section(page: Page, id_: str) -> Section:
    return next(s for s in page.sections if s.id == id_)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of a whole world, and a row of an unknown trailer."""
    here = tmp_path_factory.mktemp("whole")
    world = simulate(WORLD)
    write_world(world, here / "csv")
    stray = world.tables["refusals"].head(2).with_columns(
        trailer_id=pl.lit("tr-2"), refusal_id="stray" + pl.col("refusal_id")
    )  # fmt: skip
    stray.write_csv(here / "csv" / "stray-refusals.csv")
    load(here / "s.duckdb", here / "csv")
    return here / "s.duckdb"


@pytest.fixture(scope="module")
def december(whole: Path) -> tuple[Monthly, Page]:
    """A month of the whole world and its page."""
    return month_of(whole, "2023-12")


@pytest.fixture(scope="module")
def least(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of nothing but trailers, their lengths, and visits with what was done."""
    here = tmp_path_factory.mktemp("least")
    tables = simulate(SPARSE).tables
    tables["trailers"].unique("trailer_id").select("trailer_id", "positions", "in_service_on").write_csv(
        here / "trailers.csv"
    )
    tables["repairs"].select("repair_id", "trailer_id", "received_at", "returned_at", "action").write_csv(
        here / "repairs.csv"
    )
    load(here / "s.duckdb", here)
    return here / "s.duckdb"


def test_the_trends_that_another_process_worked_out_are_those_of_the_page(
    whole: Path, december: tuple[Monthly, Page]
) -> None:
    with opened(whole) as con:
        chosen = select(con, month="2023-12")
        elsewhere = trend(con, *trends_asked(con, "s", chosen))
    with opened(whole) as con:
        promise(con, trend, trends_asked(con, "s", chosen), lambda: elsewhere)
        found = monthly(con, "s", chosen)
    assert found.trends is elsewhere
    assert found.trends == december[0].trends


def test_a_count_leads_to_its_rows(whole: Path, december: tuple[Monthly, Page]) -> None:
    found, page = december
    assert found.faults and page.headline.startswith(f"{len(found.faults)} fault")
    table = section(page, "faults").table
    assert table is not None and len(table.rows) == len(found.faults)
    of_month = "select f.episode_id, count(p.part_id) filter (p.part = 'refusal') from marts.faults f join marts.episode_parts p using (episode_id) where counts_as = 'fault' and started_at >= '2023-12-01' and started_at < '2024-01-01' group by 1"
    assert {row[0]: row[4] for row in table.rows} == dict(query(whole, of_month))
    told = section(page, "outcomes").lede
    repaired, open_ = (found.outcomes.get(n, 0) for n in ("repaired", "open"))
    assert repaired + open_ == len(found.faults)
    assert f"{repaired} repaired and {open_} unresolved make {len(found.faults)} fault" in told


def test_causes_are_told_as_recorded_and_as_rates_with_the_rest_shared_out(
    december: tuple[Monthly, Page],
) -> None:
    found, page = december
    total = sum(c.faults for c in found.causes)
    assert sum(r.faults for r in found.cause_rates.rows) == pytest.approx(total)
    lost = next(c.faults for c in found.causes if c.cause is None)
    shared = sum(r.faults for r in found.cause_rates.rows if r.keys["cause"] is None)
    assert lost > shared  # some of what nobody wrote down is shared out
    causes = section(page, "causes")
    assert causes.table is not None
    for row in causes.table.rows:
        point, low, high = row[8]
        assert low <= point <= high
    assert "per 1,000 loads" in causes.lede and "trailer-days" in causes.lede
    assert any(f"{lost} faults whose cause nobody wrote down" in note for note in causes.notes)


def test_unknown_trailers_are_guessed_once_and_not_in_the_reasons(december: tuple[Monthly, Page]) -> None:
    _, page = december
    aside = section(page, "quarantine")
    assert aside.table is not None
    assert [row[1:] for row in aside.table.rows] == [("the trailer is in the list of trailers", 2)]
    assert [note for note in aside.notes if "'tr-2' (2 rows) may be TR-0002" in note]
    assert aside.lede.startswith("2 of ")


def test_a_store_of_visits_alone_tells_what_visits_give(least: Path) -> None:
    months = [m for (m,) in query(least, "select distinct strftime(received_at, '%Y-%m') from core.visits")]
    quiet = next(f"2023-{n:02d}" for n in range(6, 13) if f"2023-{n:02d}" not in months)
    busy = max(months)
    for month, faults in ((busy, True), (quiet, False)):
        found, page = month_of(least, month)
        assert bool(found.faults) == faults and found.has_data
        assert "a trailer and year" in page.headline
        assert [row.refusals for row in found.months] == [None] * len(found.months)
        causes = section(page, "causes").lede
        assert "no visit carries a price" in causes and "cost 0" not in causes
        assert "refusals" not in section(page, "changed").lede
        fixes = section(page, "fixes")
        assert "another fault within 90 days" in fixes.lede and fixes.table is not None
        assert section(page, "positions").table is None and section(page, "cells").figure is None
    assert any("it lacks refusals (for hours stopped)" in str(used) for used in page.data_used)


def test_a_month_without_records_says_so(whole: Path) -> None:
    found, page = month_of(whole, "2019-03")
    assert not found.has_data and page.sections == ()
    assert page.headline == "No loads, refusals or visits are on record for 2019-03."
