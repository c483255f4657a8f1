"""Every page of a store, in a browser with the network off: of the sample, and of records full of hostile names."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from helpers import write_csv
from repermit.cli.pages import write_all
from repermit.ingest.run import ingest
from repermit.resources import folder
from repermit.validate.run import validate
from repermit_reports.pages.validation import validation_page
from repermit_reports.render import write

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


def pages_of(store: Path, out: Path) -> list[Path]:
    """Every page of a store, the validation page with them."""
    write(validation_page(validate(store, now=NOW)), out / "validation.html")
    return [*write_all(store, out, None, 0.0), out / "validation.html"]


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of the sample."""
    here = tmp_path_factory.mktemp("sample")
    for delivery in sorted((folder("sample_data") / "csv").iterdir()):
        ingest(here / "s.duckdb", [delivery], now=NOW)
    return pages_of(here / "s.duckdb", here / "pages")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of a store in which every name is hostile: three months, eight trailers, a fault each and more."""
    here = tmp_path_factory.mktemp("hostile")
    name = dict(enumerate(HOSTILE))
    trailers: list[dict[str, Any]] = []
    loads: list[dict[str, Any]] = []
    refusals: list[dict[str, Any]] = []
    repairs: list[dict[str, Any]] = []
    for i, trailer in name.items():
        other = name[(i + 1) % 8]
        trailers.append(
            {
                "trailer_id": trailer,
                "fleet": name[i // 4],
                "system": "five_wire",
                "positions": 5,
                "in_service_on": "2025-01-01",
                "home_shop": other,
            }
        )
        for month in (1, 2, 3):
            for day in range(1, 29):
                loads.append(
                    {
                        "trailer_id": trailer,
                        "terminal": name[i % 2],
                        "lane": other,
                        "loaded_on": f"2025-{month:02d}-{day:02d}",
                        "loads": 3,
                    }
                )
            at = f"2025-{month:02d}-{10 + i:02d}"
            number = f"{trailer}{month}"
            where = {"terminal": name[i % 2], "lane": other}
            refusals.append(
                {
                    "refusal_id": number,
                    "trailer_id": trailer,
                    "refused_at": f"{at}T08:00Z",
                    **where,
                    "reason": "overfill",
                    "released_by": "shop",
                }
            )
            refusals.append(
                {
                    "refusal_id": number + "x",
                    "trailer_id": trailer,
                    "refused_at": f"2025-{month:02d}-02T08:00Z",
                    **where,
                    "reason": "overfill",
                    "released_by": "other_lane",
                }
            )
            repairs.append(
                {"repair_id": number, "trailer_id": trailer, "refusal_id": number, "shop": name[i % 3], "received_at": f"{at}T10:00Z",
                 "returned_at": f"{at}T20:00Z", "found_position": 1 + i % 5, "found_place": "housing_wiring", "cause": "bad_crimp",
                 "action": "recrimped", "method": other, "invoice_total": 100, "note": trailer}
            )  # fmt: skip
    # The last month must be whole to be reported.
    loads.append(
        {
            "trailer_id": HOSTILE[0],
            "terminal": HOSTILE[0],
            "lane": HOSTILE[1],
            "loaded_on": "2025-04-02",
            "loads": 1,
        }
    )
    refusals.append(
        {
            "refusal_id": "last",
            "trailer_id": HOSTILE[0],
            "refused_at": "2025-04-02T08:00Z",
            "terminal": HOSTILE[0],
            "lane": HOSTILE[1],
            "reason": HOSTILE[0],
        }
    )
    refusals.append(
        {
            "refusal_id": "late",
            "trailer_id": HOSTILE[1],
            "refused_at": "2025-04-02T09:00Z",
            "terminal": HOSTILE[0],
            "lane": HOSTILE[1],
            "reason": "paperwork",
        }
    )
    records = here / "records"
    for table, rows in (
        ("trailers", trailers),
        ("loads", loads),
        ("refusals", refusals),
        ("repairs", repairs),
    ):
        write_csv(records, table, rows)
    ingest(here / "s.duckdb", [records], now=NOW)
    return pages_of(here / "s.duckdb", here / "pages")


def harmless(one: Any, path: Path) -> None:
    """Nothing but the file was asked for, nothing was said, nothing ran, nothing sticks out."""
    assert one.console == [] and one.dialogs == []
    assert [r for r in one.requests if not r.startswith("data:")] == [path.as_uri()]
    assert one.page.evaluate("() => window.pwned === undefined")
    assert one.overflow_px() == 0


@pytest.mark.parametrize(("width", "scheme"), [(375, "dark"), (1440, "light")])
def test_hostile_names_do_nothing(hostile: list[Path], open_page: Any, width: int, scheme: str) -> None:
    assert {p.stem.split("-")[0] for p in hostile} == {
        "monthly",
        "fleet",
        "shop",
        "terminal",
        "index",
        "validation",
    }
    for path in hostile:
        one = open_page(path, width, scheme)
        harmless(one, path)
        assert all(n > 0 for n in one.marks()), path.name


@pytest.mark.parametrize(("width", "scheme"), [(375, "light"), (1440, "dark")])
def test_pages_of_the_sample(sample: list[Path], open_page: Any, width: int, scheme: str) -> None:
    charts = 0
    for path in sample:
        one = open_page(path, width, scheme)
        harmless(one, path)
        assert all(n > 0 for n in one.marks()), path.name
        charts += one.charts()
        assert path.stat().st_size < 3_000_000
    assert charts >= 15


def test_links_of_the_index_lead_to_pages(sample: list[Path], hostile: list[Path], open_page: Any) -> None:
    for pages in (sample, hostile):
        index = next(p for p in pages if p.name == "index.html")
        one = open_page(index)
        links = one.page.locator("td a, th a").evaluate_all(
            "links => links.map(link => link.getAttribute('href'))"
        )
        assert {unquote(link) for link in links} == {p.name for p in pages} - {"index.html"}


def test_without_scripts(sample: list[Path], open_page: Any) -> None:
    for path in sample:
        one = open_page(path, 1440, "light", scripts=False)
        assert one.page.locator("table").count() > 0
        stills = one.page.locator("img.still")
        assert stills.count() == one.charts()
        for i in range(stills.count()):
            assert stills.nth(i).evaluate("image => image.naturalWidth") > 0


def test_headline_comes_first_on_a_phone(sample: list[Path], open_page: Any) -> None:
    page = open_page(next(p for p in sample if p.name.startswith("fleet")), 375).page
    headline, contents = page.locator(".headline").bounding_box(), page.locator("nav").bounding_box()
    assert headline["y"] + headline["height"] <= contents["y"]


def test_print_fits_twelve_sheets(sample: list[Path], open_page: Any) -> None:
    for path in sample:
        if path.name == "validation.html":
            continue  # every expectation of every table: a list to search, not to print
        printed = open_page(path).page.pdf(format="A4")
        assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 12, path.name
