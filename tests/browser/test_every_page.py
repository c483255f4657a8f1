"""Every page of a store, in a browser with the network off: of the sample, and of records full of hostile names."""

from __future__ import annotations

import base64
import re
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote

import pytest

from helpers import query, write_csv
from rendered import details, ill_written, read, untold, violations
from repermit.cli.pages import write_all
from repermit.ingest.run import ingest
from repermit.resources import folder
from repermit.studies.location.where_first import where_first
from repermit.studies.selection import select
from repermit.validate.run import validate
from repermit.warehouse import opened
from repermit_reports import theme
from repermit_reports.pages.validation import validation_page
from repermit_reports.pages.where_first import card_page
from repermit_reports.pages.words import CAUTIONS
from repermit_reports.render import write
from tanker_world import simulate, small
from tanker_world import write as write_world

NOW = datetime(2026, 1, 2, tzinfo=UTC)
HOSTILE = (
    "<script>window.pwned=1</script>",
    "</script><script>window.pwned=1</script>",
    '"><img src=x onerror=window.pwned=1>',
    "=cmd|'/c calc'!A1",
    "'; DROP TABLE refusals; --",
    "\u202eabc",
    "__proto__",
    "constructor",
)
"""Names that do harm where text is taken for code, or hide what they are."""
CHARTS = {"monthly": 4, "fleet": 2, "shop": 0, "terminal": 1, "index": 0, "validation": 0}
"""How many charts a page of each kind holds where there is something to draw, without those that take more than counts (`SOMETIMES`)."""
SOMETIMES = {
    "#outlook": {"monthly", "fleet"},
    "#trend-figure": {"monthly"},
    "#groups-figure": {"monthly"},
    "#lives-figure": {"monthly"},
    "#located-figure": {"monthly"},
    "#fixes-figure": {"monthly"},
    "#rack-side-figure": {"monthly"},
    "#shops-figure": {"monthly"},
    "#which-lane-figure": {"terminal"},
    "#which-hold-figure": {"shop"},
}
"""Charts that take more, and the kinds of page of the sample that hold them."""
CUT_OFF = "all => all.filter(one => one.scrollWidth > one.clientWidth).map(one => one.firstElementChild.id)"
"""The tables whose last columns a reader does not see without moving them."""
MONTHS = ("2025-01", "2025-02", "2025-03")
SIZE_LIMIT_BYTES = 3_000_000
SHEETS_LIMIT = 12


def pages_of(store: Path, out: Path) -> list[Path]:
    """Every page of a store, the validation page with them."""
    write(validation_page(validate(store, now=NOW)), out / "validation.html")
    return [*write_all(store, out, None, None, 0.0), out / "validation.html"]


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of the sample."""
    here = tmp_path_factory.mktemp("sample")
    for delivery in sorted((folder("sample_data") / "csv").iterdir()):
        ingest(here / "s.duckdb", [delivery], now=NOW)
    return pages_of(here / "s.duckdb", here / "pages")


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of four trailers in three months, of which next to nothing is on record."""
    here = tmp_path_factory.mktemp("tiny")
    write_world(simulate(small(9, trailers=4, months=3, loads_per_month=20.0)), here / "csv")
    ingest(here / "s.duckdb", [here / "csv"], now=NOW)
    return pages_of(here / "s.duckdb", here / "pages")


def charts_of(one: Any, path: Path) -> int:
    """How many charts the page should hold; three months of eight trailers are too few for some of them."""
    return CHARTS[kind_of(path)] + sum(
        one.page.locator(id_).count() for id_ in (*SOMETIMES, "#against-figure", "#how-figure")
    )


