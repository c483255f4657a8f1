"""What changed since a report was made: figures by month worked out by hand, and what the pages say of them."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import NOW, query, write_csv
from repermit.ingest.run import ingest
from repermit.reports_made import keep, last_before
from repermit.studies.records.reported import Change, figures, report_of, since
from repermit.studies.selection import Window
from repermit.warehouse import opened

FEBRUARY, MARCH = Window(date(2025, 2, 1), date(2025, 3, 1)), Window(date(2025, 3, 1), date(2025, 4, 1))

TRAILERS = [
    {"trailer_id": t, "positions": 4, "in_service_on": "2024-01-01", "fleet": fleet}
    for t, fleet in (("A", "Red"), ("B", "Blue"))
]
LOADS = [
    {"trailer_id": t, "terminal": "T", "lane": "1", "loaded_on": day, "loads": n}
    for t, day, n in (("A", "2025-01-01", 10), ("B", "2025-01-02", 5), ("A", "2025-02-28", 7), ("B", "2025-03-31", 2))
]  # fmt: skip
REFUSALS = [
    {"refusal_id": "1", "trailer_id": "A", "refused_at": "2025-01-10T08:00Z", "terminal": "T", "reason": "overfill"},
    {"refusal_id": "2", "trailer_id": "B", "refused_at": "2025-02-10T08:00Z", "terminal": "T", "reason": "overfill"},
]  # fmt: skip
REPAIRS = [
    {"repair_id": "1", "trailer_id": "A", "refusal_id": "1", "shop": "S", "received_at": "2025-01-10T10:00Z",
     "returned_at": "2025-01-10T14:00Z", "cause": "corrosion"},
    {"repair_id": "2", "trailer_id": "B", "refusal_id": "2", "shop": "S", "received_at": "2025-02-10T10:00Z",
     "returned_at": "2025-02-10T20:00Z", "cause": "corrosion"},
]  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one ingest: a fault of Red's trailer in January, one of Blue's in February."""
    tables = {"trailers": TRAILERS, "loads": LOADS, "refusals": REFUSALS, "repairs": REPAIRS}
    for name, records in tables.items():
        write_csv(tmp_path / "1", name, records)
    ingest(tmp_path / "store.duckdb", [tmp_path / "1"], now=NOW)
    return tmp_path / "store.duckdb"


def later(store: Path) -> None:
    """A second ingest: the repair of February returned two hours later, January's load was one less, one comes late."""
    folder = store.parent / "2"
    write_csv(folder, "repairs", [REPAIRS[1] | {"returned_at": "2025-02-10T22:00Z"}])
    write_csv(folder, "loads", [LOADS[1] | {"loads": 4}, LOADS[0] | {"loaded_on": "2025-02-01", "loads": 1}])
    ingest(store, [folder], now=NOW + timedelta(days=31))


def test_figures_by_month(store: Path) -> None:
    with opened(store) as con:
        assert figures(con, "monthly", None, MARCH.end) == {
            "2025-01": {"loads": 15, "refusals": 1, "faults": 1, "hours stopped": 6},
            "2025-02": {"loads": 7, "refusals": 1, "faults": 1, "hours stopped": 12},
            "2025-03": {"loads": 2},
        }
        assert figures(con, "fleet", "Red", MARCH.end) == {
            "2025-01": {"loads": 10, "refusals": 1, "faults": 1, "hours stopped": 6},
            "2025-02": {"loads": 7},
        }
        assert figures(con, "shop", "S", FEBRUARY.end) == {
            "2025-01": {"visits": 1, "faults": 1, "hours stopped": 6},
            "2025-02": {"visits": 1, "faults": 1, "hours stopped": 12},
        }
        assert figures(con, "terminal", "T", MARCH.first) == figures(con, "monthly", None, MARCH.first)
        assert figures(con, "terminal", "no such", MARCH.end) == {}


