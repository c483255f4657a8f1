"""Rows that were set aside, mended in the file that tells them, and ingested again: the whole way round."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from helpers import STORE, load, query, write_csv
from reconciled import broken
from repermit.errors import DataError
from repermit.ingest.run import IngestResult
from repermit.mending import bare, inert
from repermit.studies.records.quarantine import waiting_rows
from repermit.warehouse import opened

Run = Callable[..., Any]
Edit = Callable[[dict[str, str]], Any]
TRAILER = {"trailer_id": "A", "positions": 4, "in_service_on": "2024-01-01"}
HOSTILE = [
    "=1+1",
    "'=1",
    "''@x",
    "-5",
    "+x",
    "@y",
    "<script>",
    "a\nb",
    'say "x"',
    "ünï ✓ \u202e",
    "x;y,z",
    "'plain",
]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one trailer."""
    load(tmp_path / STORE, write_csv(tmp_path / "first", "trailers", [TRAILER]))
    return tmp_path / STORE


def refusal(number: object, **cells: Any) -> dict[str, Any]:
    return {"refusal_id": number, "trailer_id": "A", "refused_at": "2025-03-01T08:00Z", "lane": ""} | cells


def taken_out(run: Run, store: Path) -> list[dict[str, str]]:
    """The rows of the file to mend."""
    assert run("quarantine", "--out", store.parent / "mend.csv", store=store).exit_code == 0
    with (store.parent / "mend.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def given_back(store: Path, rows: list[dict[str, str]], name: str = "mend.csv", **how: Any) -> IngestResult:
    """The file with these rows, written as `how` says, ingested; all counts must add up and all rules hold."""
    end, mark = how.pop("lineterminator", "\n"), how.pop("mark", True)
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(rows[0]), lineterminator=end, **how)
    writer.writeheader()
    writer.writerows(rows)
    path = store.parent / name
    path.write_bytes(text.getvalue().encode("utf-8-sig" if mark else "utf-8"))
    before = waiting(store)
    result = load(store, path)
    for file in result.files:
        assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined
    entered = result.fell + sum(f.quarantined for f in result.files)
    assert result.waiting == waiting(store) == before + entered - result.left_waiting
    with opened(store) as con:
        assert broken(con) == []
    return result


def waiting(store: Path) -> int:
    with opened(store) as con:
        return waiting_rows(con)


def fates(result: IngestResult) -> tuple[int, int, int, int]:
    (file,) = result.files
    return file.accepted, file.duplicate, file.corrected, file.quarantined


@pytest.mark.parametrize("text", [*HOSTILE, "", "'", "\tx", "\r=", "x"])
def test_what_is_made_inert_comes_back(text: str) -> None:
    assert bare(inert(text)) == text
    assert str(inert(text))[:1] not in ("=", "+", "-", "@", "\t", "\r")


@pytest.mark.parametrize(
    "how",
    [{}, {"lineterminator": "\r\n"}, {"lineterminator": "\r", "quoting": csv.QUOTE_ALL}, {"delimiter": ";"}, {"delimiter": "\t", "mark": False},
     {"quoting": csv.QUOTE_ALL}],
    ids=["as written", "crlf", "cr", "semicolons", "tabs", "all quoted"],
)  # fmt: skip
def test_the_way_round(how: dict[str, Any], store: Path, repermit: Run) -> None:
    """Hostile cells: as they are they go on waiting; mended they enter as they were meant."""
    folder = store.parent / "bad"
    load(
        store,
        write_csv(folder, "refusals", [refusal(n, trailer_id="B", lane=t) for n, t in enumerate(HOSTILE)]),
    )
    rows = taken_out(repermit, store)
    assert [r["reasons"] for r in rows] == ["the trailer is in the list of trailers"] * len(HOSTILE)
    assert fates(given_back(store, rows, "same.csv", **how)) == (0, len(HOSTILE), 0, 0)
    assert waiting(store) == len(HOSTILE)
    for row in rows[1:]:
        row["trailer_id"] = "A"
    assert fates(given_back(store, rows, **how)) == (len(HOSTILE) - 1, 1, 0, 0)
    entered = dict(query(store, "select refusal_id, lane from current.refusals"))
    assert entered == {str(n): text for n, text in enumerate(HOSTILE) if n}
    left = query(store, "select left_as, count(*) from waiting.refusals where left_by is not null group by 1")
    assert left == [("mended", len(HOSTILE) - 1)] and waiting(store) == 1
    assert not load(store, store.parent / "mend.csv").changed
    told = repermit("quarantine", "--left", "--format", "csv", store=store).stdout
    gone = list(csv.DictReader(io.StringIO(told)))
    assert {(g["left_as"], g["by"], g["came_in"], g["left_in"]) for g in gone} == {
        ("mended", "mend.csv", "2", "4")
    }


