"""The house keeps its order: imports run one way, SQL can move to another engine, every mart has a true card."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import sqlglot
from sqlglot import expressions as exp

from repermit import warehouse
from repermit.resources import folder
from repermit.settings import Settings

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "pipeline" / "repermit"
REPORTS = ROOT / "reports" / "repermit_reports"

# Each layer may import those before it, and itself.
LAYERS = (
    ("errors",),
    ("settings", "resources", "wording", "mending"),
    ("contract",),
    ("contract_text", "mapping"),
    ("mapping_file", "draft"),
    ("statistics",),
    ("warehouse",),
    ("judging", "as_of", "reports_made"),
    ("ingest", "validate", "studies"),
    ("repermit_reports",),
    ("cli",),
    ("__main__",),
)
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}


def modules() -> list[tuple[str, Path]]:
    """Every module of the two packages with the room it belongs to."""
    found = [(p.relative_to(PACKAGE).parts[0].removesuffix(".py"), p) for p in PACKAGE.rglob("*.py")]
    return [(room, p) for room, p in found if room != "__init__"] + [
        ("repermit_reports", p) for p in REPORTS.rglob("*.py")
    ]


def imported(path: Path) -> set[str]:
    """Every module that a file imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def rooms_of(names: set[str]) -> set[str]:
    """The rooms of the house among imported names."""
    rooms = set()
    for name in names:
        parts = name.split(".")
        if parts[0] == "repermit" and len(parts) > 1 and parts[1] in LEVEL:
            rooms.add(parts[1])
        elif parts[0] == "repermit_reports":
            rooms.add(parts[0])
    return rooms


def test_every_module_belongs_to_a_layer() -> None:
    assert {room for room, _ in modules()} <= set(LEVEL)


def test_imports_run_one_way() -> None:
    wrong = [
        f"{path.name} ({room}) imports {other}"
        for room, path in modules()
        for other in rooms_of(imported(path))
        if other != room and LEVEL[other] >= LEVEL[room]
    ]
    assert not wrong


WAREHOUSE = ("queries", "answers", "engine", "relations", "schema", "stores", "__init__")
"""Within the warehouse each may import those before it; other rooms see the last alone."""


def test_within_the_warehouse_imports_run_one_way() -> None:
    inner = {path.stem: imported(path) for room, path in modules() if room == "warehouse"}
    assert set(inner) == set(WAREHOUSE)
    for name, names in inner.items():
        seen = {n.split(".")[2] for n in names if n.startswith("repermit.warehouse.")}
        assert seen <= set(WAREHOUSE[: WAREHOUSE.index(name)]), name
    for room, path in modules():
        if room != "warehouse":
            seen = {".".join(n.split(".")[:3]) for n in imported(path)}
            assert not seen & {f"repermit.warehouse.{name}" for name in WAREHOUSE}, path


STUDIES = (
    ("selection",),
    ("about",),
    ("location",),
    ("frequency",),
    ("repairs", "racks", "ages"),
    ("records",),
    ("readers",),
)
"""Within studies each room may import those before it, and itself."""


def test_within_studies_imports_run_one_way() -> None:
    level = {name: at for at, names in enumerate(STUDIES) for name in names}
    found = set()
    for room, path in modules():
        if room == "studies" and path.relative_to(PACKAGE).parts != ("studies", "__init__.py"):
            own = path.relative_to(PACKAGE).parts[1].removesuffix(".py")
            found.add(own)
            seen = {n.split(".")[2] for n in imported(path) if n.startswith("repermit.studies.")}
            assert all(other == own or level[other] < level[own] for other in seen), path
    assert found == set(level)


def test_statistics_know_numbers_only() -> None:
    heavy = {"polars", "duckdb", "altair", "repermit_reports", "great_expectations", "typer"}
    for room, path in modules():
        if room == "statistics":
            assert not {name.split(".")[0] for name in imported(path)} & heavy, path


