"""The same records and settings make the same bytes of every kind of page, whatever order Python's sets have."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from helpers import load
from tanker_world import Fleet, Shop, Terminal, simulate, small, write

MAKE = """
import sys
from datetime import UTC, datetime
from pathlib import Path

from repermit.cli.pages import write_all, write_page
from repermit.studies.location.where_first import where_first
from repermit.studies.selection import select
from repermit.validate.run import validate
from repermit.warehouse import opened
from repermit_reports.pages.validation import validation_page
from repermit_reports.pages.where_first import card_page
from repermit_reports.render import write

NOW = datetime(2026, 1, 2, tzinfo=UTC)
if __name__ == "__main__":
    store, out = map(Path, sys.argv[1:])
    write(validation_page(validate(store, now=NOW)), out / "validation.html")
    with opened(store) as con:
        write(card_page(where_first(con, store.name, select(con, system="five_wire"), positions=5)), out / "card.html")
    write_all(store, out, None, None, 0.0, csv=True)
    write_page("shop", store, "East", None, None, out.parent / "alone.html", 0.0)
"""
KINDS = {"monthly", "fleet", "shop", "terminal", "index", "validation", "card"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Every page and table of one store, made in two processes with different hash seeds."""
    here = tmp_path_factory.mktemp("same")
    few = {
        "fleets": (Fleet("Red", 0.6, "East"), Fleet("Blue", 0.4, "East")),
        "shops": (Shop("East", "EAS", 0, 0.5, 80.0),),
    }
    places = (Terminal("Far", "F", 0, ("1", "2")), Terminal("Near", "N", 0, ("A", "B", "C")))
    scenario = small(
        7, trailers=12, months=14, planted=("lane", "month"), missing=0.2, terminals=places, **few
    )
    write(simulate(scenario), here / "records")
    load(here / "store.duckdb", here / "records")
    (here / "make.py").write_text(MAKE)
    folders = {seed: here / seed for seed in ("0", "4711")}
    path = os.pathsep.join(p for p in sys.path if p)
    for seed, folder in folders.items():
        folder.mkdir()
        shutil.copy(here / "store.duckdb", folder / "store.duckdb")
        subprocess.run(
            [sys.executable, here / "make.py", folder / "store.duckdb", folder / "pages"],
            check=True,
            capture_output=True,
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": path},
        )
    return [folder / "pages" for folder in folders.values()]


def files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_same_bytes_of_every_page_and_table(made: list[Path]) -> None:
    once, other = map(files, made)
    assert {Path(name).stem.split("-")[0] for name in once if name.endswith(".html")} == KINDS
    assert sum(name.endswith(".csv") for name in once) > 20
    assert sorted(other) == sorted(once)
    assert [name for name in once if other[name] != once[name]] == []


def test_a_page_made_alone_is_the_same(made: list[Path]) -> None:
    """Among all pages a shop's is asked for by another process, and drawn after others."""
    for pages in made:
        assert (pages.parent / "alone.html").read_bytes() == (pages / "shop-East.html").read_bytes()