def test_a_mended_row_that_still_fails_waits_anew_with_todays_reasons(store: Path, repermit: Run) -> None:
    load(store, write_csv(store.parent / "bad", "refusals", [refusal(1, trailer_id="B")]))
    (row,) = taken_out(repermit, store)
    assert fates(given_back(store, [row | {"trailer_id": "A", "refused_at": "1 March"}])) == (0, 0, 0, 1)
    (again,) = taken_out(repermit, store)
    assert again["waiting_id"] != row["waiting_id"] and "refused_at reads as" in again["reasons"]
    assert (again["file"], again["line"]) == ("mend.csv", "2")
    assert again["raw"].startswith("1,A,1 March,")
    # the first number waits no more: what comes under it is an ordinary row
    assert fates(given_back(store, [row | {"trailer_id": "A"}], "late.csv")) == (1, 0, 0, 0)
    assert waiting(store) == 0


def test_broken_lines_and_rows_without_a_key_may_leave(store: Path, repermit: Run) -> None:
    path = store.parent / "bad.csv"
    path.write_text("refusal_id,trailer_id,refused_at\n1,A\n,A,2025-03-02T08:00Z\n")
    load(store, path)
    rows = {row["line"]: row for row in taken_out(repermit, store)}
    assert rows["2"]["raw"] == "1,A" and rows["2"]["trailer_id"] == ""
    unmended = given_back(store, list(rows.values()), "same.csv")
    assert fates(unmended) == (0, 2, 0, 0)
    rows["2"] |= {"refusal_id": "1", "trailer_id": "A", "refused_at": "2025-03-01T08:00Z"}
    rows["3"] |= {"refusal_id": "2"}
    two = rows["2"] | {"refusal_id": "3"}  # one torn line may be two rows
    assert fates(given_back(store, [*rows.values(), two])) == (3, 0, 0, 0)
    assert waiting(store) == 0


def test_rows_of_several_tables_in_one_file(store: Path, repermit: Run) -> None:
    load(
        store,
        write_csv(store.parent / "bad", "refusals", [refusal(1, trailer_id="B")]),
        write_csv(
            store.parent / "bad",
            "repairs",
            [{"repair_id": 1, "trailer_id": "B", "received_at": "2025-03-02"}],
        ),
    )
    rows = [row | {"trailer_id": "A"} for row in taken_out(repermit, store)]
    result = given_back(store, rows)
    assert [(f.table, f.rows, f.accepted) for f in result.files] == [("refusals", 1, 1), ("repairs", 1, 1)]


def test_a_mended_line_of_loads_adds_to_those_of_its_file(store: Path, repermit: Run) -> None:
    """Three lines of one file are three loads, whenever each of them comes to pass."""
    path = store.parent / "loads.csv"
    path.write_text("trailer_id,terminal,loaded_on\n" + "A,T,2025-03-01\n" * 2 + "a,T,2025-03-01\n" * 2)
    load(store, path)
    rows = taken_out(repermit, store)
    held = "select loads from current.loads"
    assert query(store, held) == [(2,)] and len(rows) == 2
    for n, total in ((0, 3), (1, 4)):
        result = given_back(store, [rows[n] | {"trailer_id": "A"}], f"mend{n}.csv")
        assert fates(result) == (0, 0, 1, 0)
        assert query(store, held) == [(total,)]


def test_two_that_disagree_are_mended_by_making_them_alike(store: Path, repermit: Run) -> None:
    load(store, write_csv(store.parent / "bad", "refusals", [refusal(1, lane="x"), refusal(1, lane="y")]))
    first, second = taken_out(repermit, store)
    assert fates(given_back(store, [first, second | {"lane": "x"}])) == (1, 1, 0, 0)
    assert waiting(store) == 0
    assert query(store, "select lane from current.refusals") == [("x",)]


