"""Adjusted p-values against published examples."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from repermit.statistics.multiple import benjamini_hochberg, holm

CASES = tomllib.loads((Path(__file__).parent / "cases" / "multiple.toml").read_text(encoding="utf-8"))["case"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["id"])
def test_adjusted(case: dict[str, Any]) -> None:
    for method in (holm, benjamini_hochberg):
        found = method(case["p"])
        assert found == pytest.approx(case[method.__name__], rel=1e-9)
        assert (found <= 0.05).sum() == case["rejected_at_5_percent"][method.__name__]
