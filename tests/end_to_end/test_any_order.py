"""The order of rows in the files changes no answer; and every answer comes with its sentence, under one name."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from helpers import load
from repermit.cli.main import app
from tanker_world import Scenario, simulate, write

WORLD = Scenario(name="orders", seed=23, trailers=40, months=30)
QUESTIONS = (
    "rates --by position,cause",
    "rates --by trailer",
    "rates --by fleet --compare",
    "rates --by month",
    "rates --by change",
    "rates --by silent",
    "trend --by fleet",
    "life --by lot",
    "life --by position",
    "located",
    "lanes",
    "fixes --by action",
    "fixes --by shop",
    "where-first",
    "outlook",
)
OF_FILES = ("store", "fingerprint")
"""What names the store and the very bytes of the files."""


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The store of one world, and of the same with the rows of every file turned round and dealt out like cards."""
    folder = tmp_path_factory.mktemp("orders")
    write(simulate(WORLD), folder / "as", gzip=())
    (folder / "other").mkdir()
    for file in (folder / "as").glob("*.csv"):
        header, *lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
        dealt = [line for start in range(7) for line in lines[::-1][start::7]]
        assert sorted(dealt) == sorted(lines) and all(line.count('"') % 2 == 0 for line in lines)
        (folder / "other" / file.name).write_text("".join([header, *dealt]), encoding="utf-8")
    for name in ("as", "other"):
        load(folder / f"{name}.duckdb", folder / name)
        shutil.rmtree(folder / name)
    return folder / "as.duckdb", folder / "other.duckdb"


@pytest.fixture(scope="module")
def answers(stores: tuple[Path, Path]) -> Callable[[str], tuple[dict[str, Any], dict[str, Any]]]:
    """The answer to a question, from either store; each is asked once."""

    def ask(store: Path, question: str) -> dict[str, Any]:
        words = [*question.split(), "--format", "json", "--store", str(store)]
        found = CliRunner().invoke(app, words)
        assert found.exit_code == 0, (found.stderr, found.exception)
        told: dict[str, Any] = json.loads(found.stdout)
        return told

    return cache(lambda question: (ask(stores[0], question), ask(stores[1], question)))


@pytest.mark.parametrize("question", QUESTIONS)
def test_order_of_rows_changes_nothing(question: str, answers: Any) -> None:
    """The same JSON to the last digit, apart from what names the files."""
    one, other = answers(question)
    assert one["rows"] == other["rows"] and one["rows"]
    one, other = ({k: v for k, v in told["about"].items() if k not in OF_FILES} for told in (one, other))
    assert one == other


@pytest.mark.parametrize("question", QUESTIONS)
def test_an_answer_has_its_sentence(question: str, answers: Any) -> None:
    """What is told in words goes by one name, in `about` or a row, and is what the command tells beside its table."""
    told, _ = answers(question)
    sentence = (told["rows"][0] if question == "where-first" else told["about"])["sentence"]
    assert sentence.endswith(".") and '"says"' not in json.dumps(told)


@pytest.mark.parametrize("question", ["rates --by position,cause", "located", "lanes", "outlook"])
def test_the_sentence_is_told_beside_the_table(
    question: str, answers: Any, stores: Any, repermit: Any
) -> None:
    sentence = answers(question)[0]["about"]["sentence"]
    table = repermit(*question.split(), store=stores[0]).stderr
    assert " ".join(sentence.split()) in " ".join(table.split())
