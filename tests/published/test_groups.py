"""The log-rank test of groups against published trials."""

import csv
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from repermit.statistics.log_rank import log_rank

CASES = Path(__file__).parent / "cases"
TRIALS: list[dict[str, Any]] = tomllib.loads((CASES / "groups.toml").read_text(encoding="utf-8"))["case"]


@pytest.mark.parametrize("case", TRIALS, ids=lambda c: str(c["name"]))
def test_log_rank(case: dict[str, Any]) -> None:
    with (CASES / f"{case['name']}.csv").open(encoding="utf-8") as file:
        rows = np.array([[int(x) for x in row.values()] for row in csv.DictReader(file)])
    group, time, event = rows.T
    found = log_rank(time, event, group, int(group.max()) + 1)
    assert found.degrees == group.max()
    assert found.observed == pytest.approx(case["observed"], abs=1e-9)
    assert found.expected == pytest.approx(case["expected"], abs=1e-8)
    assert found.chi_square == pytest.approx(case["chi2"], abs=1e-7)
    assert found.p == pytest.approx(case["p"], rel=1e-8)