@pytest.mark.parametrize(
    ("library", "rooms"),
    [
        ("duckdb", {"warehouse"}),
        ("great_expectations", {"validate"}),
        ("altair", {"repermit_reports"}),
        ("typer", {"cli"}),
    ],
)
def test_a_library_lives_in_one_room(library: str, rooms: set[str]) -> None:
    users = {room for room, path in modules() if library in {n.split(".")[0] for n in imported(path)}}
    assert users == rooms


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; import repermit.cli.main;"
        "print(sorted({'duckdb', 'polars', 'numpy', 'altair', 'great_expectations', 'scipy', 'rich'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


# --- SQL that can be carried to another engine -----------------------------------------------------------

RELATIONS = [
    pytest.param(layer, name, sql, id=f"{layer}/{name}") for layer, name, sql in warehouse.relations()
]
FORBIDDEN_FUNCTIONS = {
    "min_by", "max_by", "arg_min", "arg_max", "argmin", "argmax", "any_value", "dayofweek", "isodow", "weekday",
    "dayofyear", "quantile_cont", "quantile_disc", "median", "mode", "list", "unnest", "list_filter",
    "list_contains", "epoch_us", "epoch", "date_sub", "datesub",
}  # fmt: skip


UNIQUE = {"refusal_id", "repair_id", "label", "step", "id", "finding_no", "episode_id"}
"""Columns that end the order of a window, so that no two rows tie."""


def offences(tree: exp.Expression, layer: str) -> list[str]:
    """What the relation uses that another engine reads differently or not at all."""
    found = []
    for node in tree.walk():
        if isinstance(node, exp.Func):
            name = (node.name if isinstance(node, exp.Anonymous) else node.sql_name()).lower()
            if name in FORBIDDEN_FUNCTIONS:
                found.append(f"the function {name}")
        if isinstance(
            node,
            (
                exp.AnyValue,
                exp.ArgMax,
                exp.ArgMin,
                exp.PercentileCont,
                exp.DayOfWeek,
                exp.Unnest,
                exp.Explode,
            ),
        ):
            found.append(type(node).__name__)
        if layer != "staging" and isinstance(
            node, (exp.TryCast, exp.RegexpLike, exp.RegexpExtract, exp.RegexpReplace)
        ):
            found.append(f"{type(node).__name__} outside staging")
        if isinstance(node, exp.Div) and not isinstance(node.expression, exp.Nullif):
            found.append("a division without nullif")
        if isinstance(node, (exp.Div, exp.Avg)):
            found.append("avg or / may meet a DECIMAL")
        if isinstance(node, exp.DateDiff):
            unit = str(node.args.get("unit") or "day").strip("'").lower()
            if unit not in ("microsecond", "month", "year"):
                found.append(f"date_diff in {unit}")
        if isinstance(node, (exp.Array, exp.ArrayFilter, exp.ArrayContains, exp.Lambda)):
            found.append("a list")
        if isinstance(node, exp.Window) and node.args.get("order"):
            last = node.args["order"].expressions[-1].this.name
            if last not in UNIQUE and not isinstance(node.this, (exp.Min, exp.Max)):
                found.append(f"a window ordered last by {last}, which is not unique")
        if isinstance(node, exp.Join) and str(node.args.get("method") or "").upper() == "ASOF":
            found.append("an ASOF join")
        if isinstance(node, exp.Interval) and not isinstance(node.this, exp.Literal):
            found.append("an interval that is not a literal")
    return found


@pytest.mark.parametrize(("layer", "name", "sql"), RELATIONS)
def test_sql_can_move(layer: str, name: str, sql: str) -> None:
    tree = sqlglot.parse_one(warehouse.filled(sql, Settings()), read="duckdb")
    assert not offences(tree, layer)
    if layer == "marts":
        assert not list(tree.find_all(exp.Star)) or all(
            isinstance(star.parent, (exp.Count, exp.Column)) or star.find_ancestor(exp.CTE)
            for star in tree.find_all(exp.Star)
        ), "select * in a mart"


