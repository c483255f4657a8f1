"""Whatever a file holds, ingest gives counts that add up or says plainly why it can't read it; never a defect.

Random tables are rows of a small sound world with random damage to their cells, lines and headers; random files are
bytes. All go through ingest itself, into a copy of one store, in this process. The marts are built and
held against the rows in some of the usual run, and in all on request.
"""

from __future__ import annotations

import csv
import io
import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers import load, query, write_csv
from reconciled import broken
from repermit.errors import DataError
from repermit.validate.adding_up import ADDING_UP
from repermit.warehouse import opened, rows

ROWS: dict[str, list[dict[str, Any]]] = {
    "trailers": [
        {"trailer_id": t, "fleet": "Heron", "system": "five_wire", "positions": 4, "in_service_on": "2020-01-01",
         "out_of_service_on": "", "home_shop": "S"} for t in ("A", "B")
    ],
    "loads": [{"trailer_id": t, "terminal": "T", "lane": "1", "loaded_on": f"2025-03-{d:02}", "loads": 2} for t in "AB" for d in (1, 5)],
    "refusals": [
        {"refusal_id": f"F{i}", "trailer_id": "AB"[i % 2], "refused_at": f"2025-03-0{i + 1}T10:00Z", "reason": "overfill",
         "indicated_position": 2, "released_by": "shop", "delay_min": 30.5} for i in range(3)
    ],
    "repairs": [
        {"repair_id": f"R{i}", "finding_no": 1, "trailer_id": "AB"[i % 2], "refusal_id": f"F{i}", "received_at": f"2025-03-0{i + 1}T12:00Z",
         "returned_at": "", "cause": "bad_crimp", "action": "recrimped", "found_position": 2, "labour_cost": 10, "note": ""} for i in range(3)
    ],
    "returns": [{"serial": f"S{i}", "result": "confirmed", "part_lot": ""} for i in range(2)],
    "changes": [{"trailer_id": "A", "change": "grease", "applied_on": "2025-03-02"}],
}  # fmt: skip

ANY = st.characters(exclude_categories=["Cs"])
HOSTILE = st.sampled_from(
    ["<script>alert(1)</script>", "=cmd|' /C calc'!A0", "'; DROP TABLE record.batches; --", "\u202eabc", "x" * 300, "\x1b[2J", "\x07",
     '"', '""', "a\nb", "a\r\nb", ",", "NaN", "inf", "-0", "1e309", "0x10", "٣", "1" * 30, "2025-02-30", "2025-03-01", "0001-01-01",
     "9999-12-31T23:59:59Z", "2025-03-01T25:00Z", "2025-03-01T10:00:00.1234567Z", "2025-03-01T10:00+14:00", "{batch}", "$1", "%s", "\\",
     "13", "0", "-1", "1.5", "yes", "null", "None", "A", "B", "F0", "F1", "R0"]
)  # fmt: skip
CELLS = HOSTILE | st.text(ANY, max_size=8) | st.just("")


@st.composite
def tables(draw: st.DrawFn) -> dict[str, bytes]:
    """A delivery: some of the tables, with cells, rows and columns changed."""
    given_ = draw(st.lists(st.sampled_from([*ROWS]), min_size=1, max_size=3, unique=True))
    return {name: draw(spoiled(name)) for name in given_}


@st.composite
def spoiled(draw: st.DrawFn, name: str) -> bytes:
    """The table as CSV with random damage."""
    columns = [*ROWS[name][0], *draw(st.sampled_from([[], ["withdrawn"]]))]
    lines = [[str(row.get(c, "")) for c in columns] for row in ROWS[name]]
    for _ in range(draw(st.integers(0, 6))):
        line = draw(st.sampled_from(lines))
        line[draw(st.integers(0, len(columns) - 1))] = draw(CELLS)
    if draw(st.booleans()):
        lines.append(list(draw(st.sampled_from(lines))))
    dropped = draw(st.sampled_from([None, *range(len(columns))]))
    out = io.StringIO()
    ends = draw(st.sampled_from(["\n", "\r\n"]))
    writer = csv.writer(out, lineterminator=ends)
    for cells in [columns, *lines]:
        writer.writerow([cell for place, cell in enumerate(cells) if place != dropped])
    data = out.getvalue().encode()
    for _ in range(draw(st.sampled_from([0, 0, 0, 1, 2]))):
        at = draw(st.integers(0, len(data)))
        data = (
            data[:at] + draw(st.binary(max_size=3) | st.sampled_from([b'"', b",", b"\n", b"\r"])) + data[at:]
        )
    return data


