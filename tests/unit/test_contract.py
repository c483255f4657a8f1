"""The contract: which texts each kind of column takes, what each rule refuses, and the words made from it."""

from __future__ import annotations

import csv
import json
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from itertools import combinations
from pathlib import Path
from typing import Any

import duckdb
import pytest
from typer.testing import CliRunner

from conftest import Run
from repermit.cli.main import app
from repermit.contract import (
    BY_NAME,
    KINDS,
    SET_RULES,
    TABLES,
    WITHDRAWN,
    Column,
    Rule,
    Table,
    rule_text,
)
from repermit.errors import DataError
from repermit.ingest import files
from repermit.judging import holds, row_struct, text_struct
from repermit.warehouse import quote

README = Path(__file__).parents[2] / "README.md"


# --- typing ---------------------------------------------------------------------------------------------


@cache
def engine() -> duckdb.DuckDBPyConnection:
    """One for all tests, in a zone that must not matter."""
    con = duckdb.connect()
    con.execute("set TimeZone = 'America/New_York'")
    return con


def typed(column: Column, text: str | None) -> Any:
    """What a cell becomes, and whether every rule of its column holds (None where one fails)."""
    table = Table("t", "a grain", (column.name,), (column,))
    con = engine()
    held = " and ".join(f"({holds(rule)})" for rule in column.rules()) or "true"
    value, good = con.execute(
        f"select row.{column.name}, {held} from (select *, {row_struct(table)} as row from"
        f" (select {text_struct(table)} as text from"
        f" (select cast(? as varchar) as {column.name}, cast(null as varchar) as withdrawn) s))",
        [text],
    ).fetchall()[0]
    return value if good else REFUSED


REFUSED = object()

TAKEN: dict[str, dict[str, Any]] = {
    "text": {"a": "a", " a\t": "a", "\r\na\n": "a", "\n": None, "": None, "  ": None, "a b": "a b", '"': '"', "é, ü": "é, ü", "a\nb": "a\nb"},
    "count": {"0": 0, "12": 12, "007": 7, " 5 ": 5, "999999999": 999_999_999, "": None, "\t": None},
    "number": {
        "1": Decimal(1), "-0.5": Decimal("-0.5"), "+2": Decimal(2), "1.000001": Decimal("1.000001"),
        " 1.5": Decimal("1.5"), "99999999999.999999": Decimal("99999999999.999999"), "": None,
    },
    "day": {"2025-02-28": date(2025, 2, 28), "2024-02-29": date(2024, 2, 29), " 1999-12-31 ": date(1999, 12, 31), "": None},
    "time": {
        "2025-03-01T14:05Z": datetime(2025, 3, 1, 14, 5),
        "2025-03-01 14:05:06Z": datetime(2025, 3, 1, 14, 5, 6),
        "2025-03-01T14:05:06.000007Z": datetime(2025, 3, 1, 14, 5, 6, 7),
        "2025-03-01T14:05+01:00": datetime(2025, 3, 1, 13, 5),
        "2025-12-31T23:30-01:00": datetime(2026, 1, 1, 0, 30),
        "2025-03-01T00:30+14:00": datetime(2025, 2, 28, 10, 30),
        "2025-03-01T14:05-03:30": datetime(2025, 3, 1, 17, 35),
        "2025-03-30T02:30+01:00": datetime(2025, 3, 30, 1, 30),
        "2025-03-01": datetime(2025, 3, 1),
        "": None,
    },
    "flag": {"yes": True, "No": False, "TRUE": True, "false": False, "1": True, "0": False, " yes": True, "": None},
}  # fmt: skip

NOT_TAKEN: dict[str, list[str]] = {
    "text": ["a\x00b", "a\x07", "\x1b[31m", "x" * 201],
    "count": ["1.5", "1.0", "1_000", "1,000", "1 000", "-1", "+1", "1e3", "0x10", "1000000000", "NaN", "infinity", "x", "٣", "1\n1"],
    "number": ["1,5", "1_000", "1,000.5", "1 000", ".5", "5.", "1e3", "inf", "-infinity", "NaN", "1.0000001", "100000000000", "£5", "x"],
    "day": ["2025-02-30", "2023-02-29", "2025-13-01", "2025-00-01", "2025-1-1", "01/02/2025", "20250301", "2025-03-01T00:00", "infinity", "0000-00-00", "25-03-01", "today"],
    "time": [
        "2025-03-01T14:05", "2025-03-01 14:05:06", "2025-02-30T00:00Z", "2025-02-30", "2025-13-01T00:00Z", "2025-03-01T25:00Z",
        "2025-03-01T24:01Z", "2025-03-01T23:60Z", "2025-03-01T23:59:60Z", "2025-03-01T14:05+99:00", "2025-03-01T14:05+14:30",
        "2025-03-01T14:05+15:00", "2025-03-01T14:05+01:60", "2025-03-01T14:05+0100", "2025-03-01T14:05 Z", "2025-03-01T14:05 Europe/Oslo",
        "2025-03-01T14Z", "2025-3-1T14:05Z", "1 March 2025", "01/03/2025 14:05", "1740834300", "infinity", "epoch", "now", "2025-03-01T14:05Z\nZ",
    ],
    "flag": ["y", "n", "ja", "2", "on", "x", "yes no"],
}  # fmt: skip


