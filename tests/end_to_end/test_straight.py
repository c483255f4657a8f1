"""A first exposure log goes into the store by a shorter way than all other rows; what comes of it is the same.

The same files are ingested both ways: what is accepted, what waits with its lines and reasons, the counts, the marts.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from helpers import dump, load, query, write_csv
from repermit.contract import TABLES
from repermit.ingest import reconcile
from repermit.ingest.run import IngestResult
from repermit.validate.adding_up import accepted_booked
from repermit.validate.suites import kept_rows
from repermit.warehouse import opened, rows

SCHEMAS = ("accepted", "waiting", "record", "core", "marts")
TRAILERS = [
    {"trailer_id": t, "fleet": "Heron", "system": "five_wire", "positions": 4, "in_service_on": "2025-01-01", "out_of_service_on": out}
    for t, out in (("A", ""), ("B", "2025-03-10"), ("C", ""))
]  # fmt: skip
HEADER = "trailer_id,terminal,lane,loaded_on,loads"

DAMAGE: dict[str, Callable[[random.Random, list[str]], str]] = {
    "twice": lambda rng, lines: rng.choice(lines),
    "another count": lambda rng, lines: rng.choice(lines)[:-1] + "9",
    "unknown trailer": lambda _, __: "Z,T,1,2025-02-02,1",
    "sold by then": lambda _, __: "B,T,1,2025-03-20,1",
    "no day": lambda _, __: "A,T,1,2025-02-30,1",
    "no count": lambda _, __: "A,T,1,2025-02-03,many",
    "blank": lambda _, __: "",
    "broken": lambda _, __: "A,T,1",
    "line break in a cell": lambda _, __: '"A","T\nU",1,2025-02-04,1',
    "line break in a cell that fails": lambda _, __: '"A","T\nU",1,2025-02-31,1',
    "control character": lambda _, __: "A,T\x07,1,2025-02-05,1",
    "blanks around": lambda _, __: " C ,T , 2,2025-02-06 ,1",
}


def log(rng: random.Random, damage: list[str]) -> str:
    """A log of some 60 lines, in no order, with the damage somewhere in it."""
    keys = sorted(
        {(rng.choice("ABC"), rng.choice("TU"), rng.choice("12"), rng.randrange(1, 28)) for _ in range(60)}
    )
    lines = [f"{t},{terminal},{lane},2025-02-{day:02},{rng.randint(0, 3)}" for t, terminal, lane, day in keys]
    rng.shuffle(lines)
    for name in damage:
        lines.insert(rng.randrange(len(lines)), DAMAGE[name](rng, [x for x in lines if x.count(",") == 4]))
    return "\n".join([HEADER, *lines]) + rng.choice(["", "\n", "\n\n"])


def both_ways(
    folder: Path, logs: list[str], monkeypatch: pytest.MonkeyPatch
) -> list[tuple[IngestResult, dict[str, Any]]]:
    """What the shorter way made of the files, and what the usual one made of them."""
    taken, made = [], []
    goes = reconcile.goes_straight
    ways = (lambda *args: bool(taken.append(went := goes(*args))) or went, lambda *_: False)
    write_csv(folder / "in", "trailers", TRAILERS)
    for number, text in enumerate(logs):
        (folder / "in" / f"loads{number}.csv").write_text(text, encoding="utf-8", newline="")
    for number, way in enumerate(ways):
        monkeypatch.setattr(reconcile, "goes_straight", way)
        result = load(folder / f"{number}.duckdb", folder / "in")
        made.append((result, dump(folder / f"{number}.duckdb", SCHEMAS)))
    assert any(taken)
    return made


def told(result: IngestResult) -> int:
    return sum(f.quarantined + f.duplicate for f in result.files)


@pytest.mark.parametrize("name", DAMAGE)
def test_each_damage_alone(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    straight, usual = both_ways(tmp_path, [log(random.Random(name), [name])], monkeypatch)
    assert straight == usual
    harmless = {"blank", "line break in a cell", "blanks around"}
    assert (told(straight[0]) == 0) == (name in harmless)


@pytest.mark.parametrize("seed", range(8))
def test_damage_of_every_kind_in_several_files(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = random.Random(seed)
    logs = [log(rng, rng.sample([*DAMAGE], rng.randint(0, 6))) for _ in range(3)]
    straight, usual = both_ways(tmp_path, logs, monkeypatch)
    assert straight == usual


def test_a_sound_log_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("the log was read again")

    write_csv(tmp_path / "in", "trailers", TRAILERS)
    load(tmp_path / "s.duckdb", tmp_path / "in")
    (tmp_path / "loads.csv").write_text(log(random.Random(1), []), encoding="utf-8")
    monkeypatch.setattr("repermit.ingest.lines.read", never)
    assert told(load(tmp_path / "s.duckdb", tmp_path / "loads.csv")) == 0


def test_a_later_log_takes_the_usual_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else each row that it repeats would be put in to be deleted."""
    write_csv(tmp_path / "in", "trailers", TRAILERS)
    first = log(random.Random(1), [])
    (tmp_path / "in" / "loads.csv").write_text(first, encoding="utf-8")
    load(tmp_path / "s.duckdb", tmp_path / "in")
    monkeypatch.setattr(reconcile, "put", lambda *_: pytest.fail("it went straight"))
    (tmp_path / "later.csv").write_text(first + "\nC,T,9,2025-02-07,1\n", encoding="utf-8")
    assert told(load(tmp_path / "s.duckdb", tmp_path / "later.csv")) == first.count("2025-")


@pytest.mark.parametrize("fails", [False, True])
def test_what_a_sweep_left_harms_nothing_and_goes_with_the_next(
    fails: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that is killed between the two leaves the rows that do not stand."""

    def stopped(_: object) -> None:
        if fails:
            raise RuntimeError("Query interrupted")

    write_csv(tmp_path / "in", "trailers", TRAILERS)
    (tmp_path / "in" / "loads.csv").write_text(
        log(random.Random(1), ["twice", "another count"]), encoding="utf-8"
    )
    with monkeypatch.context() as patched:
        patched.setattr("repermit.ingest.run.sweep", stopped)
        load(store := tmp_path / "s.duckdb", tmp_path / "in")
    left = "select count(*) from accepted.loads where retired_by = batch_id"
    assert query(store, left) == [(3,)]
    before = dump(store, ("current", "waiting", "core", "marts"))
    with opened(store) as con:
        wholes = [make(table) for table in TABLES for make in (accepted_booked, kept_rows)]
        assert [whole.text for whole in wholes if rows(con, whole.query)] == []
    load(store, tmp_path / "in")
    assert query(store, left) == [(0,)]
    assert dump(store, ("current", "waiting", "core", "marts")) == before