def test_what_changed_is_of_the_window_of_the_earlier_report(store: Path) -> None:
    with opened(store) as con:
        made = [report_of(con, "monthly", None, w, "said") for w in (FEBRUARY, MARCH)]
        assert since(con, "monthly", None, MARCH).report is None
    keep(store, [*made, made[0]], now=NOW)
    assert query(store, "select count(*) from record.reports") == [(2,)]
    with opened(store) as con:  # the same ingest is not held against itself
        assert since(con, "monthly", None, MARCH).report is None
    later(store)
    with opened(store) as con:
        found = since(con, "monthly", None, MARCH)
        assert (found.last_month, found.report) == ("2025-03", made[1])
        changes = (
            Change("2025-01", "loads", 15, 14),
            Change("2025-02", "hours stopped", 12, 14),
            Change("2025-02", "loads", 7, 8),
        )
        assert found.changes == changes
        assert since(con, "monthly", None, FEBRUARY).report == made[0]
        assert since(con, "fleet", "Red", MARCH).report is None
        assert last_before(con, "monthly", None, 2, FEBRUARY.first) is None


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def test_pages_say_what_changed(store: Path, repermit: Callable[..., Any], tmp_path: Path) -> None:
    page = tmp_path / "page.html"

    def report(*arguments: str) -> str:
        answer = repermit("report", *arguments, "--out", page)
        assert answer.exit_code == 0, answer.output
        return text_of(page)

    kinds = [
        ("monthly",),
        ("fleet", "--fleet", "Blue"),
        ("shop", "--shop", "S"),
        ("terminal", "--terminal", "T"),
    ]
    for kind in kinds:
        assert "No earlier report of this kind is on record" in report(*kind, "--month", "2025-02")
    later(store)
    for kind in kinds:
        first = report(*kind, "--month", "2025-03")
        assert "Since the report of ingest 1 (its last month 2025-02)" in first
        assert "What changed since the report of ingest 1" in first
        assert "gave other figures for 2025-02: hours stopped 12, now 14" in first
        assert report(*kind, "--month", "2025-03") == first, "made again, it is the same"
    assert "no figure of an earlier month changed" in unchanged(store, report)
    held = query(store, "select kind, count(*) from record.reports group by kind order by 1")
    assert held == [("fleet", 2), ("monthly", 3), ("shop", 2), ("terminal", 2)]


def unchanged(store: Path, report: Callable[..., str]) -> str:
    """The monthly page after an ingest that changes no figure."""
    write_csv(store.parent / "3", "returns", [{"serial": "1", "result": "confirmed"}])
    ingest(store, [store.parent / "3"], now=NOW)
    return report("monthly", "--month", "2025-03")


def test_a_report_of_the_past_is_not_recorded(
    store: Path, repermit: Callable[..., Any], tmp_path: Path
) -> None:
    before = store.read_bytes()
    answer = repermit("report", "monthly", "--month", "2025-02", "--as-of", "1", "--out", tmp_path / "p.html")
    assert answer.exit_code == 0 and store.read_bytes() == before


def test_a_store_that_cannot_be_written_still_gives_its_page(
    store: Path, repermit: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from repermit import reports_made
    from repermit.errors import StoreError

    def refuse(path: Path, **_: Any) -> None:
        raise StoreError(f"the store {path} is in use by another process")

    monkeypatch.setattr(reports_made, "connect", refuse)
    answer = repermit("report", "monthly", "--month", "2025-02", "--out", tmp_path / "p.html")
    assert answer.exit_code == 0 and (tmp_path / "p.html").exists()
    assert "holds no record of this report: the store" in answer.stderr
    answer = repermit("report", "all", "--month", "2025-02", "--out", tmp_path / "pages")
    assert answer.exit_code == 0 and "no record of these reports" in answer.stderr
    shutil.rmtree(tmp_path / "pages")
    assert query(store, "select count(*) from record.reports") == [(0,)]
