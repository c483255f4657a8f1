"""Rendered pages in a browser: drawn, quiet, closed to hostile data, readable on paper and without scripts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from example_page import HOSTILE, example
from repermit import wording
from repermit_reports import theme
from repermit_reports.render import write

if TYPE_CHECKING:
    from playwright.sync_api import Page as BrowserPage

    from conftest import OpenPage


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(example(), tmp_path_factory.mktemp("pages") / "example.html")


def test_every_chart_is_drawn_quietly_and_nothing_is_asked_for(open_page: OpenPage, path: Path) -> None:
    opened = open_page(path)
    assert opened.charts() == 5
    assert opened.marks() == [10, 3, 72, 5, 15]
    assert opened.console == []
    assert [url for url in opened.requests if not url.startswith("data:")] == [path.resolve().as_uri()]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [375, 1440])
def test_no_page_is_wider_than_its_window(open_page: OpenPage, path: Path, width: int, scheme: str) -> None:
    opened = open_page(path, width=width, scheme=scheme)
    opened.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert opened.overflow_px() == 0
    room = "pictures => pictures.map(one => one.scrollWidth - one.clientWidth)"
    too_wide = opened.page.locator(".picture:not(.scrolls)").evaluate_all(room)
    assert too_wide == [0, 0, 0, 0]
    assert opened.console == []


def test_charts_follow_the_scheme_also_when_it_changes(open_page: OpenPage, path: Path) -> None:
    opened = open_page(path, scheme="dark")
    label = opened.page.locator(".live svg .role-axis-label text").first
    assert label.get_attribute("fill") == theme.COLOURS["dark"]["ink"]
    background = "getComputedStyle(document.documentElement).backgroundColor"
    assert opened.page.evaluate(background) == rgb(theme.COLOURS["dark"]["paper"])
    opened.page.emulate_media(color_scheme="light")
    light = theme.COLOURS["light"]["ink"]
    redrawn = f"""one => one.querySelector('.live [fill="{light}"]')"""
    opened.page.wait_for_function(f"() => [...document.querySelectorAll('.picture')].every({redrawn})")
    assert opened.page.evaluate(background) == rgb(theme.COLOURS["light"]["paper"])
    assert opened.page.locator(".live").count() == 5
    assert opened.marks() == [10, 3, 72, 5, 15]
    assert opened.console == []


def rgb(colour: str) -> str:
    """As the browser writes it."""
    return f"rgb({', '.join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5))})"


def test_hostile_names_do_nothing(open_page: OpenPage, tmp_path: Path) -> None:
    opened = open_page(write(example(names=HOSTILE), tmp_path / "hostile.html"))
    page = opened.page
    assert opened.marks() == [2 * len(HOSTILE), 3, 72, 5, 15]
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    points = page.locator(".live").first.locator("svg .mark-symbol path")
    for at, name in enumerate(HOSTILE):
        points.nth(at).hover(force=True)
        page.locator("#vg-tooltip-element.visible").wait_for()
        shown = page.locator("#vg-tooltip-element").inner_text()
        assert name.replace("\u202e", "[U+202E]").split("\u202c")[0].split("\x00")[0] in shown
    for button in page.locator("table th button").all():
        button.click()
    assert page.evaluate("window.pwned") is None
    assert page.locator("img:not(.still)").count() == 0
    assert page.locator("main script, footer script, #vg-tooltip-element script").count() == 0
    assert opened.dialogs == []
    assert opened.console == []
    assert len([url for url in opened.requests if not url.startswith("data:")]) == 1


def test_the_policy_stops_what_escaping_would_let_through(
    open_page: OpenPage, path: Path, tmp_path: Path
) -> None:
    attack = "<script>window.pwned = 1</script><img src='http://pwned.invalid/x' onerror='window.pwned = 1'>"
    broken = tmp_path / "broken.html"
    broken.write_text(path.read_text(encoding="utf-8").replace("<main", attack + "<main"), encoding="utf-8")
    opened = open_page(broken)
    assert opened.page.evaluate("window.pwned") is None
    assert any("Content Security Policy" in line for line in opened.console)


def column(page: BrowserPage, at: int) -> list[str]:
    """The texts of a column of the open table."""
    return page.locator(f"#plain-table tbody tr > :nth-child({at})").all_inner_texts()


def test_tables_sort_by_keyboard_and_say_so(open_page: OpenPage, path: Path) -> None:
    page = open_page(path).page
    heading = page.locator("#plain-table thead th").nth(1)
    before = column(page, 2)
    assert heading.get_attribute("aria-sort") is None
    heading.locator("button").focus()
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "ascending"
    assert column(page, 2) == ["9", "340", "3,340", "6,340", "9,340"] != before
    page.keyboard.press("Space")
    assert heading.get_attribute("aria-sort") == "descending"
    assert column(page, 2) == ["9,340", "6,340", "3,340", "340", "9"]
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Rate per 1,000 loads"
    mean = page.locator("#plain-table thead th").nth(7)
    for order in ("ascending", "descending"):
        mean.locator("button").click()
        assert mean.get_attribute("aria-sort") == order
        assert column(page, 8)[-1] == wording.UNKNOWN
    assert heading.get_attribute("aria-sort") is None


def test_a_keyboard_reaches_everything_and_shows_where_it_is(open_page: OpenPage, path: Path) -> None:
    page = open_page(path).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    summary = page.locator("summary").first
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("#causes-table").is_visible()
    page.keyboard.press("Tab")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_the_arrow_keys_tell_what_a_chart_tells_when_pointed_at(open_page: OpenPage, path: Path) -> None:
    opened = open_page(path)
    page = opened.page
    told = page.locator("#causes-figure .told")
    assert told.inner_text() == ""
    page.locator("#causes-figure .picture").focus()
    assert told.inner_text() == "Arrow keys tell the 10 marks of this picture one by one."
    seen = []
    for _ in range(12):
        page.keyboard.press("ArrowRight")
        seen.append(told.inner_text())
        assert page.locator(".pointed").count() == 1
    assert seen[5:10] == [
        f"says: {name}: {at} faults"
        for at, name in enumerate(
            (
                "crimp on the last housing",
                "residual liquid",
                "corrosion",
                "sensor failed",
                "open ground circuit",
            )
        )
    ]
    assert seen[9:] == [seen[9]] * 3  # the last stays
    page.keyboard.press("ArrowUp")
    assert told.inner_text() == seen[8]
    page.keyboard.press("Home")
    assert told.inner_text() == seen[0]
    page.emulate_media(color_scheme="dark")  # drawn anew, and told as before
    opened.wait_for_charts()
    page.keyboard.press("End")
    assert told.inner_text() == seen[9]
    page.keyboard.press("Escape")
    assert page.locator(".pointed").count() == 0
    page.keyboard.press("Tab")
    assert told.inner_text() == "" and opened.console == []
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_the_page_reads_with_scripts_off(open_page: OpenPage, path: Path) -> None:
    opened = open_page(path, scripts=False, width=375)
    page = opened.page
    stills = page.locator("img.still")
    assert stills.count() == 5
    for still in stills.all():
        box = still.bounding_box()
        assert box is not None
        assert box["width"] >= 500  # its text stays readable: its box scrolls, the page does not
    assert page.locator("#months-figure img").evaluate("one => one.naturalWidth") == theme.STILL_WIDTH
    assert page.locator("#plain-table tbody tr").count() == 5
    page.locator("summary").first.click()
    assert page.locator("#causes-table").is_visible()
    assert page.locator("button").count() == 0
    assert opened.overflow_px() == 0


def test_paper_shows_the_still_pictures_in_light_colours(open_page: OpenPage, path: Path) -> None:
    page = open_page(path, scheme="dark").page
    page.emulate_media(media="print")
    assert page.locator("img.still:visible").count() == 5
    assert page.locator(".live:visible").count() == 0
    assert page.locator("nav:visible, details:visible").count() == 0
    boxes = (
        "all => all.map(one => getComputedStyle(one).display)"  # a box in a heading stops it being repeated
    )
    assert set(page.locator("thead button").evaluate_all(boxes)) == {"contents"}
    assert page.evaluate("getComputedStyle(document.body).color") == rgb(theme.COLOURS["light"]["ink"])
    assert page.evaluate("getComputedStyle(document.querySelector('img.still')).filter") == "none"


def test_headings_and_landmarks_are_in_order(open_page: OpenPage, path: Path) -> None:
    page = open_page(path).page
    levels = page.locator("h1, h2, h3, h4").evaluate_all("all => all.map(one => Number(one.tagName[1]))")
    assert levels[0] == 1
    assert set(levels[1:]) == {2}
    assert page.locator("html").get_attribute("lang") == "en"
    assert [page.locator(tag).count() for tag in ("header", "nav", "main", "footer")] == [1, 1, 1, 1]
    assert page.locator("figure > figcaption").count() == page.locator("figure").count() == 5
    names = page.locator(".picture").evaluate_all("all => all.map(one => one.getAttribute('aria-label'))")
    assert names == page.locator("figcaption").all_inner_texts()
    broken = "all => all.filter(one => !document.getElementById(one.getAttribute('href').slice(1))).length"
    assert page.locator("a[href^='#']").evaluate_all(broken) == 0


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Los_Angeles"])
def test_times_read_the_same_in_every_zone(open_page: OpenPage, path: Path, zone: str) -> None:
    page = open_page(path, timezone_id=zone).page
    labels = page.locator("#months-figure .live svg .role-axis-label text").all_text_contents()
    assert labels[:3] == ["Jan 2023", "Apr 2023", "Jul 2023"]
    first = "one => one.querySelector('.mark-line path').getAttribute('d').split(/[ML,]/)[1]"
    assert page.locator("#months-figure .live svg").evaluate(first) == "0"


def test_a_long_table_filters_and_says_how_many_rows_are_left(open_page: OpenPage, tmp_path: Path) -> None:
    names = [f"cause {n}" for n in range(20)]
    page = open_page(write(example(names=names), tmp_path / "long.html")).page
    box = page.locator("label.filter", has=page.locator("input")).last.locator("input")
    box.focus()
    page.keyboard.type("cause 1")
    assert page.locator("#used tbody tr:visible").count() == 11
    assert page.locator("label.filter output").last.inner_text() == "11 of 20 rows"
    page.emulate_media(media="print")
    assert page.locator("#used tbody tr:visible").count() == 20
    assert page.locator("label.filter:visible").count() == 0
    page.emulate_media(media="screen")
    box.fill("")
    assert page.locator("#used tbody tr:visible").count() == 20
    assert open_page(write(example(), tmp_path / "short.html")).page.locator("label.filter").count() == 0


def test_a_wide_table_is_a_list_of_cards_on_a_phone(open_page: OpenPage, path: Path) -> None:
    page = open_page(path, width=375).page
    room = "one => one.parentElement.scrollWidth - one.parentElement.clientWidth"
    assert page.locator("#plain-table").evaluate(room) == 0
    cell = page.locator("#plain-table tbody td").first
    assert cell.evaluate("one => getComputedStyle(one, '::before').content") == '"Faults"'
    row = page.locator("#plain-table tbody tr").first
    cells = row.locator("td").evaluate_all("all => all.map(one => one.getBoundingClientRect().top)")
    assert cells == sorted(set(cells)) and len(cells) == 7
    page.set_viewport_size({"width": 1440, "height": 900})
    cells = row.locator("td").evaluate_all("all => all.map(one => one.getBoundingClientRect().top)")
    assert len(set(cells)) == 1
