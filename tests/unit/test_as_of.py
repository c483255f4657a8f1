"""What was known then: a store asked as of an ingest is, relation by relation, the store that had only read that far."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from helpers import NOW, dump, dump_of, load, write_csv
from reconciled import Ledger
from repermit.as_of import asked_for, known
from repermit.contract import TABLES
from repermit.errors import CallError, StoreError
from repermit.ingest.run import ingest
from repermit.studies.records.quarantine import by_reason
from repermit.warehouse import one, opened

EVERYTHING = ("record", "accepted", "waiting", "current", "staging", "core", "marts")
Rows = list[dict[str, Any]]


def pick(rng: random.Random, pool: list[dict[str, Any]], spoil: Callable[[dict[str, Any]], None]) -> Rows:
    """A delivery of some rows of the pool: as they are, changed, withdrawn or spoiled; each key once."""
    rows = []
    for row in rng.sample(pool, rng.randint(1, max(1, len(pool) // 2))):
        new = {**row, "withdrawn": ""}
        how = rng.random()
        if how < 0.4:
            spoil(new)
        elif how < 0.5:
            new["withdrawn"] = "yes"
        rows.append(new)
    return rows


def deliveries(seed: int, count: int = 4) -> list[dict[str, Rows]]:
    """Deliveries in which trailers come late, shrink and leave service, and events are corrected and withdrawn."""
    rng = random.Random(seed)
    day = datetime(2025, 3, 1, tzinfo=UTC)

    def at(hours: float) -> str:
        return (day + timedelta(hours=hours)).strftime("%Y-%m-%dT%H:%MZ")

    trailers = [
        {"trailer_id": t, "positions": 5, "system": "five_wire", "in_service_on": "2024-01-01",
         "out_of_service_on": ""} for t in "ABCD"
    ]  # fmt: skip
    hours = [rng.uniform(0, 1200) for _ in range(14)]
    refusals = [
        {"refusal_id": f"R{i}", "trailer_id": rng.choice("ABCD"), "refused_at": at(h), "terminal": "T",
         "lane": str(i % 2), "reason": "overfill", "indicated_position": rng.randint(1, 5)}
        for i, h in enumerate(hours)
    ]  # fmt: skip
    repairs = [
        {"repair_id": f"V{i}", "trailer_id": r["trailer_id"], "refusal_id": rng.choice([r["refusal_id"], ""]),
         "received_at": at(h + 3), "returned_at": at(h + 9), "found_position": rng.randint(0, 5),
         "cause": "corrosion", "shop": "S"}
        for i, (r, h) in enumerate(zip(refusals[::2], hours[::2], strict=True))
    ]  # fmt: skip
    loads = [
        {"trailer_id": t, "terminal": "T", "lane": "1", "loaded_on": f"2025-03-{d:02d}", "loads": 2}
        for t in "ABCD"
        for d in range(1, 31, 4)
    ]

    def shrink(row: dict[str, Any]) -> None:
        row.update(
            rng.choice(
                [{"positions": 2}, {"positions": 1}, {"out_of_service_on": "2025-03-20"}, {"positions": ""}]
            )
        )

    def move(row: dict[str, Any]) -> None:
        row.update(
            rng.choice([{"trailer_id": "B"}, {"trailer_id": "Z"}, {"indicated_position": 9}, {"lane": "9"}])
        )

    def shift(row: dict[str, Any]) -> None:
        row.update(
            rng.choice([{"received_at": at(0)}, {"trailer_id": "C"}, {"cause": "?"}, {"cause": "bad_crimp"}])
        )

    def fewer(row: dict[str, Any]) -> None:
        row.update(rng.choice([{"loads": 5}, {"loads": "many"}, {"trailer_id": "Z"}]))

    pools: list[tuple[str, list[dict[str, Any]], Callable[[dict[str, Any]], None]]] = [
        ("trailers", trailers, shrink), ("refusals", refusals, move), ("repairs", repairs, shift), ("loads", loads, fewer)
    ]  # fmt: skip
    first = {"trailers": trailers[:3], "refusals": refusals[:10], "repairs": repairs[:5], "loads": loads[:25]}
    return [
        first,
        *(
            {name: pick(rng, pool, spoil) for name, pool, spoil in pools if rng.random() < 0.8}
            | {"returns": [{"serial": f"S{n}", "result": "confirmed"}]}
            for n in range(count - 1)
        ),
    ]


@pytest.mark.parametrize("seed", [3, 5])
def test_as_of_an_ingest_is_the_store_that_had_read_only_so_far(seed: int, tmp_path: Path) -> None:
    happened = assert_as_of_is_as_it_was(seed, tmp_path)
    assert all(happened.values()), "nothing that could show a difference"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 160))
def test_as_of_an_ingest_is_the_store_that_had_read_only_so_far_many_times(seed: int, tmp_path: Path) -> None:
    assert_as_of_is_as_it_was(seed, tmp_path)


def assert_as_of_is_as_it_was(seed: int, folder: Path) -> dict[str, int]:
    """Every relation of the store, row by row, after every ingest; asking leaves the file as it is.

    Returns how many rows were retired, fell, left the quarantine, or wait for other reasons than before.
    """
    ledger = Ledger(folder)
    snapshots, fell = [], 0
    for delivery in deliveries(seed):
        fell += ledger.give(**delivery).fell
        snapshots.append(dump(ledger.store, EVERYTHING))
    before = ledger.store.read_bytes()
    for number, snapshot in enumerate(snapshots, start=1):
        with known(ledger.store, str(number)) as con:
            then = dump_of(con, EVERYTHING)
        then["record.meta"].remove(("as_of", str(number)))
        assert then.keys() == snapshot.keys()
        assert [name for name in snapshot if snapshot[name] != then[name]] == []
    assert ledger.store.read_bytes() == before
    with opened(ledger.store) as con:
        sums = {
            column: sum(one(con, f"select count({column}) from {schema}.{t.name}") for t in TABLES)
            for schema, column in (("accepted", "retired_by"), ("waiting", "left_by"))
        }
    return sums | {"fell": fell, "reasons": len(snapshots[-1]["record.reasons"])}


@pytest.fixture
def two_days(tmp_path: Path) -> Path:
    """A store with an ingest on 1 January and one, which corrects, on 3 January."""
    store = tmp_path / "store.duckdb"
    trailer = {"trailer_id": "A", "positions": 4, "in_service_on": "2024-01-01"}
    refusal = {"refusal_id": "1", "trailer_id": "A", "refused_at": "2025-03-01T08:00Z", "reason": "overfill"}
    write_csv(tmp_path / "1", "trailers", [trailer])
    write_csv(tmp_path / "1", "refusals", [refusal, refusal | {"refusal_id": "2", "trailer_id": "B"}])
    write_csv(tmp_path / "2", "refusals", [refusal | {"reason": "paperwork"}])
    write_csv(tmp_path / "2", "trailers", [trailer | {"trailer_id": "B"}])
    for name, day in (("1", 0), ("2", 2)):
        ingest(store, [tmp_path / name], now=NOW + timedelta(days=day))
    return store


def reason_of_first(store: Path, as_of: str) -> str:
    with known(store, as_of) as con:
        return str(con.execute("select reason from current.refusals where refusal_id = '1'").fetchall()[0][0])


@pytest.mark.parametrize(
    ("as_of", "reason"),
    [("1", "overfill"), ("2", "paperwork"), ("2026-01-01", "overfill"), ("2026-01-02", "overfill"),
     ("2026-01-03", "paperwork"), ("2030-12-31", "paperwork")],
)  # fmt: skip
def test_an_ingest_or_a_day(two_days: Path, as_of: str, reason: str) -> None:
    assert reason_of_first(two_days, as_of) == reason


@pytest.mark.parametrize(
    ("as_of", "says"),
    [("3", "there is no ingest 3"), ("0", "there is no ingest 0"), ("2025-12-31", "nothing had been received"),
     ("2025-02-30", "neither an ingest nor a day"), ("last week", "neither"), ("", "neither"), ("-1", "neither"),
     ("9999-12-31", "neither"), ("'; drop", "neither")],
)  # fmt: skip
def test_what_cannot_be_meant_is_told_with_what_there_is(two_days: Path, as_of: str, says: str) -> None:
    with pytest.raises(CallError, match=says) as told, known(two_days, as_of):
        pass
    assert told.value.hint


def test_what_waited_then(two_days: Path) -> None:
    with known(two_days, "1") as con:
        assert [(r.table, r.reason, r.rows) for r in by_reason(con)] == [("refusals", "trailer_known", 1)]
    with known(two_days, "2") as con:
        assert by_reason(con) == []


def test_commands_say_what_they_knew(two_days: Path, repermit: Callable[..., Any]) -> None:
    for as_of, ingest_id, refused in (("1", 1, 1), ("2026-01-02", 1, 1), ("2", 2, 2)):
        answer = repermit("rates", "--month", "2025-03", "--as-of", as_of, "--format", "json")
        about = json.loads(answer.stdout)["about"]
        assert (about["ingest"], about["as_of"], about["counts"]["refusals"]) == (ingest_id, as_of, refused)
    now = json.loads(repermit("rates", "--month", "2025-03", "--format", "json").stdout)["about"]
    assert (now["ingest"], now["as_of"]) == (2, None)
    assert json.loads(repermit("quarantine", "--as-of", "1", "--format", "json").stdout)["rows"]
    assert isinstance(repermit("fixes", "--as-of", "7").exception, CallError)


def test_asking_the_past_of_no_store_or_another_file(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    assert isinstance(repermit("rates", "--as-of", "1").exception, StoreError)
    (tmp_path / "store.duckdb").write_text("not a store")
    assert isinstance(repermit("rates", "--as-of", "1").exception, StoreError)


def test_ingest_tells_its_number(tmp_path: Path, repermit: Callable[..., Any]) -> None:
    for number in (1, 2):
        write_csv(tmp_path / "in", "returns", [{"serial": f"S{number}", "result": "confirmed"}])
        answer = repermit("ingest", tmp_path / "in", "--format", "json")
        assert json.loads(answer.stdout)["about"]["ingest"] == number
        assert f"this was ingest {number}" in answer.stderr
    again = repermit("ingest", tmp_path / "in", "--format", "json")
    assert json.loads(again.stdout)["about"]["ingest"] == 2 and "nothing new" in again.stderr
    assert load(tmp_path / "store.duckdb", tmp_path / "in").ingest == 2


def test_a_page_of_the_past_says_so_and_keeps_apart(
    two_days: Path, repermit: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(two_days.parent)
    for as_of in ("1", None):
        then = ("--as-of", as_of) if as_of else ()
        answer = repermit("report", "monthly", "--month", "2025-03", *then)
        path = Path(answer.stdout.strip())
        assert path.name == ("monthly-2025-03-as-of-1.html" if as_of else "monthly-2025-03.html")
        assert ("As known on 2026-01-01, after ingest 1" in path.read_text()) is (as_of is not None)
    with opened(two_days) as con:
        assert asked_for(con) is None