@cache
def sound() -> bytes:
    """A store with all of it."""
    with TemporaryDirectory() as folder:
        for name, records in ROWS.items():
            write_csv(Path(folder) / "in", name, records)
        load(Path(folder) / "s.duckdb", Path(folder) / "in")
        return (Path(folder) / "s.duckdb").read_bytes()


@pytest.fixture(scope="module", autouse=True)
def made_whole() -> None:
    """The store is made before any test leaves out the marts."""
    sound()


def ingested(files: dict[str, bytes], before: bytes | None, *, marts: bool) -> str:
    """What became of the delivery: `read` or `refused`. Nothing else may come of it, and all must hold."""
    with TemporaryDirectory() as name:
        folder, store = Path(name), Path(name) / "s.duckdb"
        if before is not None:
            store.write_bytes(before)
        (folder / "in").mkdir()
        for table, data in files.items():
            (folder / "in" / f"{table}.csv").write_bytes(data)
        try:
            result = load(store, folder / "in")
        except DataError as error:
            assert error.what and error.hint
            assert (store.read_bytes() if store.exists() else None) == before
            return "refused"
        for file in result.files:
            assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined
        with opened(store) as con:
            wrong = broken(con)
            wrong += [f"{s.table}: {s.text}" for s in ADDING_UP if marts and rows(con, s.query)]
        assert not wrong
        shutil.rmtree(folder / "in")
        return "read"


QUICK = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
BYTES = st.binary(max_size=200) | st.text(ANY, max_size=100).map(str.encode)


@pytest.fixture
def without_marts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Marts take most of the time of a small ingest."""
    monkeypatch.setattr("repermit.ingest.run.build", lambda *_, **__: None)


@QUICK
@given(files=tables())
def test_random_tables_add_up(without_marts: None, files: dict[str, bytes]) -> None:
    ingested(files, sound(), marts=False)


@settings(QUICK, max_examples=20)
@given(files=tables())
def test_random_tables_make_marts_that_add_up(files: dict[str, bytes]) -> None:
    ingested(files, sound(), marts=True)


@settings(QUICK, max_examples=120)
@given(
    data=BYTES,
    header=st.sampled_from(["", "serial,result,part_lot\n", "trailer_id,positions,in_service_on\r\n"]),
)
def test_random_bytes_are_read_or_refused(without_marts: None, data: bytes, header: str) -> None:
    ingested({"a": header.encode() + data}, sound(), marts=False)


ON_REQUEST = settings(QUICK, max_examples=20_000, derandomize=False)


@pytest.mark.slow
@settings(ON_REQUEST)
@given(files=tables() | BYTES.map(lambda data: {"a": data}))
def test_many_random_files_add_up(files: dict[str, bytes]) -> None:
    ingested(files, sound(), marts=True)


def test_the_check_sees_what_does_not_add_up() -> None:
    with TemporaryDirectory() as name:
        store = Path(name) / "s.duckdb"
        store.write_bytes(sound())
        assert query(store, "select count(*) from accepted.refusals") == [(3,)]
        with opened(store) as con:
            assert not broken(con)
    assert ingested({"a": b"serial,result\nS9,confirmed\n"}, sound(), marts=True) == "read"
    assert ingested({"a": b"serial,result\nS9,confirmed\0\n"}, sound(), marts=True) == "refused"
