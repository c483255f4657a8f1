"""Every row has one fate, and what the store holds does not depend on how the rows were cut into files and calls.

Runs on dirty worlds: rows twice, other spellings, slow clocks, impossible positions, corrections, a withdrawal.
"""

from __future__ import annotations

import itertools
import json
import shutil
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from helpers import STORE, dump, load, query, rates_from, write_csv
from repermit.contract import BY_NAME, TABLES
from repermit.ingest.run import IngestResult
from repermit.studies.frequency.rate_units import EXPOSURE_KEYS, FINDING_KEYS, KEYS
from repermit.studies.frequency.rates import Rate, Rates
from repermit.warehouse import Connection, opened, rows
from tanker_world import SAMPLE, Scenario, World, simulate, write

DIRTY = Scenario(name="dirty", seed=5, trailers=20, months=9, dirt=True)
FIRST, LATER = "1-first", "2-later"
WHERE_READ = ("batch_id", "read_in", "waiting_id", "since", "origin", "left_by", "left_as")
Content = dict[str, list[tuple[Any, ...]]]  # rows by relation
EVERYTHING = ("record", "accepted", "waiting", "current", "staging", "core", "marts")


@cache
def world() -> World:
    return simulate(DIRTY)


@pytest.fixture(scope="module")
def csvs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The two deliveries as files."""
    folder = tmp_path_factory.mktemp("csv")
    write(world(), folder)
    return folder


@pytest.fixture(scope="module")
def first_store(csvs: Path) -> tuple[Path, IngestResult]:
    """A store with the first delivery, not to be changed, and what became of its rows."""
    store = csvs / "first.duckdb"
    return store, load(store, csvs / FIRST)


@pytest.fixture(scope="module")
def one_by_one(csvs: Path, first_store: tuple[Path, IngestResult]) -> tuple[Path, list[IngestResult]]:
    """A store with the first delivery, then the later one, not to be changed; and what became of both."""
    store = csvs / STORE
    shutil.copy(first_store[0], store)
    return store, [first_store[1], load(store, csvs / LATER)]


def content(store: Path) -> Content:
    """All that answers rest on, and what waits, without where and when it was read."""
    kept = dump(store, ("current", "staging", "core", "marts"), without=WHERE_READ)
    for table in TABLES:
        waits = f"select raw, reasons from waiting.{table.name} where left_by is null order by all"
        kept[f"waiting.{table.name}"] = query(store, waits)
    return kept


@pytest.fixture(scope="module")
def first_content(first_store: tuple[Path, Any]) -> Content:
    return content(first_store[0])


def assert_same(a: Content, b: Content) -> None:
    assert a.keys() == b.keys() and sum(map(len, a.values())) > 1000
    assert [name for name in a if a[name] != b[name]] == []


def assert_adds_up(results: Iterable[IngestResult]) -> None:
    for file in (f for result in results for f in result.files):
        assert file.rows == file.accepted + file.duplicate + file.corrected + file.quarantined, file


# --- the same rows in other files and calls ---------------------------------------------------------------


def test_the_names_order_and_number_of_files_do_not_matter(
    one_by_one: tuple[Path, Any], tmp_path: Path
) -> None:
    """One file a table, against one a table and month under names that reverse their order."""
    paths = write(world(), tmp_path, gzip=(), monthly=True)
    assert len(paths) > 30
    for number, path in enumerate(reversed(paths)):
        path.rename(path.with_name(f"{number:03d}.csv"))
    assert_adds_up([load(tmp_path / STORE, tmp_path / delivery) for delivery in (FIRST, LATER)])
    assert_same(content(one_by_one[0]), content(tmp_path / STORE))


def test_a_delivery_again_changes_nothing(
    one_by_one: tuple[Path, Any], csvs: Path, tmp_path: Path, repermit: Callable[..., Any]
) -> None:
    store = tmp_path / STORE
    shutil.copy(one_by_one[0], store)
    before = dump(store, EVERYTHING)
    answer = repermit("ingest", csvs / FIRST, "--format", "json")
    assert answer.exit_code == 0 and "nothing new" in answer.stderr
    assert all(row["duplicate"] == row["rows"] > 0 for row in json.loads(answer.stdout)["rows"])
    assert_same(before, dump(store, EVERYTHING))


def test_rows_again_in_another_order_are_duplicates(first_store: tuple[Path, Any], tmp_path: Path) -> None:
    """The same rows in files that are not the same: nothing new is accepted or set aside."""
    store = tmp_path / STORE
    shutil.copy(first_store[0], store)
    before = content(store)
    for name, table in world().deliveries[FIRST].items():
        (tmp_path / f"{name}.csv").write_text(table.reverse().write_csv())
    result = load(store, tmp_path)
    assert [(f.duplicate, f.read_before) for f in result.files] == [(f.rows, False) for f in result.files]
    assert_same(before, content(store))


SPLITS = {
    "odd and even rows": lambda name, i: i % 2,
    "halves": lambda name, i: int(i > 60),
    "trailers last": lambda name, i: int(name == "trailers"),
    "refusals last": lambda name, i: int(name == "refusals"),
    "repairs first": lambda name, i: int(name != "repairs"),
}


@pytest.mark.parametrize("part_of", SPLITS.values(), ids=SPLITS.keys())
def test_a_delivery_in_two_calls(
    part_of: Callable[[str, int], int], first_content: Content, tmp_path: Path
) -> None:
    store = tmp_path / STORE
    for name, table in world().deliveries[FIRST].items():
        parts = pl.Series([part_of(name, i) for i in range(table.height)], dtype=pl.Int64)
        for part in (0, 1):
            if (chosen := table.filter(parts == part)).height:
                path = tmp_path / str(part) / f"{name}.csv"
                path.parent.mkdir(exist_ok=True)
                path.write_text(chosen.write_csv())
    assert_adds_up([load(store, tmp_path / "0"), load(store, tmp_path / "1")])
    assert_same(first_content, content(store))


# --- one fate for every row --------------------------------------------------------------------------------


def test_the_counts_of_every_file_add_up(one_by_one: tuple[Path, list[IngestResult]]) -> None:
    store, results = one_by_one
    assert_adds_up(results)
    told = {
        (d, f.table): f.rows for d, result in zip((FIRST, LATER), results, strict=True) for f in result.files
    }
    assert told == {
        (d, name): t.height for d, tables in world().deliveries.items() for name, t in tables.items()
    }
    for table in TABLES:
        held = query(
            store,
            f"select count(*) from accepted.{table.name} where read_in in (select batch_id from record.batches)",
        )
        files = [f for result in results for f in result.files if f.table == table.name]
        assert held == [(sum(f.accepted + f.corrected for f in files),)]
        waits = query(store, f"select count(*) from waiting.{table.name} where left_by is null")
        assert waits == [(sum(f.quarantined for f in files),)]


def test_a_file_in_which_everything_goes_wrong(tmp_path: Path) -> None:
    """Broken lines, blank lines, quoted line ends, two that disagree, one twice, one to withdraw that never was."""
    write_csv(tmp_path, "trailers", [{"trailer_id": "A", "positions": 4, "in_service_on": "2024-01-01"}])
    lines = {
        "refusal_id,trailer_id,refused_at,reason,indicated_position,withdrawn": None,
        "1,A,2024-05-01T08:00Z,overfill,2,": "accepted",
        "2,A,2024-05-02T08:00Z,overfill,5,": "quarantined",  # no such position
        "": None,
        "3,A,2024-05-03T08:00Z,overfill,1,": "quarantined",  # disagrees with the next
        "3,A,2024-05-03T08:00Z,ground,1,": "quarantined",
        "4,A,2024-05-04T08:00Z,overfill,1,,too,many": "quarantined",
        "5,A,2024-05-05T08:00Z": "quarantined",  # too few
        '"6","A",2024-05-06T08:00Z,"overfill",1,': "accepted",
        "7,A,2024-05-07 08:00,overfill,1,": "quarantined",  # no offset
        "8,B,2024-05-08T08:00Z,overfill,1,": "quarantined",  # no such trailer
        "9,A,2024-05-09T08:00Z,overfill,1,yes": "quarantined",  # nothing to withdraw
        '"10\nand more",A,2024-05-10T08:00Z,ground,,': "accepted",
        " 1 ,A,2024-05-01T10:00+02:00,overfill,2,": "duplicate",  # the same, written otherwise
    }
    (tmp_path / "refusals.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = load(tmp_path / STORE, tmp_path)
    assert_adds_up([result])
    (file,) = [f for f in result.files if f.table == "refusals"]
    fates = Counter(fate for fate in lines.values() if fate)
    assert file.rows == fates.total()
    assert {fate: getattr(file, fate) for fate in ("accepted", "duplicate", "corrected", "quarantined")} == {
        "corrected": 0, **fates
    }  # fmt: skip
    raw = {text for (text,) in query(tmp_path / STORE, "select raw from waiting.refusals")}
    assert raw == {line for line, fate in lines.items() if fate == "quarantined"}


# --- the dirt of the sample --------------------------------------------------------------------------------

REASONS = {
    "other spelling": "trailer_known",
    "a position the trailer does not have": "{column}_exists",
    "a reason not in the list": "reason_listed",
    "received 95 minutes before the refusal": "received_after_refusal",
}
FATE_COUNTS = {"quarantined_unless_mapped": "quarantined", "withdrawn": "corrected"}


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[World, Path, list[IngestResult]]:
    """The sample as shipped, delivery by delivery."""
    made, folder = simulate(SAMPLE), tmp_path_factory.mktemp("sample")
    write(made, folder)
    results = [load(folder / STORE, folder / delivery) for delivery in (FIRST, LATER)]
    return made, folder / STORE, results


Sample = tuple[World, Path, list[IngestResult]]


def test_the_counts_are_those_of_the_dirt(sample: Sample) -> None:
    made, _, results = sample
    spoiled = made.truth["dirt"].filter(pl.col("fate") != "accepted").to_dicts()
    true = Counter((d["delivery"], d["table"], FATE_COUNTS.get(d["fate"], d["fate"])) for d in spoiled)
    assert len(true) > 8
    found: Counter[tuple[str, str, str]] = Counter()
    for delivery, result in zip((FIRST, LATER), results, strict=True):
        for file in result.files:
            for fate in ("duplicate", "corrected", "quarantined"):
                found[delivery, file.table, fate] += getattr(file, fate)
    assert +found == true
    assert_adds_up(results)


def by_key(store: Path, table: str, columns: str, relation: str) -> dict[str, list[Any]]:
    """What stands under each key, the key as the list of the dirt writes it."""
    key = " || '|' || ".join(
        f"coalesce(cast({c} as varchar), '')" for c in BY_NAME[table].key if c != "loaded_at"
    )
    found = defaultdict(list)
    for name, *rest in query(store, f"select {key}, {columns} from {relation}"):
        found[name].append(rest[0] if len(rest) == 1 else tuple(rest))
    return found


def test_every_spoiled_row_ends_as_it_should(sample: Sample) -> None:
    made, store, _ = sample
    dirt = made.truth["dirt"]
    assert {
        "accepted",
        "duplicate",
        "corrected",
        "withdrawn",
        "quarantined",
        "quarantined_unless_mapped",
    } == set(dirt["fate"])
    for (table,), listed in dirt.group_by("table"):
        name = str(table)
        waiting = by_key(store, name, "reasons", f"waiting.{name} where left_by is null")
        current = by_key(store, name, "batch_id", f"current.{name}")
        for row in listed.to_dicts():
            key = row["key"]
            if row["fate"].startswith("quarantined"):
                if name == "loads":  # there the spoiled trailer is part of the key
                    assert len(current[key]) == 0
                    key = key.replace(row["was"], row["now"])
                (reasons,) = waiting[key]
                assert REASONS[row["what"]].format(**row) in reasons, row
                assert len(reasons) == 1 or reasons == ["trailer_known", "refusal_of_trailer"], row
                assert len(current[key]) == 0, row
            else:
                assert len(current[key]) == (row["fate"] != "withdrawn"), row
                assert not waiting[key], row


def test_corrections_and_slow_clocks_are_stored_as_told(sample: Sample) -> None:
    made, store, _ = sample
    for row in (
        made.truth["dirt"].filter(pl.col("fate").is_in(("corrected", "withdrawn", "accepted"))).to_dicts()
    ):
        cell = f"cast({row['column']} as varchar)"
        versions = by_key(store, row["table"], f"retired_by is not null, {cell}", f"accepted.{row['table']}")[
            row["key"]
        ]
        if row["fate"] == "accepted":
            slow = (
                pl.Series([row["now"]]).str.to_datetime(time_zone="UTC").dt.strftime("%Y-%m-%d %H:%M:%S")[0]
            )
            assert versions == [(False, slow)], row
        else:
            assert sorted(versions) == [(False, row["now"]), (True, row["was"])], row


# --- rows add up to the total -------------------------------------------------------------------------------

SEVERAL = [
    *((f, e) for f in FINDING_KEYS for e in EXPOSURE_KEYS),
    ("fleet", "month"), ("system", "terminal"), ("shop", "fleet"), ("trailer", "terminal"), ("month", "trailer"),
    *itertools.combinations(FINDING_KEYS, 2),
    ("position", "place", "cause"), ("cause", "fleet", "month"), ("position", "system", "shop"),
    ("terminal", "place", "month"), ("trailer", "month", "cause"),
]  # fmt: skip


@pytest.fixture(scope="module")
def asked(one_by_one: tuple[Path, Any]) -> Iterator[Connection]:
    """The store with both deliveries, open for questions."""
    with opened(one_by_one[0]) as con:
        yield con


@pytest.fixture(scope="module")
def dirty_total(asked: Connection) -> Rate:
    return rates_from(asked).total


@pytest.mark.parametrize("by", [(), *((key,) for key in KEYS), *SEVERAL], ids=",".join)
def test_rows_add_up_to_the_total(by: tuple[str, ...], asked: Connection, dirty_total: Rate) -> None:
    answer = rates_from(asked, ",".join(by))
    assert answer.total == dirty_total and dirty_total.faults > 20
    assert len({tuple(row.keys.values()) for row in answer.rows}) == len(answer.rows)
    assert sum(row.faults for row in answer.rows) == pytest.approx(dirty_total.faults, abs=1e-9)
    assert all(
        row.faults_found <= row.faults + 1e-9 and row.faults <= row.faults_most + 1e-9 for row in answer.rows
    )
    if "position" not in by:
        assert_exposure_adds_up(answer, dirty_total)


def assert_exposure_adds_up(answer: Rates, total: Rate) -> None:
    """All trailers are exposed to every place and cause, so each finding's rows have the whole exposure."""
    findings: dict[tuple[Any, ...], list[Rate]] = defaultdict(list)
    for row in answer.rows:
        findings[tuple(row.keys[key] for key in answer.by if key in FINDING_KEYS)].append(row)
    for found in findings.values():
        assert sum(row.loads or 0 for row in found) == total.loads
        if "terminal" in answer.by:
            assert all(row.days is None for row in found)
        else:
            assert sum(row.days or 0 for row in found) == pytest.approx(total.days, abs=1e-6)