def test_every_kind_is_tried() -> None:
    assert set(TAKEN) == set(NOT_TAKEN) == set(KINDS)


@pytest.mark.parametrize(("kind", "text"), [(kind, text) for kind, texts in TAKEN.items() for text in texts])
def test_a_kind_takes(kind: str, text: str) -> None:
    assert typed(Column("a", kind, "a column"), text) == TAKEN[kind][text]


@pytest.mark.parametrize(
    ("kind", "text"), [(kind, text) for kind, texts in NOT_TAKEN.items() for text in texts]
)
def test_a_kind_refuses(kind: str, text: str) -> None:
    assert typed(Column("a", kind, "a column"), text) is REFUSED


@pytest.mark.parametrize("kind", KINDS)
def test_a_required_cell_is_not_blank(kind: str) -> None:
    required = Column("a", kind, "a column", required=True)
    assert [typed(required, text) for text in (None, "", "  ", "\t")] == [REFUSED] * 4
    given = next(text for text in TAKEN[kind] if text.strip())
    assert typed(required, given) is not REFUSED


def test_a_listed_word_is_taken_as_it_is_written() -> None:
    column = Column("a", "text", "a column", listed=("rear", "front"), default="rear")
    assert typed(column, "front") == "front"
    assert typed(column, "") == "rear"
    assert [typed(column, text) for text in ("Front", "side", "rear front")] == [REFUSED] * 3


def test_a_bound_counts_as_inside() -> None:
    column = Column("a", "count", "a column", low=1, high=12)
    assert [typed(column, text) for text in ("0", "1", "12", "13")] == [REFUSED, 1, 12, REFUSED]


def test_a_day_in_a_column_of_times_covers_the_whole_day() -> None:
    table = Table("t", "a grain", ("a",), (Column("a", "time", "a column"),))
    found = engine().execute(
        f"select row.a, row.a_until from (select *, {row_struct(table)} as row from (select {text_struct(table)} as text"
        " from (select unnest(['2025-03-01', '2025-03-01T14:05Z']) as a, null::varchar as withdrawn) s))"
    )
    assert found.fetchall() == [
        (datetime(2025, 3, 1), datetime(2025, 3, 2)),
        (datetime(2025, 3, 1, 14, 5), datetime(2025, 3, 1, 14, 5)),
    ]


# --- the rules ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_rules_have_names_of_their_own_and_sentences(table: Table) -> None:
    names = [rule.name for rule in (*table.rules(), *SET_RULES)]
    assert len(names) == len(set(names))
    assert all(rule.text for rule in table.rules())
    assert all(rule_text(table.name, name) for name in names)


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_a_table_comes_after_those_that_its_rules_need(table: Table) -> None:
    before = TABLES[: TABLES.index(table)]
    assert table.needs <= {t.name for t in before}
    assert set(table.key) <= {c.name for c in table.columns}


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_a_row_that_withdraws_needs_its_key_alone(table: Table) -> None:
    spared = [r for r in table.rules() if "row.withdrawn" in r.holds and not r.name.startswith("withdrawn")]
    asked = {r.name for r in table.rules()} - {r.name for r in spared}
    of_key = {
        rule.name
        for name in table.key
        for rule in table.column(name).rules()
        if rule.name.endswith(("_given", "_reads", "_real", "_once", "_listed"))
    }
    assert table.name == "loads" or not table.any_of
    of_key |= {"moment_given"} if table.any_of else set()  # the key has one of them
    assert asked == {r.name for r in WITHDRAWN.rules()} | of_key


ORDER = {
    # first, second: whether the second may come after the first where either may be a date alone
    ("2025-03-01T10:00Z", "2025-03-01T10:00Z"): True,
    ("2025-03-01T10:00Z", "2025-03-01T09:59Z"): False,
    ("2025-03-01T10:00Z", "2025-03-01"): True,
    ("2025-03-01", "2025-03-01T00:00Z"): True,
    ("2025-03-01", "2025-03-01"): True,
    ("2025-03-02", "2025-03-01"): False,
    ("2025-03-02T00:00Z", "2025-03-01"): False,
    ("2025-03-02", "2025-03-01T23:59Z"): False,
    ("2025-03-01", ""): True,
}


@pytest.mark.parametrize(("first", "second"), ORDER)
def test_order_holds_if_any_moment_of_the_day_meets_it(first: str, second: str) -> None:
    assert (
        judged("repairs", "returned_after_received", received_at=first, returned_at=second)
        is ORDER[first, second]
    )
    assert (
        judged("refusals", "released_after_refused", refused_at=first, released_at=second)
        is ORDER[first, second]
    )


