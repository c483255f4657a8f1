"""Tables of a page as rows for other programs, and single charts as pictures."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from example_page import HOSTILE, example
from repermit.cli.drawn import write_tables
from repermit.cli.main import app
from repermit_reports.flat import flat, tables
from repermit_reports.page import Column, Table
from repermit_reports.picture import write_picture


def test_limits_and_shares_have_columns_of_their_own_and_values_are_not_rounded() -> None:
    columns = (
        Column("name", "name"),
        Column("rate", "rate", unit="per 1,000 loads", kind="interval"),
        Column("bounds", "could be", kind="interval"),
        Column("back", "back", kind="share"),
        Column("on", "on", kind="date"),
        Column("page", "page", kind="link"),
    )
    rows = (
        ("a", (1.23456, 0.5, 2.0), (1, 4), (3, 50), date(2025, 1, 2), ("here", "x.html")),
        ("b", None, None, None, None, None),
    )
    names, found = flat(Table("t-table", "t", columns, rows))
    assert names == [
        "name", "rate (per 1,000 loads)", "rate (per 1,000 loads), from", "rate (per 1,000 loads), to",
        "could be, from", "could be, to", "back", "back, of", "on", "page",
    ]  # fmt: skip
    assert found[0] == ["a", 1.23456, 0.5, 2.0, 1, 4, 3, 50, date(2025, 1, 2), "here"]
    assert found[1] == ["b", *[None] * 9]


def test_every_table_of_a_page_is_a_file_that_opens_inertly(tmp_path: Path) -> None:
    page = example(names=HOSTILE)
    folder = write_tables(page, tmp_path / "page.html")
    assert folder == tmp_path / "page-tables"
    assert {p.stem for p in folder.iterdir()} == {name for name, _ in tables(page)} >= {"plain", "used"}
    with (folder / "plain.csv").open(encoding="utf-8", errors="surrogateescape", newline="") as file:
        read = list(csv.reader(file))
    assert len(read) == 1 + len(HOSTILE)
    assert not [cell for row in read for cell in row if cell[:1] in "=+@\t\r" and cell]


def test_a_picture_is_the_same_again_and_says_what_it_is_of(tmp_path: Path) -> None:
    page = example(names=HOSTILE)
    section = page.sections[0]
    first, again = (write_picture(page, section, tmp_path / n).read_bytes() for n in ("a.svg", "b.svg"))
    assert first == again
    texts = [e.text for e in ElementTree.fromstring(first).iter() if e.text and e.tag.endswith("text")]
    assert section.title in texts and page.title in texts
    png = write_picture(page, section, tmp_path / "c.png").read_bytes()
    assert png.startswith(b"\x89PNG") and png == write_picture(page, section, tmp_path / "d.png").read_bytes()


@pytest.mark.parametrize("call", [["--out", "x.gif"], ["--fleet", "a", "--shop", "b"]])
def test_calls_that_make_no_sense(call: list[str]) -> None:
    found = CliRunner().invoke(app, ["chart", "by-month", *call])
    assert type(found.exception).__name__ == "CallError"