@pytest.mark.parametrize("name", ["fleet", "system", "shop"])
def test_filters_add_up_to_the_total(name: str, asked: Connection, dirty_total: Rate) -> None:
    column = "home_shop" if name == "shop" else name
    values = [v for (v,) in rows(asked, f"select distinct {column} from staging.trailers")]
    parts = [rates_from(asked, **{name: value}).total for value in values]
    assert len(parts) > 1
    assert sum(p.faults for p in parts) == dirty_total.faults
    assert sum(p.loads or 0 for p in parts) == dirty_total.loads
    assert sum(p.days or 0 for p in parts) == pytest.approx(dirty_total.days, abs=1e-6)


def test_the_total_is_what_the_accepted_rows_say(asked: Connection, dirty_total: Rate) -> None:
    window = world().truth["window"].to_dicts()[0]
    days = f"loaded_on >= '{window['from']}' and loaded_on < '{window['to']}'"
    assert rows(asked, f"select sum(loads) from current.loads where {days}") == [(dirty_total.loads,)]
    spoiled = (
        world()
        .truth["dirt"]
        .filter((pl.col("table") == "loads") & pl.col("fate").str.starts_with("quarantined"))
    )
    clean = world().tables["loads"]
    keys = clean.select(
        pl.concat_str("trailer_id", "terminal", "lane", "loaded_on", separator="|")
    ).to_series()
    assert dirty_total.loads == clean.filter(~keys.is_in(spoiled["key"].to_list()))["loads"].sum()