def judged(table_name: str, rule_name: str, **cells: str) -> bool:
    """Whether a rule that looks at the row alone holds of a row with these cells."""
    table = BY_NAME[table_name]
    rule: Rule = next(r for r in table.rules() if r.name == rule_name)
    names = [c.name for c in table.all_columns]
    columns = ", ".join(f"cast(? as varchar) as {quote(name)}" for name in names)
    found = engine().execute(
        f"select {holds(rule)} from (select *, {row_struct(table)} as row from"
        f" (select {text_struct(table)} as text from (select {columns}) s))",
        [cells.get(name) for name in names],
    )
    return bool(found.fetchall()[0][0])


def test_a_two_wire_trailer_has_at_most_eight_positions() -> None:
    """EN 13922:2020, 6.1.1."""
    assert judged("trailers", "two_wire_length", system="two_wire", positions="8")
    assert not judged("trailers", "two_wire_length", system="two_wire", positions="9")
    assert judged("trailers", "two_wire_length", system="five_wire", positions="12")
    assert judged("trailers", "two_wire_length", system="", positions="12")


# --- which table a header is of ---------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.name)
def test_a_table_is_known_by_its_least_and_by_its_whole_header(table: Table) -> None:
    least = [c.name for c in table.columns if c.required] + list(table.any_of[:1])
    for header in (least, [c.name for c in table.columns], [c.name for c in reversed(table.all_columns)]):
        assert files.table_of(tuple(header), "a.csv") is table


def test_no_header_fits_two_tables() -> None:
    for a, b in combinations(TABLES, 2):
        for one, other in ((a, b), (b, a)):
            least = {c.name for c in one.columns if c.required} | set(one.any_of[:1])
            rest = {c.name for c in other.all_columns}
            both = {c.name for c in one.all_columns} & rest
            needs = {c.name for c in other.columns if c.required}
            assert not (least <= rest and needs <= both), f"{one.name} and {other.name}"


def test_a_header_that_fits_two_tables_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    twins = tuple(
        Table(name, "a grain", ("a",), (Column("a", "text", "", required=True),)) for name in ("one", "two")
    )
    monkeypatch.setattr(files, "TABLES", twins)
    with pytest.raises(DataError, match=r"a\.csv, line 1: the header fits the tables one and two") as caught:
        files.table_of(("a",), "a.csv")
    assert caught.value.hint


# --- the contract in words ---------------------------------------------------------------------------------


def said(*words: str | Path) -> str:
    """What `repermit contract` writes; it takes no store."""
    result = CliRunner().invoke(app, ["contract", *map(str, words)])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_text_names_every_table_column_and_rule() -> None:
    parts = said().split("\n\n")
    for table, part in zip(TABLES, parts, strict=True):
        text = " ".join(part.split())  # as its lines are broken at a terminal's width
        assert text.startswith(f"{table.name}: {table.grain} key: ")
        assert all(f"  {c.name} " in part for c in table.columns)
        assert all(f"rule {rule.name}: {rule.text}" in text for rule in table.own_rules)


def test_json_holds_the_whole_contract() -> None:
    tables = {t["name"]: t for t in json.loads(said("--format", "json"))["tables"]}
    assert list(tables) == [t.name for t in TABLES]
    for table in TABLES:
        found = tables[table.name]
        assert found["key"] == list(table.key)
        assert [c["name"] for c in found["columns"]] == [c.name for c in table.all_columns]
        assert {c["name"] for c in found["columns"] if c["required"]} == {
            c.name for c in table.columns if c.required
        }
        assert [(r["name"], r["holds"], r["text"], r["blocks"]) for r in found["rules"]] == [
            (r.name, r.holds, r.text, r.blocks) for r in table.rules()
        ]
    listed = {c["name"]: c["listed"] for c in tables["refusals"]["columns"]}
    assert "vapour_interlock" in listed["reason"]


def test_csv_writes_empty_files_that_ingest_takes(repermit: Run, tmp_path: Path) -> None:
    folder = tmp_path / "new" / "records"
    told = said("--format", "csv", "--out", folder).splitlines()
    assert [Path(line) for line in told] == [folder / f"{t.name}.csv" for t in TABLES]
    for table in TABLES:
        with (folder / f"{table.name}.csv").open(encoding="utf-8", newline="") as file:
            assert list(csv.reader(file)) == [[c.name for c in table.columns]]
    result = repermit("ingest", folder, "--format", "csv")
    assert result.exit_code == 0
    assert [line.split(",")[1:] for line in result.stdout.splitlines()[1:]] == [
        [t.name, "0", "0", "0", "0", "0"] for t in sorted(TABLES, key=lambda t: t.name)
    ]


def test_csv_keeps_a_file_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "loads.csv").write_text("mine\n")
    told = said("--format", "csv", "--out", tmp_path)
    assert (tmp_path / "loads.csv").read_text() == "mine\n"
    assert "loads.csv" not in told


def test_the_readme_holds_the_contract() -> None:
    readme = README.read_text(encoding="utf-8")
    assert readme.count("<!-- contract -->") == readme.count("<!-- /contract -->") == 1
    between = readme.split("<!-- contract -->")[1].split("<!-- /contract -->")[0]
    assert between.strip() == said("--format", "markdown").strip()
