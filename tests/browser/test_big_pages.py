"""Pages of 2,000 trailers and 60 months: small enough, drawn at once, no wider than their window, few sheets, none cut."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from typing import Any

import pytest

from helpers import load
from repermit.cli.pages import write_page

TRAILERS, MONTHS = 2000, 60
LOAD_ROWS = 500_000
"""In 36 months: few a trailer, as the pages speak of trailers, months, lanes and causes, not of loads."""
SIZE_LIMIT_BYTES = 3_000_000
DRAWN_WITHIN_MS = 2000
LOADS = 6
"""How often a page is loaded at most until it is drawn in time."""
SHEETS_LIMIT = 12
KINDS = {"monthly": None, "fleet": "Fleet 0", "shop": "Shop 0"}
DRAWN = "() => performance.getEntriesByName('drawn')[0]?.startTime"
"""When the page had drawn its last chart, in ms since the navigation began."""


def big_worlds() -> Any:
    """The writer of big worlds, which stands among the benchmarks."""
    path = Path(__file__).parents[1] / "benchmarks" / "big_worlds.py"
    spec = importlib.util.spec_from_file_location("big_worlds", path)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A page of each kind that grows with trailers and months."""
    here = tmp_path_factory.mktemp("big")
    big_worlds().write(here / "csv", LOAD_ROWS, months=MONTHS, trailers=TRAILERS)
    load(here / "s.duckdb", here / "csv")
    return {
        kind: write_page(kind, here / "s.duckdb", name, None, None, here / f"{kind}.html", 0.0)
        for kind, name in KINDS.items()
    }


@pytest.mark.parametrize("kind", KINDS)
def test_a_big_page_is_small_and_drawn_at_once(pages: dict[str, Path], kind: str, open_page: Any) -> None:
    assert pages[kind].stat().st_size < SIZE_LIMIT_BYTES
    # The best of a few, as the machine may be at other work.
    times: list[float] = []
    while len(times) < LOADS and min(times, default=DRAWN_WITHIN_MS) >= DRAWN_WITHIN_MS:
        one = open_page(pages[kind])
        one.page.wait_for_function(DRAWN)
        times.append(one.page.evaluate(DRAWN))
        marks = one.marks()
        assert marks and all(marks) and one.console == []
        one.page.close()
    assert min(times) < DRAWN_WITHIN_MS, times


@pytest.mark.parametrize("kind", KINDS)
def test_a_big_page_fits_its_window_and_its_sheets(pages: dict[str, Path], kind: str, open_page: Any) -> None:
    for width in (375, 1440):
        one = open_page(pages[kind], width)
        one.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        assert one.overflow_px() == 0, (kind, width)
        one.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = false; })")
    printed = one.page.pdf(format="A4")
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= SHEETS_LIMIT
    one.page.emulate_media(media="print")
    one.page.set_viewport_size({"width": 673, "height": 980})  # the room of a sheet, A4 less its margins
    cut = "all => all.filter(one => one.getBoundingClientRect().right > innerWidth + 1 || one.getBoundingClientRect().height > innerHeight).length"
    assert one.page.locator("img.still:visible").count() == one.charts()
    assert one.page.locator("img.still").evaluate_all(cut) == 0
    kept = "all => all.every(one => getComputedStyle(one).breakInside === 'avoid')"
    assert one.page.locator("figure").evaluate_all(kept)


def test_a_long_table_sorts_and_filters(pages: dict[str, Path], open_page: Any) -> None:
    page = open_page(pages["monthly"]).page
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    rows = page.locator("#by-month-table tbody tr")
    assert rows.count() >= MONTHS - 1
    heading = page.locator("#by-month-table thead th").nth(5)
    heading.locator("button").focus()
    page.keyboard.press("Enter")
    counts = [
        int(text.replace(",", ""))
        for text in page.locator("#by-month-table tbody td:nth-child(6)").all_inner_texts()
    ]
    assert counts == sorted(counts) and len(set(counts)) > 5
    assert heading.get_attribute("aria-sort") == "ascending"
    box = page.locator("label.filter", has=page.locator("input")).nth(0).locator("input")
    table = box.evaluate("one => one.closest('label').nextElementSibling.querySelector('table').id")
    first = page.locator(f"#{table} tbody tr").first.locator("th").inner_text()
    box.focus()
    page.keyboard.type(first)
    left = page.locator(f"#{table} tbody tr:visible")
    assert 1 <= left.count() < page.locator(f"#{table} tbody tr").count()
    assert all(first in text for text in left.all_inner_texts())
