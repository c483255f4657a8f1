"""The front door: who reads which page, the newest month first, sizes, and where the tables lie."""

from __future__ import annotations

from datetime import date

from repermit_reports.pages.index import Entry, index_page
from repermit_reports.render import render

ENTRIES = (
    Entry("monthly", "2025-11", "monthly-2025-11.html", "Eleven.", 1800, tables=True),
    Entry("monthly", "2025-12", "monthly-2025-12.html", "Twelve.", 1900),
    Entry("fleet", "Red", "fleet-Red.html", "", 900),
    Entry("terminal", "Far", "terminal-Far.html", "Far.", 1100),
)


def test_the_newest_month_first_and_at_the_head() -> None:
    page = index_page(ENTRIES, "s.duckdb", "abc", date(2026, 1, 1))
    months = page.sections[0].table
    assert months and [row[0] for row in months.rows] == [
        ("2025-12", "monthly-2025-12.html"), ("2025-11", "monthly-2025-11.html")
    ]  # fmt: skip
    assert page.headline == "Twelve." and page.subtitle.startswith("To 2025-12-31. 4 pages")
    assert [row[2] for row in months.rows] == [1900, 1800]


def test_every_section_says_for_whom() -> None:
    page = index_page(ENTRIES, "s.duckdb", "abc", date(2026, 1, 1))
    assert [s.title for s in page.sections] == [
        "Months: for the reliability analyst", "Fleets: for the owner",
        "Terminals: for whoever has the lanes serviced",
    ]  # fmt: skip
    fleets = page.sections[1].table
    assert fleets and fleets.rows == ((("Red", "fleet-Red.html"), "made earlier", 900),)
    assert "1,900" in render(page)


def test_where_the_tables_lie() -> None:
    with_, without = (index_page(e, "s", "abc", date(2026, 1, 1)).lede for e in (ENTRIES, ENTRIES[1:]))
    assert "-tables at the end" in with_ and "With --csv" in without