def hostile_rows() -> dict[str, list[dict[str, Any]]]:
    """Three months of eight trailers, a repaired fault and a turned-away one each month; every name is hostile."""
    trailers, loads, refusals, repairs = [], [], [], []
    for i, trailer in enumerate(HOSTILE):
        other = HOSTILE[(i + 1) % 8]
        shop = HOSTILE[(2, 1, 5)[i % 3]]
        where = {"trailer_id": trailer, "terminal": HOSTILE[(0, 4)[i % 2]], "lane": other}
        trailers.append(
            {"trailer_id": trailer, "fleet": HOSTILE[i // 4], "system": "five_wire", "positions": 5,
             "in_service_on": "2025-01-01", "home_shop": shop}
        )  # fmt: skip
        for month in MONTHS:
            number, day = f"{trailer}{month}", f"{month}-{10 + i}"
            loads += [{**where, "loaded_on": f"{month}-{d:02d}", "loads": 3} for d in range(1, 29)]
            refusals += [
                {**where, "refusal_id": number, "refused_at": f"{day}T08:00Z", "reason": "overfill", "released_by": "shop"},
                {**where, "refusal_id": f"{number}x", "refused_at": f"{month}-02T08:00Z", "reason": "overfill", "released_by": "other_lane"},
            ]  # fmt: skip
            repairs.append(
                {"repair_id": number, "trailer_id": trailer, "refusal_id": number, "shop": shop,
                 "received_at": f"{day}T10:00Z", "returned_at": f"{day}T20:00Z", "found_position": 1 + i % 5,
                 "found_place": "sensor", "cause": "sensor_failed", "action": "sensor_replaced",
                 "sensor_out": f"{number}out", "sensor_in": f"{number}in", "part_lot": other, "mechanic": trailer,
                 "method": other, "invoice_total": 100, "note": trailer}
            )  # fmt: skip
    # A day of April, so that March is whole.
    late = {"trailer_id": HOSTILE[0], "terminal": HOSTILE[0], "lane": HOSTILE[1]}
    loads.append({**late, "loaded_on": "2025-04-02", "loads": 1})
    refusals.append({**late, "refusal_id": "late", "refused_at": "2025-04-02T09:00Z", "reason": "paperwork"})
    return {"trailers": trailers, "loads": loads, "refusals": refusals, "repairs": repairs}


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of a store in which every name is hostile, those of the files too; one row waits."""
    here = tmp_path_factory.mktemp("hostile")
    tables = hostile_rows()
    kept = {table: len(rows) for table, rows in tables.items()}
    tables["refusals"].append({**tables["refusals"][-1], "refusal_id": "waits", "reason": HOSTILE[0]})
    for table, rows in tables.items():
        write_csv(
            here / "records", table, rows, name=f"{table} <img src=x onerror=window.pwned=1>\u202e'.csv"
        )
    ingest(here / "s.duckdb", [here / "records"], now=NOW)
    for table, count in kept.items():
        assert query(here / "s.duckdb", f"select count(*) from accepted.{table}") == [(count,)]
    assert query(here / "s.duckdb", "select reasons from waiting.refusals") == [(["reason_listed"],)]
    return pages_of(here / "s.duckdb", here / "pages")


def kind_of(path: Path) -> str:
    """What the page is about, by its file's name."""
    return path.stem.split("-")[0]


def harmless(one: Any, path: Path) -> None:
    """Every chart is drawn; nothing but the file was asked for, nothing was said or ran, nothing sticks out."""
    marks = one.marks()
    assert len(marks) == charts_of(one, path) and all(marks), (path.name, marks)
    assert one.console == [] and one.dialogs == [], path.name
    assert [r for r in one.requests if not r.startswith("data:")] == [path.resolve().as_uri()]
    assert one.page.evaluate("window.pwned === undefined")
    assert one.page.locator("img:not(.still), main script, header script, footer script").count() == 0
    one.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert one.overflow_px() == 0, path.name


def turned(one: Any, scheme: Literal["light", "dark"]) -> None:
    """The open page in the other colours, every chart drawn anew."""
    one.page.emulate_media(color_scheme=scheme)
    redrawn = f"""one => one.querySelector('.live svg [fill="{theme.COLOURS[scheme]["ink"]}"]')"""
    one.page.wait_for_function(f"() => [...document.querySelectorAll('.picture')].every({redrawn})")


@pytest.mark.parametrize("width", [375, 1440])
def test_hostile_names_do_nothing(hostile: list[Path], open_page: Any, width: int) -> None:
    assert Counter(map(kind_of, hostile)) == {
        "monthly": 1, "fleet": 2, "shop": 3, "terminal": 2, "index": 1, "validation": 1
    }  # fmt: skip
    for path in hostile:
        one = open_page(path, width, "light")
        harmless(one, path)
        assert one.page.locator("#which-lane-figure").count() == 0  # each trailer comes to one lane a month
        turned(one, "dark")
        harmless(one, path)
        one.page.close()


def test_hostile_names_are_shown_as_they_are_without_scripts(hostile: list[Path], open_page: Any) -> None:
    shown = ""
    for path in hostile:
        one = open_page(path, 375, scripts=False)
        assert one.page.locator("tbody tr").count() > 0
        widths = one.page.locator("img.still:visible").evaluate_all("all => all.map(one => one.naturalWidth)")
        assert widths == [theme.STILL_WIDTH] * charts_of(one, path) == [theme.STILL_WIDTH] * one.charts()
        assert one.overflow_px() == 0
        shown += one.page.evaluate("document.querySelector('header').textContent")
        shown += "".join(one.page.locator("table").all_text_contents())
        one.page.close()
    for name in HOSTILE:
        assert name.replace("\u202e", "[U+202E]") in shown
    assert "\u202e" not in shown


def test_pages_of_the_sample_on_a_phone_and_on_paper(sample: list[Path], open_page: Any) -> None:
    assert Counter(map(kind_of, sample)) == {
        "monthly": 1, "fleet": 4, "shop": 3, "terminal": 3, "index": 1, "validation": 1
    }  # fmt: skip
    for path in sample:
        assert path.stat().st_size < SIZE_LIMIT_BYTES
        one = open_page(path, 375, "dark")
        printed = one.page.pdf(format="A4")
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= SHEETS_LIMIT, path.name
        if kind_of(path) == "shop":  # on paper nobody can open a table
            one.page.emulate_media(media="print")
            assert one.page.locator("#which-hold-table td").first.is_visible()
            one.page.emulate_media(media="screen")
        harmless(one, path)
        if kind_of(path) != "monthly":
            assert one.page.locator(".scroll").evaluate_all(CUT_OFF) == [], path.name
        for id_, kinds in SOMETIMES.items():
            assert one.page.locator(id_).count() == (kind_of(path) in kinds), (path.name, id_)
        one.page.close()


@pytest.mark.parametrize(("system", "positions"), [("five_wire", 6), ("five_wire", 12)])
def test_the_check_card_is_one_sheet_with_the_cautions(
    sample: list[Path], open_page: Any, tmp_path: Path, system: str, positions: int
) -> None:
    with opened(sample[0].parents[1] / "s.duckdb") as con:
        found = where_first(con, "s", select(con, system=system), positions=positions)
    one = open_page(write(card_page(found), tmp_path / "card.html"), 1440)
    for paper in ("A4", "Letter"):
        printed = one.page.pdf(format=paper, prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, paper
    one.page.emulate_media(media="print")
    boxes = one.page.locator("#page_cautions p").evaluate_all(
        "all => all.map(one => one.getBoundingClientRect().left)"
    )
    assert len(set(boxes)) == 2  # side by side, so that the sheet has room for the checks
    sizes = "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
    assert (
        min(one.page.locator("#page_cautions p, td").evaluate_all(sizes)) >= 13
    )  # px: 10 points, in the hand
    assert one.page.locator("#page_cautions p").count() == len(CAUTIONS)
    inked = "all => [...new Set(all.map(one => getComputedStyle(one).backgroundColor))]"
    assert one.page.locator("section, table, td, th").evaluate_all(inked) in (
        ["rgba(0, 0, 0, 0)"],
        ["rgba(0, 0, 0, 0)", "rgb(255, 255, 255)"],
    )  # no ink but that of the letters
    assert one.page.locator("tbody tr").count() >= 4
    harmless_card = [r for r in one.requests if not r.startswith("data:")]
    assert len(harmless_card) == 1 and one.console == []


def test_links_of_the_index_lead_to_pages(sample: list[Path], hostile: list[Path], open_page: Any) -> None:
    for pages in (sample, hostile):
        index = next(p for p in pages if p.name == "index.html")
        links = open_page(index).page.locator("td a, th a")
        names = {
            unquote(link) for link in links.evaluate_all("all => all.map(one => one.getAttribute('href'))")
        }
        assert names == {p.name for p in pages} - {"index.html"}
        assert all((index.parent / name).is_file() for name in names)
    page = open_page(index, scripts=False).page
    for address in page.locator("td a, th a").evaluate_all("all => all.map(one => one.href)"):
        page.goto(address)
        assert page.locator(".headline").count() == 1


@pytest.mark.parametrize("kind", ["fleet", "terminal"])
def test_headline_first_on_a_phone_and_contents_beside_on_a_desk(
    sample: list[Path], open_page: Any, kind: str
) -> None:
    page = open_page(next(p for p in sample if kind_of(p) == kind), 375).page
    headline, contents = (page.locator(part).bounding_box() for part in (".headline", "nav"))
    assert headline["y"] + headline["height"] <= contents["y"]
    page.set_viewport_size({"width": 1440, "height": 900})
    title, headline, contents = (page.locator(part).bounding_box() for part in ("h1", ".headline", "nav"))
    assert contents["x"] + contents["width"] <= min(title["x"], headline["x"])
    assert contents["y"] <= headline["y"] and headline["y"] + headline["height"] <= 900


@pytest.mark.parametrize(("width", "scheme"), [(375, "light"), (1440, "dark")])
def test_an_accessibility_engine_finds_nothing_serious(
    sample: list[Path], open_page: Any, width: int, scheme: Literal["light", "dark"]
) -> None:
    engine = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    kinds = {kind_of(path): path for path in sample}
    for path in kinds.values():
        one = open_page(path, width, scheme)
        one.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        found = engine.Axe().run(one.page).response
        assert len(found["passes"]) > 20, path.name
        serious = [
            (v["id"], v["nodes"][0]["html"][:200])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert serious == [], path.name
        one.page.close()


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("4120 loads", "thousands"),
        ("4,12 loads", "thousands"),
        ("12345 days", "thousands"),
        ("2.2941 per 1,000 loads", "significant"),
        ("1.2-3.4 times", "dash"),
        ("1.2 \N{EN DASH} 3.4 times", "dash"),
        ("12% of 50", "percent"),
        ("since 2024-12, 1,234 loads, 2.94 (1.49 to 5.14), 9 of 212, 4.2 % (IEC 60050-192; Crow 1975), TR-12345", ""),
    ],
)  # fmt: skip
def test_numbers_that_are_ill_written_are_seen(text: str, wrong: str) -> None:
    found = list(ill_written(text))
    assert len(found) == bool(wrong) and all(wrong in one for one in found)


def test_numbers_are_written_the_same_way_everywhere(sample: list[Path], tiny: list[Path]) -> None:
    pages = [(path, read(path)) for path in (*sample, *tiny)]
    assert sum(len(page.tables) for _, page in pages) > 100
    assert [(path.name, found) for path, page in pages for found in violations(page)] == []


def test_tables_hold_all_that_the_charts_beside_them_tell(sample: list[Path], tiny: list[Path]) -> None:
    for path in (*sample, *tiny):
        page = read(path)
        assert untold(page) == [], path.name
    page = read(next(path for path in sample if kind_of(path) == "monthly"))
    assert sum(1 for spec in page.specs.values() for _ in details(spec)) > 100
    for table in page.tables:
        table.rows = [[cell.replace("1", "7") for cell in row] for row in table.rows]
    assert untold(page)  # the check would see it


def test_every_chart_is_told_by_keyboard(sample: list[Path], open_page: Any) -> None:
    for path in {kind_of(path): path for path in sample}.values():
        one, read_ = open_page(path, 1440), read(path)
        # The order of the page is the order of the keys, and each stop is seen.
        assert one.page.locator("[tabindex]").evaluate_all("all => all.every(one => one.tabIndex <= 0)")
        for part in ("summary", "th button", "td a, th a", ".picture"):
            if found := one.page.locator(f"{part}:visible").all():
                one.page.keyboard.press("Tab")  # so that the browser knows of the keyboard
                found[0].focus()
                assert found[0].evaluate("one => getComputedStyle(one).outlineStyle") == "solid", (
                    path.name,
                    part,
                )
        for id_, spec in read_.specs.items():
            one.page.locator(f"#{id_} .picture").focus()
            told = one.page.locator(f"#{id_} .told")
            marks = len(list(details(spec)))
            assert told.inner_text() == f"Arrow keys tell the {marks} marks of this picture one by one."
            one.page.keyboard.press("End")
            assert all(
                f"{name}: " in told.inner_text()
                for name, value in list(details(spec))[-1]
                if value is not None
            )
            assert one.page.locator(f"#{id_} .pointed").count() == 1
        one.page.close()


def test_every_kind_of_page_reads_with_scripts_off(
    sample: list[Path], tiny: list[Path], open_page: Any
) -> None:
    for path in {(len(pages), kind_of(path)): path for pages in (sample, tiny) for path in pages}.values():
        one, page = open_page(path, 1440, scripts=False), read(path)
        assert set(page.stills) == set(page.figures) == set(page.specs), path.name
        for still in page.stills.values():
            drawn = base64.b64decode(still.removeprefix("data:image/svg+xml;base64,")).decode()
            assert re.search(r"role-mark[^>]*>\s*<(path|text|line|rect)", drawn), path.name
        shown = one.page.locator("img.still:visible").evaluate_all("all => all.map(one => one.naturalWidth)")
        assert shown == [theme.STILL_WIDTH] * len(page.figures), path.name
        for folded in one.page.locator("summary").all():
            folded.click()
        assert one.page.locator("table:visible").count() == len(page.tables)
        assert one.page.locator("tbody tr:visible").count() == sum(len(table.rows) for table in page.tables)
        assert page.headings[0] == 1 and page.headings.count(1) == 1
        assert all(
            after <= before + 1 for before, after in zip(page.headings, page.headings[1:], strict=False)
        )
        one.page.close()


def test_the_monthly_page_of_the_sample_tells_what_was_planted(sample: list[Path]) -> None:
    told = " ".join(read(next(path for path in sample if kind_of(path) == "monthly")).sentences)
    for planted in (
        "Lane C of Osierhythe refuses",
        "Sensors of lot L-K7",
        "Since strain_relief_kit there are fewer faults",
        "1 of 24 months judged is a signal: 2025-06",
        "Brackmere's fixes come back",
        "dust_caps on 9 trailers since 2024-01-25: too few to tell",
    ):
        assert planted in told