@pytest.mark.parametrize(
    "sql",
    [
        "select any_value(a) from t",
        "select max_by(a, b) from t",
        "select arg_max(a, b) from t",
        "select a / b from t",
        "select avg(a) from t",
        "select date_diff('day', a, b) from t",
        "select date_diff('hour', a, b) from t",
        "select dayofweek(a) from t",
        "select try_cast(a as date) from t",
        "select regexp_matches(a, 'x') from t",
        "select regexp_extract(a, 'x') from t",
        "select quantile_cont(a, 0.5) from t",
        "select * from a asof join b on a.t >= b.t",
        "select unnest([1, 2])",
        "select list_filter(a, lambda x: x > 1) from t",
        "select row_number() over (order by started_at) from t",
    ],
)
def test_the_check_sees_what_it_forbids(sql: str) -> None:
    assert offences(sqlglot.parse_one(sql, read="duckdb"), "core")


@pytest.mark.parametrize(("layer", "name", "sql"), RELATIONS)
def test_sql_translates(layer: str, name: str, sql: str) -> None:
    """A translator reads every relation and writes it for another engine without complaint."""
    written = sqlglot.transpile(
        warehouse.filled(sql, Settings()),
        read="duckdb",
        write="spark",
        unsupported_level=sqlglot.ErrorLevel.RAISE,
    )
    assert len(written) == 1


def test_relations_are_built_in_order() -> None:
    """A relation reads only from `current` and from relations above it, and each layer only from those below."""
    rank = {"current": 0, "staging": 1, "core": 2, "steps": 2, "marts": 3}
    built = {"steps.answered"}  # of the build before
    for layer, name, sql in warehouse.relations():
        tree = sqlglot.parse_one(warehouse.filled(sql, Settings()), read="duckdb")
        for table in tree.find_all(exp.Table):
            if not table.db:
                continue  # a common table expression
            assert rank[table.db] <= rank[layer], f"{layer}/{name} reads {table.db}.{table.name}"
            assert table.db == "current" or f"{table.db}.{table.name}" in built, (
                f"{layer}/{name} before {table.name}"
            )
        built.add(f"{layer}.{name}")


def test_every_sql_file_is_listed() -> None:
    sql = folder("sql")
    files = {f"{p.parent.name}/{p.stem}" for p in sql.rglob("*.sql")}
    assert files == {f"{layer}/{name}" for layer, name, _ in warehouse.relations()}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> warehouse.Connection:
    con = warehouse.connect(tmp_path_factory.mktemp("house") / "empty.duckdb")
    warehouse.make_schema(con, Settings())
    return con


MARTS = [name for layer, name, _ in warehouse.relations() if layer == "marts"]


@pytest.mark.parametrize("name", MARTS)
def test_card_names_the_columns(store: warehouse.Connection, name: str) -> None:
    card = tomllib.loads((folder("sql") / "marts" / f"{name}.toml").read_text(encoding="utf-8"))
    columns = [c for c, *_ in warehouse.rows(store, f"describe marts.{name}")]
    assert list(card["columns"]) == columns
    assert set(card["key"]) <= set(columns) and card["grain"] and card["says"]
    for column, about in card["columns"].items():
        assert about["text"]
        if column.endswith(("_at", "_from", "_until")):
            assert about["unit"] == "UTC", column
        if column.endswith("_min"):
            assert about["unit"] == "min", column


def test_every_method_stands_in_the_table_of_methods() -> None:
    """Each module of statistics has a row with its check and second implementation, and each function named is there."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## Every method, and what holds it", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("| ").split(" | ") for line in table.splitlines() if line.startswith("| ")][1:]
    named: set[str] = set()
    for _, functions, published, second in rows:
        module = ""
        for name in re.findall(r"`([\w.]+)`", functions):
            module = name.split(".")[0] if "." in name else module
            source = (ROOT / "pipeline/repermit/statistics" / f"{module}.py").read_text(encoding="utf-8")
            assert re.search(rf"^(def|class) {name.split('.')[-1]}\b", source, re.MULTILINE), name
        named |= {name.split(".")[0] for name in re.findall(r"`(\w+\.\w+)`", functions)}
        assert published and second
    modules = {path.stem for path in (ROOT / "pipeline/repermit/statistics").glob("*.py")} - {"__init__"}
    assert modules <= named
