"""A page that would be made again as it lies there is left alone; whatever could change it makes it new."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import NOW, query, store_from, write_csv
from repermit.cli import made_before
from repermit.ingest.run import ingest
from repermit.validate.run import validate

LONG_AGO = 1_000_000_000
TERMINAL = ("report", "terminal", "--terminal", "T")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store of two months, whose terminal page is quickly made."""
    tables = {
        "trailers": [{"trailer_id": "A", "positions": 4, "in_service_on": "2024-01-01", "fleet": "Red"}],
        "loads": [
            {"trailer_id": "A", "terminal": "T", "lane": "1", "loaded_on": day, "loads": 9}
            for day in ("2025-01-01", "2025-03-01")
        ],
        "refusals": [
            {"refusal_id": "1", "trailer_id": "A", "refused_at": day, "terminal": "T", "lane": "1", "reason": "overfill"}
            for day in ("2025-01-10T08:00Z",)
        ],
    }  # fmt: skip
    return store_from(tmp_path, tables)


@pytest.fixture
def made(repermit: Callable[..., Any], store: Path, tmp_path: Path) -> Callable[..., bool]:
    """Asks for the page, made long ago where it is there, and says whether it was written."""

    def ask(*more: str) -> bool:
        page = tmp_path / "page.html"
        if page.exists():
            os.utime(page, (LONG_AGO, LONG_AGO))
        month = () if "--month" in more else ("--month", "2025-02")
        answer = repermit(*TERMINAL, *month, *more, "--out", page, store=store)
        assert answer.exit_code == 0 and str(page) in answer.stdout, answer.output
        written = page.stat().st_mtime != LONG_AGO
        assert ("unchanged" in answer.stderr) is not written
        return written

    assert ask()
    return ask


def test_asked_again_it_is_left_alone(made: Callable[..., bool], store: Path) -> None:
    assert not made()
    before = store.read_bytes()
    assert not made()
    assert store.read_bytes() == before, "nothing is written down of a page that is left alone"


def test_made_anew_it_is_the_same(made: Callable[..., bool], tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    first = page.read_bytes()
    page.unlink()
    assert made() and page.read_bytes() == first
    assert not made()


def test_another_question_is_another_page(made: Callable[..., bool]) -> None:
    assert made("--month", "2025-01")
    assert made(), "the page of another month lies there"
    assert not made()
    assert made("--as-of", "1"), "what was known then is made every time"
    assert made("--csv"), "so are its tables"


def test_a_page_that_was_touched_is_made_anew(made: Callable[..., bool], tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    whole = page.read_bytes()
    page.write_bytes(whole[:-1])
    assert made() and page.read_bytes() == whole


@pytest.mark.parametrize(
    "change",
    [
        {"loads": [{"trailer_id": "A", "terminal": "T", "lane": "1", "loaded_on": "2025-02-02", "loads": 3}]},
        {"loads": [{"trailer_id": "A", "terminal": "T", "lane": "1", "loaded_on": "2025-01-01", "loads": 8}]},
        {"loads": [{"trailer_id": "none such", "terminal": "T", "loaded_on": "2025-02-02", "loads": 3}]},
        {"returns": [{"serial": "1", "result": "confirmed"}]},
    ],
    ids=["rows more", "a correction", "a row set aside", "no figure of the page"],
)
def test_any_ingest(made: Callable[..., bool], store: Path, tmp_path: Path, change: dict[str, Any]) -> None:
    for table, rows in change.items():
        write_csv(tmp_path / "more", table, rows)
    ingest(store, [tmp_path / "more"], now=NOW + timedelta(days=1))
    assert made()
    assert not made()
    ingest(store, [tmp_path / "more"], now=NOW + timedelta(days=2))
    assert not made(), "the same files again change nothing"


@pytest.mark.parametrize("mapping", ['[settings]\ncurrency = "EUR"\n', '[aliases]\n"a 1" = "A"\n'])
def test_settings_and_names(
    made: Callable[..., bool], store: Path, repermit: Callable[..., Any], tmp_path: Path, mapping: str
) -> None:
    (tmp_path / "m.toml").write_text(mapping, encoding="utf-8")
    answer = repermit("ingest", "--mapping", tmp_path / "m.toml", store=store)
    assert answer.exit_code == 0, answer.output
    assert made()
    assert not made()


def test_reports_of_earlier_ingests(made: Callable[..., bool], store: Path) -> None:
    """They are what a page says has changed; none comes to be in the ordinary course, so one is planted."""
    import duckdb

    with duckdb.connect(str(store)) as con:
        con.execute("insert into record.reports select 0, * exclude ingest_id from record.reports")
    assert made()


def test_a_validation(made: Callable[..., bool], store: Path) -> None:
    validate(store, now=NOW, progress=lambda _: None)
    assert made()


def test_another_program(made: Callable[..., bool], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(made_before, "program", lambda: "another")
    assert made()
    monkeypatch.undo()
    assert not made(), "what is on record of the first still stands"


def test_the_program_is_its_files_and_libraries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib.metadata

    from repermit import resources

    digest = made_before.program.__wrapped__
    for name in ("a.py", "part/b.sql"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("x")
    monkeypatch.setattr(resources, "PACKAGE", tmp_path)
    monkeypatch.setattr(resources, "folder", lambda name: tmp_path / "part")
    seen = {digest()}
    (tmp_path / "a.py").write_text("y")
    seen.add(digest())
    (tmp_path / "part" / "b.sql").write_text("y")
    seen.add(digest())
    (tmp_path / "a.py").rename(tmp_path / "c.py")
    seen.add(digest())
    monkeypatch.setattr(importlib.metadata, "version", lambda name: "0")
    seen.add(digest())
    assert len(seen) == 5


def test_all_pages(repermit: Callable[..., Any], store: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    for _ in range(2):
        answer = repermit("report", "all", "--month", "2025-02", "--out", out, store=store)
        assert answer.exit_code == 0, answer.output
        held = {p.name: p.read_bytes() for p in out.iterdir()}
    assert answer.stderr.count("(unchanged)") == len(held) - 1
    (out / "fleet-Red.html").unlink()
    answer = repermit("report", "all", "--month", "2025-02", "--out", out, store=store)
    assert answer.stderr.count("(unchanged)") == len(held) - 2
    assert {p.name: p.read_bytes() for p in out.iterdir()} == held
    assert query(store, "select count(*) from record.pages") == [(len(held) - 1,)]
