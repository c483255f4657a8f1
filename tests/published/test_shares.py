"""Agreement beyond chance and limits of shares against published examples."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from repermit.statistics.agreement import agreement
from repermit.statistics.proportions import wilson_limits

CASES = Path(__file__).parent / "cases"


def cases(name: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = tomllib.loads((CASES / name).read_text(encoding="utf-8"))["case"]
    return found


@pytest.mark.parametrize("case", cases("agreement.toml"), ids=lambda c: c["id"])
def test_agreement(case: dict[str, Any]) -> None:
    found = agreement(case["counts"])
    for name in ("agreed", "by_chance", "kappa", "se"):
        if name in case:
            assert getattr(found, name) == pytest.approx(case[name], abs=1e-9)
    if "limits" in case:
        assert (found.low, found.high) == pytest.approx(case["limits"], abs=1e-9)
    if "printed" in case:
        assert found.kappa == pytest.approx(case["printed"], abs=0.0005)


@pytest.mark.parametrize("case", cases("proportions.toml"), ids=lambda c: c["id"])
def test_wilson(case: dict[str, Any]) -> None:
    low, high = wilson_limits(case["part"], case["of"])
    assert low == pytest.approx(case["low"], abs=1e-9)
    assert high == pytest.approx(case["high"], abs=1e-9)
    assert low == pytest.approx(case["printed_low"], abs=0.00005)
    assert high == pytest.approx(case["printed_high"], abs=0.00005)