def test_of_two_that_disagree_the_wrong_one_is_dropped(store: Path, repermit: Run) -> None:
    load(store, write_csv(store.parent / "bad", "refusals", [refusal(1, lane="x"), refusal(1, lane="y")]))
    first, second = taken_out(repermit, store)
    assert fates(given_back(store, [first, second | {"drop": "Yes"}])) == (0, 2, 0, 0)
    assert query(store, "select lane from current.refusals") == [("x",)]
    assert query(store, "select lane, left_as from waiting.refusals order by 1") == [
        ("x", "accepted"),
        ("y", "dropped"),
    ]
    told = repermit("quarantine", "--left", "--format", "csv", store=store).stdout
    (gone,) = (g for g in csv.DictReader(io.StringIO(told)) if g["left_as"] == "dropped")
    assert (gone["by"], gone["raw"]) == ("mend.csv", "1,A,2025-03-01T08:00Z,y")
    # what is gone can be dropped once more, and nothing comes of it
    assert fates(given_back(store, [second | {"drop": "x"}], "late.csv")) == (0, 1, 0, 0)
    assert query(store, "select lane from current.refusals") == [("x",)]


def test_lines_that_are_no_record_are_dropped(store: Path, repermit: Run) -> None:
    path = store.parent / "bad.csv"
    path.write_text('refusal_id,trailer_id,refused_at\nTotal,2\n1,A,2025-03-01T08:00Z\n,,""\nsum,,\n')
    load(store, path)
    rows = taken_out(repermit, store)
    assert len(rows) == 3 and {row["drop"] for row in rows} == {""}
    given_back(store, [row | {"drop": "1"} for row in rows[:2]])
    assert waiting(store) == 1
    given_back(store, [rows[2] | {"drop": "no"}], "stays.csv")
    assert waiting(store) == 1
    given_back(store, [row | {"drop": "true"} for row in rows], "rest.csv")
    assert waiting(store) == 0
    assert query(store, "select refusal_id from current.refusals") == [("1",)]


def test_a_dropped_load_adds_to_nothing(store: Path, repermit: Run) -> None:
    path = store.parent / "loads.csv"
    path.write_text("trailer_id,terminal,loaded_on\n" + "A,T,2025-03-01\n" * 2 + "a,T,2025-03-01\n" * 2)
    load(store, path)
    one, two = taken_out(repermit, store)
    assert fates(given_back(store, [one | {"drop": "yes"}, two | {"trailer_id": "A"}])) == (0, 1, 1, 0)
    assert query(store, "select loads from current.loads") == [(3,)]
    assert waiting(store) == 0


def test_a_cell_too_long_to_show_is_as_it_waits(store: Path, repermit: Run) -> None:
    load(store, write_csv(store.parent / "bad", "refusals", [refusal(1, lane="x" * 200_000)]))
    (row,) = taken_out(repermit, store)
    assert len(row["lane"]) == 10_001
    assert fates(given_back(store, [row], "same.csv")) == (0, 1, 0, 0)
    assert fates(given_back(store, [row | {"lane": "9"}])) == (1, 0, 0, 0)


def taken_away(row: dict[str, str]) -> None:
    del row["lane"]


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (lambda row: row.update(table="refusal"), "line 2: there is no table 'refusal'"),
        (lambda row: row.update(waiting_id="one"), "line 2: the waiting_id is no number"),
        (lambda row: row.update(shop="S"), "line 2: refusals has no column 'shop'"),
        (lambda row: row.update(drop="maybe"), "line 2: drop is 'maybe'"),
        (lambda row: row.update(drop="yes", waiting_id=""), "line 2: drop without a waiting_id"),
        (taken_away, "line 2: the header lacks the column lane"),
    ],
)
def test_what_cannot_be_a_row_is_told_and_nothing_changes(
    edit: Edit, says: str, store: Path, repermit: Run
) -> None:
    load(store, write_csv(store.parent / "bad", "refusals", [refusal(1, trailer_id="B")]))
    (row,) = taken_out(repermit, store)
    edit(row)
    before = store.read_bytes()
    with pytest.raises(DataError, match=says):
        given_back(store, [row])
    assert store.read_bytes() == before
